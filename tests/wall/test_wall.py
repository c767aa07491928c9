"""The wall: printed pressures, combining evidence, remaining wall by pit and section."""

import doctest
import json
import math
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.base.flags import InputError
from analyzer.base.measured import KPA_PER_PSI, Measure
from analyzer.house import tables
from analyzer.house.tables import read_tube
from analyzer.marks.catalogue import Pit, PitCatalogue
from analyzer.result.record import Beside, WallRecord
from analyzer.ring.cut_ring import Ring
from analyzer.show.wall_words import paragraphs
from analyzer.wall import capacity
from analyzer.wall.capacity import (
    CAUTION,
    growth,
    handbook_pressure_psi,
    joint_limits,
    required_wall_in,
    years_to_depth,
)
from analyzer.wall.evidence import combine, depth_from_opening, less
from analyzer.wall.nominal import nominal_wall
from analyzer.wall.readings import readings_from_rows
from analyzer.wall.remaining import assess_wall


def test_docstrings_hold():
    assert doctest.testmod(capacity).failed == 0


# ---------------------------------------------------------------- pressure, against the Copper Tube Handbook

PRINTED = [
    row
    for row in tables.select("copper_tube_pressure", quantity="rated internal working pressure")
    if row["type"] in tables.TYPES and row["status"] == "read"
]


def test_all_printed_pressures_within_1_psi():
    """Copper Tube Handbook Table 3c, type M: 154 values (CDA_3c); K and L annealed at 150 F: 26 values (PRSHEET)."""
    assert len([row for row in PRINTED if row["type"] == "M"]) == 154
    assert len([row for row in PRINTED if row["type"] in "KL" and row["temp_F"] == "150"]) == 26
    for row in PRINTED:
        made = handbook_pressure_psi(row["nominal_size"], row["type"], row["temper"], float(row["temp_F"]))
        assert abs(made - float(row["published_psi"])) <= 1.0, row


@given(pressure=st.floats(1, 2000), diameter=st.floats(0.3, 4.2), stress=st.sampled_from([3000.0, 6000.0, 10300.0]))
def test_required_wall_inverts_the_pressure(pressure, diameter, stress):
    wall = required_wall_in(pressure, diameter, stress)
    assert capacity.rated_pressure_psi(wall, diameter, stress) == pytest.approx(pressure, rel=1e-9)


def test_worked_examples():
    # at 80 psi annealed: 1/2 in asks for 0.0042 in, 3/4 L 0.0058, 1 M 0.0075 (computed apart from this code)
    for diameter, wall in ((0.6275, 0.0042), (0.878, 0.0058), (1.1285, 0.0075)):
        assert required_wall_in(80, diameter, 6000) == pytest.approx(wall, abs=6e-5)
    # cube-root law: twice the wall lasts eight times as long (key ALU_CUBE); 0.7 mm at 12.5 micrometres a year, 56 years (LIQ_CWP)
    assert years_to_depth(1, 7, 2, 1 / 3) == pytest.approx(56)
    assert years_to_depth(0.0125, 1, 0.7, 1) == pytest.approx(56)


def test_joint_limits_by_size_and_temperature():
    # handbook joint table (COPZONE_F)
    assert [round(j.pressure_kpa / KPA_PER_PSI) for j in joint_limits("1", 100)] == [200, 500]
    assert [round(j.pressure_kpa / KPA_PER_PSI) for j in joint_limits("1-1/4", 101)] == [125, 350]
    assert [round(j.pressure_kpa / KPA_PER_PSI) for j in joint_limits("2-1/2", 250)] == [50, 150]
    assert joint_limits("1/2", 251) == ()


def test_capacity_refuses_what_the_handbook_has_not():
    with pytest.raises(InputError, match="400 F"):
        capacity.allowable_stress_psi("drawn", 401)
    with pytest.raises(InputError, match="annealed"):
        capacity.allowable_stress_psi("soft", 100)
    with pytest.raises(InputError, match="above 0 years"):
        growth(Measure(value=0.4), Measure(value=0.3), 0.0)


# ---------------------------------------------------------------- combining


measures = st.builds(
    lambda value, spread: Measure(value=value, budget={"reading": spread}), st.floats(0, 1.2), st.floats(0.002, 0.3)
)


