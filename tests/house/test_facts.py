"""Facts of the installation: one vocabulary, units, ranges, and one clear sentence for what cannot be right."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import analyzer
from analyzer.base.flags import InputError
from analyzer.house.facts import (
    GROUPS,
    FactError,
    Facts,
    check_facts,
    describe,
    facts_template,
    in_vocabulary,
    parse_facts,
    quantities,
    read_facts,
    told_quantities,
    with_coarse_words,
)

# Every input that the work order of this room lists, by the name it is asked under.
ASKED = (
    "material tube_size tube_type print_colour tube_marks age_years service service_temperature_c run crown_marked flow_arrow "
    "distance_from_fitting_upstream_mm distance_to_fitting_downstream_mm fitting_upstream contacts contact_metal "
    "sleeve_between surroundings_wet insulation_kind joint_quality flux_residue unreamed_ends water_source water_ph "
    "water_alkalinity_mg_per_l_caco3 water_calcium_mg_per_l_caco3 water_chloride_mg_per_l water_sulfate_mg_per_l "
    "water_tds_mg_per_l water_conductivity_us_per_cm water_temperature_c disinfectant water_copper_mg_per_l "
    "water_iron_mg_per_l water_test_date water_test_by softener static_pressure_kpa static_pressure_night_kpa prv_fitted "
    "expansion_tank flow_l_per_min fixture recirculation_pump bonding_clamp_near dc_source_near dc_current_ma leak_dates "
    "neighbours_affected lab_section_side lab_deposit_elements lab_hardness_hv"
).split()
MEASURED = (
    "side_attacked pit_count pit_density_per_cm2 largest_pit_mm median_pit_mm through_hole_count mound_count "
    "contact_mark_seen contact_mark_pit_enrichment pits_in_contact_mark_share water_line_seen pits_in_water_line_share "
    "overall_stain_seen clark_evans_index pits_arrangement around_concentration pits_lined_bottom pits_one_end "
    "axial_gradient elongation_median direction_agreement pits_flow_directional share_bright_metal share_red_brown "
    "share_black share_green share_blue_green share_white share_rust surface_even pit_pattern_class pit_pattern_margin "
    "general_attack_seen general_attack_share"
).split()
DERIVED = (
    "velocity_m_per_s velocity_over_limit velocity_in_fitting_over_limit chloride_to_sulfate_ratio langelier_index ryznar_index larson_skold_index "
    "dic_mg_per_l anodic_gap_v contact_copper_is_cathode static_pressure_over_code static_pressure_over_working_range "
    "remaining_wall_share wall_loss_even wall_loss_below_tolerance"
).split()


def test_every_fact_is_asked_with_unit_use_and_how():
    for name in ASKED:
        quantity = quantities()[name]
        assert quantity.told and quantity.question.endswith("?") and quantity.use and quantity.how, name
        assert quantity.kind != "number" or quantity.unit
    for name in (*MEASURED, *DERIVED):
        assert quantities()[name].origin in ("measured", "derived", "either"), name
    assert {q.group for q in quantities().values()} == set(GROUPS)


def test_template_holds_every_fact_and_reads_when_filled_in():
    """Take the # away from every example line: the whole file is read, with its examples in the usual range."""
    lines = facts_template().splitlines()
    keys = {q.id for q in told_quantities()}
    filled = []
    for line in lines:
        key = line.removeprefix("# ").split(" = ")[0]
        is_example = line.startswith("# ") and " = " in line and key in keys
        filled.append(line.removeprefix("# ") if is_example else line)
    facts = parse_facts("\n".join(filled))
    assert set(facts) >= keys
    assert facts.flags == ()
    assert parse_facts(facts_template()) == {}


