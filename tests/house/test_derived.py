"""Derived quantities: worked values, and nothing where something needed is not known."""

import math

import pytest

from analyzer.house.derived import derive, installation
from analyzer.house.facts import quantities as vocabulary
from analyzer.house.water import copper_warning

HOUSE = {
    "material": "copper",
    "tube_size": "1/2",
    "tube_type": "M",
    "service": "cold",
    "flow_l_per_min": 12.0,
    "static_pressure_kpa": 500.0,
    "static_pressure_night_kpa": 620.0,
    "contact_metal": "galvanised_steel",
    "water_ph": 7.5,
    "water_temperature_c": 25.0,
    "water_calcium_mg_per_l_caco3": 150.0,
    "water_alkalinity_mg_per_l_caco3": 34.0,
    "water_tds_mg_per_l": 320.0,
    "water_chloride_mg_per_l": 35.0,
    "water_sulfate_mg_per_l": 30.0,
}


def test_worked_house():
    known, flags = derive(HOUSE)
    # v = 0.4085 Q / d^2 ft/s (gpm, in): 12 L/min = 3.170 gpm in a bore of 0.569 in is 4.00 ft/s = 1.219 m/s
    assert known["velocity_m_per_s"] == pytest.approx(0.4085 * 3.1701 / 0.569**2 * 0.3048, rel=2e-4)
    assert known["velocity_over_limit"] is False
    assert known["static_pressure_over_code"] is True  # by night: 620 kPa against 552
    assert known["anodic_gap_v"] == pytest.approx(0.85)
    assert known["contact_copper_is_cathode"] is True
    assert known["chloride_to_sulfate_ratio"] == pytest.approx(1.16667, abs=1e-4)
    assert known["langelier_index"] == pytest.approx(-0.538, abs=0.06)  # PHREEQC, worked example W1
    assert not flags


def test_every_derived_quantity_is_in_the_vocabulary():
    known, _ = derive(HOUSE)
    assert {name for name in known if vocabulary()[name].origin != "derived"} == set()


def test_nothing_known_gives_nothing():
    assert derive({}) == ({}, ())


@pytest.mark.parametrize(
    "missing, gone",
    [
        ("tube_size", {"velocity_m_per_s", "velocity_over_limit"}),
        ("flow_l_per_min", {"velocity_m_per_s", "velocity_over_limit"}),
        ("water_temperature_c", {"langelier_index", "ryznar_index", "dic_mg_per_l"}),
        ("contact_metal", {"anodic_gap_v", "contact_copper_is_cathode"}),
        ("material", {"anodic_gap_v", "contact_copper_is_cathode"}),
    ],
)
def test_what_is_not_known_derives_nothing(missing, gone):
    known, _ = derive({name: value for name, value in HOUSE.items() if name != missing})
    assert not gone & set(known)


def test_unknown_type_gives_a_range_and_a_verdict_only_where_it_holds_for_all():
    facts = {"material": "copper", "tube_size": "1/2", "service": "cold", "flow_l_per_min": 12.0}
    known, _ = derive(facts)
    assert "velocity_m_per_s" not in known and known["velocity_over_limit"] is False
    speed = installation(facts).speed
    assert speed.low_m_per_s < 1.22 < speed.high_m_per_s
    # 22 L/min: 2.24 m/s in type M (under 2.44), 2.61 in type K (over)
    known, _ = derive({**facts, "flow_l_per_min": 22.0})
    assert "velocity_over_limit" not in known


def test_limits_of_speed_are_for_copper_only():
    known, _ = derive({"material": "galvanised_steel", "tube_size": "3/4", "service": "cold", "flow_l_per_min": 60.0})
    assert known["velocity_m_per_s"] == pytest.approx(2.91, abs=0.01)  # bore 20.93 mm, ASME B36.10
    assert "velocity_over_limit" not in known


def test_a_narrow_fitting_speeds_the_water_up():
    """Continuity: v = 0.4085 Q / d^2 ft/s (gpm, in), as above; the limits are the CDA handbook's (2.44 m/s cold, 1.52 hot)."""
    house = {"material": "copper", "tube_size": "1/2 M", "service": "cold", "flow_l_per_min": 12.0}
    assert (
        pytest.approx(3.14, abs=0.01) == 0.4085 * 3.1701 / (9 / 25.4) ** 2 * 0.3048
    )  # over the limit, where the tube is under
    known, _ = derive({**house, "fitting_bore_mm": 9.0})
    assert known["velocity_in_fitting_over_limit"] is True and known["velocity_over_limit"] is False
    known, _ = derive({**house, "fitting_bore_mm": 12.0})  # 1.77 m/s
    assert known["velocity_in_fitting_over_limit"] is False
    known, _ = derive({**house, "service": "hot", "fitting_bore_mm": 12.0})
    assert known["velocity_in_fitting_over_limit"] is True
    for unknown in (
        house,
        {"material": "copper", "fitting_bore_mm": 9.0},
        {**house, "material": "pex", "fitting_bore_mm": 9.0},
    ):
        assert "velocity_in_fitting_over_limit" not in derive(unknown)[0]