@given(st.lists(measures, min_size=1, max_size=4))
def test_combining_never_narrows_and_contradiction_widens(sources):
    made, contradicted = combine(sources)
    low, high = made.interval_95
    best_low, best_high = sources[0].interval_95
    assert low <= best_low + 1e-12 and high >= best_high - 1e-12
    assert made.value == sources[0].value
    disjoint = [s for s in sources[1:] if s.interval_95[0] > best_high or s.interval_95[1] < best_low]
    if disjoint:
        assert contradicted
        for other in disjoint:
            assert low <= other.interval_95[0] and high >= other.interval_95[1]
        assert high - low > best_high - best_low
    if not contradicted:
        assert (low, high) == (best_low, best_high)


@given(measures, st.floats(0, 0.3))
def test_less_stays_between_nothing_and_the_wall(depth, spread):
    sound = Measure(value=0.7, budget={"tolerance": spread})
    left = less(sound, depth)
    low, high = left.interval_95
    assert 0 <= low <= left.value <= high
    # interval and standard uncertainty tell the same
    assert (high - low) / 3.92 == pytest.approx(left.standard_uncertainty, rel=1e-3, abs=1e-9)
    assert (
        high - low
        <= (sound.interval_95[1] - sound.interval_95[0]) + (depth.interval_95[1] - depth.interval_95[0]) + 1e-9
    )


# ---------------------------------------------------------------- the section


@dataclass(frozen=True)
class Piece:
    """As much of a surface as the wall reads."""

    unit: str = "mm"
    axial_length: Measure = Measure(value=60.0)
    axial_from: float = 0.0
    examined_area: Measure = Measure(value=1200.0)


@dataclass(frozen=True)
class Lights:
    pit_depths_mm: dict = field(default_factory=dict)
    through: dict = field(default_factory=dict)
    holes: tuple = ()


def a_pit(number, diameter=0.8, through=None):
    return Pit(
        id=number, x_px=100.0 * number, y_px=100.0, opening_area_px=80.0, equivalent_diameter_px=10.0, confidence=0.9,
        through=through, obliquity_deg=5.0, contrast=20.0, axial_mm=5.0 * number, around_mm=0.0,
        equivalent_diameter_mm=Measure(value=diameter, budget={"scale": 0.01}),
    )  # fmt: skip


def catalogue(*pits):
    return PitCatalogue(
        pits=pits, mounds=(), labels=np.zeros((4, 4), np.uint16), count=Measure(value=float(len(pits))), smallest_counted_mm=0.3,
        evidence="learned", evidence_version="test",
    )  # fmt: skip


def assess(*pits, tube="1/2 M", rows=(), relief=None, ring=None, **facts):
    return assess_wall(
        tube=read_tube(tube) if tube else None, surface=Piece(), pits=catalogue(*pits), readings=readings_from_rows(rows),
        relief=relief, ring=ring, facts=facts,
    )  # fmt: skip


def flags_of(wall):
    return {flag.id for flag in wall.flags}


def test_nominal_wall_carries_the_legal_tolerance():
    # ASTM B88: 1/2 M 0.028 +- 0.003 in; types of 1/2 in from 0.028 to 0.049 in
    nominal, source = nominal_wall(read_tube("1/2 M"))
    assert nominal.interval_95 == pytest.approx((0.025 * 25.4, 0.031 * 25.4)) and source == "ASTM B88 type M"
    wide, _ = nominal_wall(read_tube("1/2"))
    assert wide.interval_95[0] <= 0.025 * 25.4 and wide.interval_95[1] >= 0.0539 * 25.4
    typed, _ = nominal_wall(read_tube("15.9x0.7"))
    assert 0.06 < typed.interval_95[1] - 0.7 < 0.09
    assert nominal_wall(None) == (None, "")


def test_opening_alone_is_a_wide_indicative_range_without_strength():
    wall = assess(a_pit(1), a_pit(2, 3.0), static_pressure_kpa=550.0)
    assert wall.indicative and wall.evidence[0].kind == "opening only" and "wall_indicative" in flags_of(wall)
    low, high = wall.remaining_mm.interval_95
    assert low == 0 and 0.4 < high < 0.6  # at least a tenth of 3 mm is gone
    assert wall.capacity.even_kpa is None and any(
        "nothing is said about the strength" in s for s in wall.capacity.sentences
    )
    assert "remaining_wall_share" not in wall.quantities
    assert wall.capacity.required_wall_mm == pytest.approx(0.106, abs=0.002)  # 80 psi, annealed 1/2 in
    # the handbook's rated pressure of new 1/2 M, annealed, at 100 F is 494 psi; of a tube whose type nobody told none is printed
    assert wall.capacity.new_tube_kpa / KPA_PER_PSI == pytest.approx(494, abs=1)
    assert assess(a_pit(1), tube="1/2").capacity.new_tube_kpa is None