def test_units_as_people_write_them():
    """psi: NIST SP 811 (6.894757 kPa); grain per US gallon 17.1 mg/L and German degree 17.8 mg/L as CaCO3: Standard
    Methods conversion tables, from memory; US gallon 3.785 L."""
    facts = check_facts(
        {
            "static_pressure_kpa": "80 psi",
            "service_temperature_c": "140 F",
            "water_hardness_mg_per_l_caco3": "10 gpg",
            "flow_l_per_min": "2.0 gpm",
            "distance_from_fitting_upstream_mm": "6 in",
            "age_years": "18 months",
            "outside_diameter_mm": "0.625 in",
        }
    )
    assert facts["static_pressure_kpa"] == pytest.approx(551.58, abs=0.01)
    assert facts["service_temperature_c"] == pytest.approx(60.0)
    assert facts["water_hardness_mg_per_l_caco3"] == pytest.approx(171.2, abs=0.1)
    assert facts["flow_l_per_min"] == pytest.approx(7.571, abs=0.001)
    assert facts["distance_from_fitting_upstream_mm"] == pytest.approx(152.4)
    assert facts["age_years"] == pytest.approx(1.5)
    assert facts["outside_diameter_mm"] == pytest.approx(15.875)
    assert check_facts({"water_hardness_mg_per_l_caco3": "10 dH"})["water_hardness_mg_per_l_caco3"] == pytest.approx(
        178.5, abs=0.1
    )


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"water": {"water_ph": 15}}, "water.water_ph: pH cannot be 15: it lies between 0 and 14"),
        ({"water_ph": -1}, "pH cannot be -1"),
        ({"water_ph": float("nan")}, "pH cannot be nan"),
        ({"water_ph": float("inf")}, "pH cannot be inf"),
        ({"water_ph": True}, "pH is a number"),
        ({"water_ph": "7 psi"}, "not in 'psi'"),
        ({"static_pressure_kpa": "60 furlongs"}, "(or psi, bar, mpa)"),
        ({"softener": "maybe"}, "answered with yes or no"),
        ({"material": "coper"}, "did you mean copper?"),
        ({"material": ["copper", "brass"]}, "takes one answer"),
        ({"softner": True}, "did you mean softener?"),
        ({"zzz": 1}, "no such fact"),
        ({"pit_count": 3}, "no such fact"),
        ({"velocity_over_limit": True}, "no such fact"),
        ({"bathroom": {"softener": True}}, "no such section"),
        ({"softener": True, "water": {"softener": False}}, "stated twice"),
        ({"leak_dates": ["2024-02-30"]}, "is not a date"),
        ({"leaks_by_year": {"2021": -1}}, "whole number"),
        ({"leaks_by_year": {"21": 1}}, "is not a year"),
        ({"leaks_by_year": 3}, "year = number of leaks"),
        ({"history_from": "2024-01-01", "history_to": "2020-01-01"}, "cannot be known until 2020-01-01 only"),
        (
            {"history_from": "2024-01-01", "leak_dates": ["2021-01-01"]},
            "lies before 2024-01-01, since when every leak is known",
        ),
        ({"history_to": "2020-01-01", "leak_dates": ["2021-01-01"]}, "lies after 2020-01-01, until when"),
        ({"contacts": ["nothing", "strap"]}, "cannot both hold"),
        ({"tube_marks": "x" * 501}, "longer than 500"),
    ],
)
def test_what_cannot_be_right_is_refused_in_one_sentence(facts, words):
    with pytest.raises(InputError) as caught:
        check_facts(facts)
    message = str(caught.value)
    assert words in message
    assert "\n" not in message and len(message) < 900


@pytest.mark.parametrize("data", [b"\xff\xfe", b"material = ", "water_ph 7"])
def test_a_file_that_is_no_toml_is_refused(data):
    with pytest.raises(InputError, match="facts file"):
        parse_facts(data)


def test_a_file_is_read_from_disk(tmp_path):
    path = tmp_path / "house.toml"
    path.write_bytes(
        b'\xef\xbb\xbf[piece]\nmaterial = "copper"\n[water]\nwater_ph = 7.4\nwater_test_date = 2024-03-31\n'
    )
    facts = read_facts(path)
    assert facts == {"material": "copper", "water_ph": 7.4, "water_test_date": "2024-03-31"}
    with pytest.raises(InputError, match="no file"):
        read_facts(tmp_path / "none.toml")


def test_unusual_is_taken_and_asked_again():
    facts = check_facts({"water_ph": 10.2, "age_years": 130})
    assert facts["water_ph"] == 10.2
    assert [flag.id for flag in facts.flags] == ["fact_unusual", "fact_unusual"]
    assert "pH is 10.2, usual is 6 to 9.5" in facts.flags[0].message
    assert check_facts({"water_ph": 7.5}).flags == ()


@pytest.mark.parametrize("blank", [None, "", "unknown", " Unknown ", "not known"])
def test_not_known_is_not_there(blank):
    assert check_facts({"water_ph": blank, "material": blank, "softener": blank, "positions": blank}) == {}
    assert check_facts({"positions": ["unknown"], "observed_colours": []}) == {}