def test_fixture_flow_is_flagged():
    known, flags = derive({"material": "copper", "tube_size": "1/2 L", "service": "cold", "fixture": "shower"})
    assert [flag.id for flag in flags] == ["flow_from_fixture"]
    assert known["velocity_m_per_s"] == pytest.approx(1.048, abs=0.01)


def test_an_unreadable_tube_is_a_flag_not_a_crash():
    known, flags = derive({"tube_size": "banana", "flow_l_per_min": 3.0})
    assert known == {} and [flag.id for flag in flags] == ["tube_not_read"]


def test_no_chloride_found_is_not_unknown_but_no_sulfate_has_no_ratio():
    known, _ = derive({"water_chloride_mg_per_l": 0.0, "water_sulfate_mg_per_l": 10.0})
    assert known["chloride_to_sulfate_ratio"] == 0.0
    assert derive({"water_chloride_mg_per_l": 10.0, "water_sulfate_mg_per_l": 0.0})[0] == {}
    zero = {**HOUSE, "water_calcium_mg_per_l_caco3": 0.0, "water_alkalinity_mg_per_l_caco3": 0.0}
    assert not {"langelier_index", "larson_skold_index"} & set(derive(zero)[0])


def test_metals_that_pull_both_ways_leave_the_role_open():
    known, _ = derive({"material": "copper", "joined_metals": ("steel",)})
    assert known["contact_copper_is_cathode"] is True
    known, _ = derive({"material": "galvanised_steel", "joined_metals": ("copper_upstream", "brass")})
    assert known["contact_copper_is_cathode"] is True and known["anodic_gap_v"] == pytest.approx(0.85)
    known, _ = derive({"material": "copper", "joined_metals": ("steel", "carbon")})
    assert known == {"anodic_gap_v": 0.5}
    known, _ = derive({"material": "copper", "contact_metal": "none"})
    assert known == {}


def test_pages_get_words_with_the_figures():
    page = installation(HOUSE)
    assert {i.id for i in page.water} >= {"langelier_index", "larson_skold_index", "dic_mg_per_l"}
    assert page.pressure.pressure_kpa == 620.0
    assert page.speed.friction_kpa_per_m > 0 and page.speed.hammer_kpa > 1000.0
    assert page.couples[0].anode == "galvanised_steel"
    assert "context" in copper_warning()


def test_bicarbonate_against_sulfate_is_by_molar_masses():
    """61.0168 g/mol HCO3, 100.0869 CaCO3 (IUPAC atomic weights): 82.02 mg/L CaCO3 are 100 mg/L bicarbonate."""
    known = derive({"water_alkalinity_mg_per_l_caco3": 82.02, "water_sulfate_mg_per_l": 50.0, "water_ph": 7.2})[0]
    assert known["bicarbonate_to_sulfate_ratio"] == pytest.approx(2.0, rel=1e-3)
    assert "chloride_sulfate_nitrate_to_bicarbonate" not in known, "nitrate is not known"
    whole = {
        "water_alkalinity_mg_per_l_caco3": 50.04345,
        "water_sulfate_mg_per_l": 48.0313,
        "water_chloride_mg_per_l": 35.453,
    }
    known = derive({**whole, "water_nitrate_mg_per_l": 62.0049})[0]  # one of each charge against one of bicarbonate
    assert known["chloride_sulfate_nitrate_to_bicarbonate"] == pytest.approx(3.0, rel=1e-6)
    assert "bicarbonate_to_sulfate_ratio" not in derive({**whole, "water_ph": 9.0})[0], "carbonate counts then"


@pytest.mark.parametrize("colour, bore_mm", [("green", 18.92), ("blue", 19.94), ("red", 20.60)])
def test_colour_of_the_print_tells_the_wall_type(colour, bore_mm):
    """ASTM B88 as tabulated by suppliers: K green, L blue, M red; 3/4 in bores 18.92, 19.94 and 20.60 mm."""
    told = {"material": "copper", "tube_size": "3/4", "flow_l_per_min": 30.0, "service": "cold"}
    speed = derive({**told, "print_colour": colour})[0]["velocity_m_per_s"]
    assert speed == pytest.approx(0.0005 / (math.pi / 4 * (bore_mm / 1000) ** 2), rel=0.01)
    assert "velocity_m_per_s" not in derive(told)[0], "without it the bore is a range"