def test_mouths_that_leave_nearly_all_of_the_wall_open_say_not_known():
    wall = assess(a_pit(1), a_pit(2, 1.4), static_pressure_kpa=550.0)
    assert wall.remaining_mm is None and wall.evidence[0].remaining_mm is None
    assert "that is not known" in wall.evidence[0].sentence and wall.capacity.even_kpa is None


def test_two_readings_of_sound_metal_are_as_wide_as_student_says():
    """GUM annex G.4 with the t table G.2 (t 12.71 at one degree of freedom): two readings that differ say little."""
    rows = [{"kind": "sound_wall", "wall": w, "method": "ball micrometer"} for w in (0.60, 0.76)]
    wall = assess(a_pit(1), rows=[*rows, {"kind": "pit", "id": 1, "depth": 0.3}])
    low, high = wall.remaining_mm.interval_95
    assert low == 0.0 and high > 0.38 + 0.5 * 12.71 * 0.08  # scatter of the mean 0.08 mm
    alike = assess(a_pit(1), rows=[*(dict(r, wall=0.68) for r in rows), {"kind": "pit", "id": 1, "depth": 0.3}])
    assert alike.remaining_mm.interval_95[0] > 0.3


def test_gauge_reading_beats_the_opening_and_opens_strength():
    wall = assess(
        a_pit(1),
        a_pit(2, 1.4),
        rows=[{"kind": "pit", "id": 2, "depth": 0.4}],
        age_years=12.0,
        static_pressure_kpa=550.0,
    )
    assert not wall.indicative and wall.remaining_mm.value == pytest.approx(0.7112 - 0.4)
    assert wall.pit_depths[2].evidence == "gauge" and wall.pit_depths[1].indicative
    assert "1 of 2 pits were not measured" in wall.weakest_link
    assert wall.capacity.case == "local thin spot" and wall.capacity.even_kpa.value > 550
    linear, power = wall.growth
    # 0.4 mm in 12 years is 33 micrometres a year; the law with the smaller exponent lasts longer
    assert linear.rate_mm_per_year[0] < 0.4 / 12 < linear.rate_mm_per_year[1]
    assert linear.years_to_perforation[0] < 0.311 / (0.4 / 12) < linear.years_to_perforation[1]
    assert power.years_to_perforation[0] > linear.years_to_perforation[0]
    assert wall.depth_rating == "C-1" and wall.deepest_by_wall == pytest.approx(0.4 / 0.7112)
    assert CAUTION in paragraphs(wall) and CAUTION in paragraphs(wall, units="us")


def test_caliper_on_sound_metal_replaces_the_tolerance():
    by_type = assess(a_pit(1), rows=[{"kind": "pit", "id": 1, "depth": 0.4}])
    rows = [
        {"kind": "pit", "id": 1, "depth": 0.4},
        {"kind": "sound_wall", "wall": 0.69},
        {"kind": "sound_wall", "wall": 0.70},
    ]
    measured = assess(a_pit(1), rows=rows)
    assert measured.remaining_mm.value == pytest.approx(0.295)
    spans = [w.remaining_mm.interval_95[1] - w.remaining_mm.interval_95[0] for w in (by_type, measured)]
    assert spans[1] < spans[0]


def test_through_hole_is_zero_and_said_apart():
    wall = assess(a_pit(1), a_pit(2, through=True), rows=[{"kind": "pit", "id": 1, "depth": 0.3}])
    assert wall.perforated is True and wall.remaining_mm.value == 0.0
    assert wall.pit_depths[2].remaining_mm.interval_95 == (0.0, 0.0)
    assert wall.capacity.case == "through-hole" and wall.capacity.even_kpa is None and wall.growth == ()
    # light from behind overrules one photo, both ways
    dark = assess(a_pit(1), a_pit(2, through=True), relief=Lights(through={1: False, 2: False}))
    assert dark.perforated is False
    assert assess(a_pit(1)).perforated is None
    # light where no pit was found comes through the wall all the same
    elsewhere = assess(a_pit(1), relief=Lights(through={1: False}, holes=((10.0, 20.0),)))
    assert elsewhere.perforated is True and elsewhere.remaining_mm.value == 0.0 and elsewhere.growth == ()