def test_a_fine_word_brings_its_coarse_word():
    told = check_facts({"observed_pit_shape": ["undercut", "pinhole"], "observed_pattern": "at_joints"})
    assert "observed_shape_class" not in told  # what is derived is never kept with what was told
    facts = with_coarse_words(told)
    assert set(facts["observed_shape_class"]) == {"undercut_horseshoe", "hole"}
    assert facts["observed_pattern_class"] == ("near_joint",)


@pytest.mark.parametrize("empty", [{"leak_dates": []}, {"leaks_by_year": {}}, {"positions": []}])
def test_an_empty_list_is_not_known(empty):
    told = check_facts({"history_from": "2015-06-01", "history_to": "2024-06-01", **empty})
    assert dict(told) == {"history_from": "2015-06-01", "history_to": "2024-06-01"}


@pytest.mark.parametrize(
    "told, ahead",
    [
        ({"leak_dates": ["2019-05-01", "2091-03-31"]}, "2091-03-31"),
        ({"leak_dates": ["2024-12"]}, "2024-12-15"),
        ({"history_to": "2025-01-01"}, "2025-01-01"),
        ({"water_test_date": "2024-12-01"}, "2024-12-01"),
        ({"leaks_by_year": {"2023": 1, "2025": 0}}, "2025"),
    ],
)
def test_what_lies_ahead_of_today_is_refused_where_a_person_types_it(told, ahead):
    with pytest.raises(InputError, match=f"{ahead} lies ahead of today, 2024-11-09; check the year."):
        check_facts(told, today=date(2024, 11, 9))
    assert check_facts(told)  # without a day to hold it against the same facts are the same every day


def test_this_month_and_this_year_do_not_lie_ahead():
    told = {"leak_dates": ["2024-11"], "history_to": "2024-11-20", "leaks_by_year": {"2024": 1}}
    assert check_facts(told, today=date(2024, 11, 9))["leak_dates"] == ("2024-11-15",)


def test_history():
    facts = check_facts({"leak_dates": ["2024-03-31", "2021-11"], "leaks_by_year": {"2022": 0, "2021": 2}})
    assert facts["leak_dates"] == ("2021-11-15", "2024-03-31")
    assert facts["leaks_by_year"] == ((2021, 2), (2022, 0))


def test_values_in_words():
    assert describe("water_ph", 7.4) == "7.4"
    assert (
        describe("static_pressure_kpa", 551.58) == "552 kPa"
        and describe("static_pressure_kpa", 551.58, "us") == "80 psi"
    )
    assert [describe("age_years", value) for value in (1.0, 1.5, 22.0)] == ["1 year", "1.5 years", "22 years"]
    assert describe("water_ph", 1.0) == "1" and describe("service_temperature_c", 60.0) == "60 °C"
    assert describe("softener", True) == "yes"
    assert describe("positions", ("bend", "riser")) == "in a bend, in a riser"
    assert describe("leaks_by_year", ((2021, 2),)) == "2021: 2"


@settings(max_examples=60, deadline=None)
@given(st.sampled_from([q for q in told_quantities() if q.kind == "number"]), st.floats(allow_nan=True))
def test_a_number_is_held_within_the_possible_or_refused(quantity, number):
    try:
        facts = check_facts({quantity.id: number})
    except InputError:
        low, high = quantity.possible
        assert not low <= number <= high
    else:
        assert isinstance(facts, Facts) and quantity.possible[0] <= facts[quantity.id] <= quantity.possible[1]


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=40))
def test_any_text_is_read_or_refused_in_one_sentence(text):
    try:
        parse_facts(text)
    except InputError as error:
        assert str(error)


def test_vocabulary_file_is_the_only_place():
    """Two quantities never share an id, and topics and groups are words, so the rules can count topics once."""
    from importlib import resources

    rows = tomllib.loads(resources.files("analyzer").joinpath("data/quantities.toml").read_text(encoding="utf-8"))
    ids = [row["id"] for row in rows["quantity"]]
    assert len(ids) == len(set(ids)) == len(quantities())