@pytest.mark.parametrize(
    "say", [{"rows": [{"kind": "thin_wall", "wall": 5.0, "confirmed": True}]}, {"gauge_wall_mm": 5.0}]
)
def test_a_thinnest_place_thicker_than_the_tube_is_refused(say):
    """ASTM B88: 1/2 M is 0.711 mm thick, 0.076 mm more at most."""
    with pytest.raises(InputError, match="thinnest wall, 5 mm, is more than the wall"):
        assess(a_pit(1), **say)


def test_the_told_depth_of_the_deepest_pit_is_a_gauge_reading():
    wall = assess(a_pit(1), pit_depth_mm=0.4)
    assert not wall.indicative and wall.remaining_mm.value == pytest.approx(0.7112 - 0.4, abs=1e-3)
    low, high = wall.remaining_mm.interval_95
    assert low < 0.25 and high > 0.37  # the tube's own tolerance of 0.076 mm stays in it
    read = assess(a_pit(1), rows=[{"kind": "pit", "id": 1, "depth": 0.2}], pit_depth_mm=0.4)
    assert read.remaining_mm.value == pytest.approx(
        0.7112 - 0.2, abs=1e-3
    )  # a file of readings goes before what was told
    with pytest.raises(InputError, match="more than the wall"):
        assess(a_pit(1), pit_depth_mm=2.0)


def test_where_few_pits_were_measured_the_others_may_be_deeper():
    """The ten deepest are what ASTM G46 asks for (from memory); a told deepest or thinnest place speaks for the whole piece."""
    one = {"kind": "pit", "id": 1, "depth": 0.3}
    few = assess(a_pit(1), a_pit(2, diameter=1.5), rows=[one])
    alone = assess(a_pit(1), rows=[one])
    assert few.remaining_mm.value == alone.remaining_mm.value and not few.indicative
    assert (
        few.remaining_mm.interval_95[0] == 0.0 and few.remaining_mm.interval_95[1] == alone.remaining_mm.interval_95[1]
    )
    assert "few_pits_measured" in flags_of(few) and "few_pits_measured" not in flags_of(alone)
    pits = [a_pit(k) for k in range(1, 13)]
    ten = assess(*pits, rows=[{**one, "id": k} for k in range(1, 11)])
    assert "few_pits_measured" not in flags_of(ten) and ten.remaining_mm.interval_95[0] > 0.2
    told = assess(a_pit(1), a_pit(2), pit_depth_mm=0.3)
    assert "few_pits_measured" not in flags_of(told) and told.remaining_mm.interval_95[0] > 0.2


def test_several_lights_and_gauge_that_contradict_widen_and_flag():
    depth = Measure(value=0.15, budget={"relief": 0.02})
    wall = assess(a_pit(1), rows=[{"kind": "pit", "id": 1, "depth": 0.45}], relief=Lights(pit_depths_mm={1: depth}))
    pit = wall.pit_depths[1]
    assert pit.contradicted and "readings_disagree" in flags_of(wall)
    assert pit.depth_mm.interval_95[0] <= 0.15 - 0.039 and pit.depth_mm.interval_95[1] >= 0.45
    agree = assess(a_pit(1), rows=[{"kind": "pit", "id": 1, "depth": 0.17}], relief=Lights(pit_depths_mm={1: depth}))
    assert not agree.pit_depths[1].contradicted and agree.pit_depths[1].depth_mm.value == 0.17
    alone = assess(a_pit(1), relief=Lights(pit_depths_mm={1: depth}))
    assert alone.pit_depths[1].evidence == "several lights" and alone.evidence[0].kind == "several lights"


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([{"kind": "pit", "id": 1, "depth": 1.3}], "more than the wall of 1/2 M"),
        ([{"kind": "pit", "id": 9, "depth": 0.3}], "pit 9"),
        ([{"kind": "sound_wall", "wall": 0.071, "confirmed": False}], "looks like inches"),
    ],
)
def test_readings_that_the_tube_contradicts(rows, words):
    # 0.071 mm is no wall; 0.071 in is no wall of 1/2 M either, but of the 1-1/2 K below
    tube = "1-1/2 K" if "inches" in words else "1/2 M"
    with pytest.raises(InputError, match=words) as caught:
        assess(a_pit(1), tube=tube, rows=rows)
    assert str(caught.value).endswith(".")


def test_reading_beside_a_pit_counts_for_the_section():
    wall = assess(a_pit(1), rows=[{"kind": "pit", "x_px": 700, "y_px": 300, "depth": 0.5}])
    assert "reading_no_pit" in flags_of(wall) and wall.remaining_mm.value == pytest.approx(0.2112)
    # it grew like any other: 0.5 mm in 10 years, and a shallower one of a pit that is listed does not hide it
    rows = [{"kind": "pit", "x_px": 700, "y_px": 300, "depth": 0.5}, {"kind": "pit", "id": 1, "depth": 0.2}]
    deepest = assess(a_pit(1), rows=rows, age_years=10.0)
    assert deepest.deepest_by_wall == pytest.approx(0.5 / 0.7112)
    # as deep as the wall may be thick at most, 0.79 mm: through, and no more than all of it
    assert assess(a_pit(1), rows=[{**rows[1], "depth": 0.78}]).deepest_by_wall == 1.0


def test_a_reading_that_cannot_be_says_where_it_was_taken():
    for place, words in (
        ({"id": 1}, "depth of pit 1, 1.3 mm"),
        ({"x_px": 700, "y_px": 300}, "depth of a place in the photo, 1.3 mm"),
    ):
        with pytest.raises(InputError, match=words):
            assess(a_pit(1), rows=[{"kind": "pit", "depth": 1.3, **place}])


def a_ring(mean, minimum):
    wall = np.full(360, mean)
    wall[0] = minimum
    none = np.zeros((360, 2))
    least, middle, most = (Measure(value=value, budget={"edge": 0.005}) for value in (minimum, mean, mean))
    return Ring(
        centre_px=(0.0, 0.0), outer_contour_px=none, inner_contour_px=none, wall_px=wall * 50, mm_per_px=Measure(value=0.02),
        scale_source="marker and height", wall_mm=wall, minimum_mm=least, minimum_image_angle_deg=-180.0, maximum_mm=most, mean_mm=middle,
        outside_diameter_mm=None, ovality_percent=0.0, loss_outside_mm=None, loss_inside_mm=None, edge_uncertainty_px=0.2,
    )  # fmt: skip


def test_pitting_factor_and_even_thinning_of_a_ring():
    """ASTM G46 (from memory): deepest by mean loss of metal. 1/2 M is 0.7112 mm (ASTM B88), so 0.3 mm left at the thinnest place and 0.5 on
    average are 0.4112 by 0.2112; a mean that a new tube may have, 0.0762 mm less, is no loss to divide by."""
    pitted = assess(ring=a_ring(0.5, 0.3))
    assert pitted.pitting_factor == pytest.approx(0.4112 / 0.2112)
    assert pitted.capacity.case == "local thin spot" and pitted.quantities["wall_loss_even"] is False
    assert pitted.quantities["wall_loss_below_tolerance"] is False
    even = assess(ring=a_ring(0.5, 0.45))
    assert even.capacity.case == "even thinning" and even.quantities["wall_loss_even"] is True
    new = assess(ring=a_ring(0.68, 0.6))
    assert new.pitting_factor is None and new.quantities["wall_loss_below_tolerance"] is True
    assert assess(a_pit(1)).pitting_factor is None


def test_years_are_said_no_finer_than_they_are_known():
    """0.4 mm in 12 years and 0.311 mm left, without error: 0.311 / (0.4 / 12) = 9.3 years; 0.05 mm left, 1.5; 0.001 mm, none."""
    said = [growth(Measure(value=0.4), Measure(value=left), 12.0)[0].sentence for left in (0.311, 0.05, 0.001)]
    assert ["9 to 9 years" in said[0], "1.5 to 1.5 years" in said[1], "0 to 0 years" in said[2]] == [True] * 3


def test_a_pit_without_depth_tells_no_growth_and_no_rating():
    wall = assess(a_pit(1), rows=[{"kind": "pit", "id": 1, "depth": 0.0, "confirmed": True}], age_years=10.0)
    assert wall.growth == () and wall.depth_rating is None and wall.deepest_by_wall is None