@pytest.mark.parametrize(
    ("key", "written", "read"),
    [
        ("age_years", "22 yrs", 22.0),
        ("age_years", "18 months", 1.5),
        ("static_pressure_kpa", "85psi", 586.054),  # NIST SP 811: 1 psi = 6.894757 kPa
        ("water_ph", "8,1", 8.1),
        ("outside_diameter_mm", '5/8"', 15.875),  # the inch is 25.4 mm (NIST SP 811)
        ("outside_diameter_mm", "1 1/8 in.", 28.575),
        ("service_temperature_c", "140 °F", 60.0),
        ("run_length_mm", "12 feet", 3657.6),
        ("history_from", "13/02/2019", "2019-02-13"),
        ("history_from", "03.02.2019", "2019-02-03"),
        ("history_from", "Feb 3, 2019", "2019-02-03"),
        ("history_from", "3rd March 2019", "2019-03-03"),
        ("history_from", "March 2019", "2019-03-15"),
        ("leak_dates", "Feb 3, 2019, 2020-11-05; 5.6.2021", ("2019-02-03", "2020-11-05", "2021-06-05")),
        ("leaks_by_year", "2021: 1, 2022: 0", ((2021, 1), (2022, 0))),
    ],
)
def test_peoples_ways_of_writing(key, written, read):
    value = check_facts({key: written})[key]
    assert value == (pytest.approx(read, rel=1e-6) if isinstance(read, float) else read)


@pytest.mark.parametrize(
    ("key", "written", "asked"),
    [
        ("leak_dates", "03/02/2019", "can be 3 Feb 2019 or 2 Mar 2019; write 2019-02-03 or 2019-03-02."),
        ("history_from", "2019", "write the month too"),
        ("history_from", "99/99/2019", "is not a date"),
        ("history_from", "3 Foo 2019", "is not a date"),
        ("run_length_mm", "1,200", "can be 1.200 or 1200"),
        ("age_years", "1/0", "is a number in years"),
        ("age_years", "300", "cannot be 300 years: it lies between 0 and 200 years"),
    ],
)
def test_what_can_be_read_in_two_ways_is_asked_back(key, written, asked):
    with pytest.raises(FactError) as caught:
        check_facts({key: written})
    assert asked in str(caught.value) and str(caught.value) == f"facts: {key}: {caught.value.sentence}"
    assert key not in caught.value.sentence and "facts:" not in caught.value.sentence


def test_no_sentence_for_a_person_holds_a_name_of_the_file():
    """Every quantity, asked something that it cannot be: the sentence speaks of the question alone."""
    for quantity in told_quantities():
        if quantity.kind == "text":
            wrong: object = "x" * 501
        else:
            wrong = "§"
        with pytest.raises(FactError) as caught:
            check_facts({quantity.id: wrong})
        assert quantity.label in caught.value.sentence
        assert "_" not in caught.value.sentence.partition("choose from")[0], quantity.id


def test_a_key_that_no_rule_knows_raises():
    assert in_vocabulary({"remaining_wall_share": 0.4}) == {"remaining_wall_share": 0.4}
    with pytest.raises(ValueError, match="remaining_wall_shares"):
        in_vocabulary({"remaining_wall_shares": 0.4})


def test_what_no_part_of_the_program_reads_says_so():
    """A told quantity that nothing reads is evidence only, and its line in the questions says it; no other one does."""
    root = Path(analyzer.__file__).parent
    only_words = ("quantities.toml", "sketches.py")  # the question and its small drawing: neither reads an answer
    files = [p for p in root.rglob("*") if p.suffix in (".py", ".toml") and p.name not in only_words]
    text = "\n".join(p.read_text(encoding="utf-8") for p in files)
    words = set(re.findall(r"[a-z_0-9]+", text))
    unread = {q.id for q in quantities().values() if q.told and q.id.lower() not in words}
    said = {q.id for q in quantities().values() if q.use.endswith("Kept as evidence: no rule reads it.")}
    assert unread == said


@pytest.mark.parametrize(
    "key, written, read",
    [
        ("age_years", "18 months", 1.5),
        ("salt_source", "near the sea", True),
        ("neighbours_affected", "Dozens of  houses", True),
        ("neighbours_affected", "only us", False),
        ("freeze_exposure", "frosty", True),
        ("observed_colours", ["blue stains", "green mound"], ("blue_staining_of_fixtures", "green_mound")),
        ("water_in_words", "hard water", ("hard",)),
        ("service", "Gas", "gas_supply"),
    ],
)
def test_words_that_people_use_are_facts(key, written, read):
    """They stand for an answer or a band; no number is made of a word."""
    assert check_facts({key: written})[key] == read


def test_a_word_that_means_no_answer_is_still_refused_in_one_sentence():
    for key, written in (("water_ph", "acid"), ("salt_source", "perhaps"), ("observed_colours", ["mauve"])):
        with pytest.raises(FactError):
            check_facts({key: written})