def test_the_wall_asked_for_is_that_of_the_highest_pressure_told():
    """P D / (2 S + 0.8 P) of 80 psi, annealed 1/2 in (S 6000, D 0.6275, from the handbook's formula): 0.0042 in = 0.106 mm."""
    said = ({"static_pressure_kpa": 551.6}, {"static_pressure_night_kpa": 551.6})
    for facts in (*said, {"static_pressure_kpa": 551.6, "static_pressure_night_kpa": 300.0}):
        bearing = assess(a_pit(1), **facts).capacity
        assert bearing.required_wall_mm == pytest.approx(0.106, abs=0.002)
        assert bearing.static_pressure_kpa == 551.6 and isinstance(bearing.static_pressure_kpa, float)
    assert assess(a_pit(1)).capacity.required_wall_mm is None


def test_the_share_left_is_of_the_thinnest_type_where_none_was_told():
    """ASTM B88: of 1/2 in type M is thinnest, 0.028 in = 0.711 mm."""
    reading = {"kind": "thin_wall", "wall": 0.4}
    for tube in ("1/2 M", "1/2"):
        assert assess(a_pit(1), tube=tube, rows=[reading]).quantities["remaining_wall_share"] == pytest.approx(
            0.4 / 0.7112
        )


def test_the_formula_refuses_metal_without_strength():
    for wall, diameter, stress in ((0.02, 0.6, 0.0), (-0.01, 0.6, 6000.0), (0.5, 0.4, 6000.0)):
        with pytest.raises(ValueError, match="must be positive"):
            capacity.rated_pressure_psi(wall, diameter, stress)
    with pytest.raises(ValueError, match="must be positive"):
        years_to_depth(0.4, 0.0, 0.7, 1.0)
    near = assess(a_pit(1), rows=[{"kind": "pit", "x_px": 104, "y_px": 97, "depth": 0.5}])
    assert near.pit_depths[1].evidence == "gauge"


def test_unknown_tube_claims_nothing():
    wall = assess(a_pit(1), tube=None)
    assert wall.nominal_mm is None and wall.remaining_mm is None and wall.capacity is None and not wall.indicative
    assert wall.pit_depths[1].remaining_mm is None
    steel = assess(a_pit(1), tube="3/4 galvanised", rows=[{"kind": "pit", "id": 1, "depth": 1.0}])
    assert steel.capacity is None and steel.remaining_mm.value == pytest.approx(1.8702)


def test_no_pit_no_evidence():
    wall = assess()
    assert wall.remaining_mm is None and wall.evidence == () and wall.weakest_link == "nothing measured the wall"


def test_depth_from_opening_is_a_half_sphere_in_the_middle_and_never_beyond_the_wall():
    made = depth_from_opening(0.6, None)
    assert made.value == pytest.approx(0.3) and made.interval_95 == pytest.approx((0.06, 1.2))
    assert depth_from_opening(3.0, 0.7).interval_95[1] == 0.7


def test_deepest_pit_of_the_run_from_equal_lengths():
    pits = [a_pit(k) for k in range(1, 12)]
    rows = [{"kind": "pit", "id": k, "depth": 0.2 + 0.02 * ((7 * k) % 11)} for k in range(1, 12)]
    wall = assess(*pits, rows=rows, run_length_mm=1500.0)
    assert wall.deepest.refusal is None and wall.deepest.area_ratio == pytest.approx(
        1500 / 60 * len(wall.deepest.maxima_mm)
    )
    assert any("Deepest pit to expect on the whole run" in words for words in paragraphs(wall))
    assert not any("not measured" in caution for caution in wall.deepest.cautions)
    part = assess(*pits, a_pit(99), rows=rows, run_length_mm=1500.0)
    assert f"1 of {len(pits) + 1} pits were not measured" in part.deepest.cautions[0]
    few = assess(*pits[:2], rows=rows[:2], run_length_mm=1500.0)
    assert few.deepest.refusal and not few.deepest.estimates


def test_record_is_plain_data_without_nan():
    wall = assess(a_pit(1), rows=[{"kind": "pit", "id": 1, "depth": 0.4}], age_years=9.0, static_pressure_kpa=400.0)
    written = WallRecord.model_validate(Beside(wall, holes=())).model_dump(mode="json")
    text = json.dumps(written, allow_nan=False)
    assert {"nominal_mm", "remaining_mm", "evidence", "indicative", "minimum_mm", "mean_mm", "profile"} <= set(
        json.loads(text)
    )
    assert math.isfinite(wall.remaining_mm.value)
