"""A figure told in two places is the same figure: in words and tables, in both kinds of units, beside what it rests on."""

import re
from dataclasses import replace

import pytest

from analyzer import check_facts, conclude
from analyzer.base import display
from analyzer.base.measured import MM_PER_INCH, Measure
from analyzer.causes.repair import Prices
from analyzer.house.facts import describe
from analyzer.house.tables import b88, read_tube
from analyzer.show.report import section
from analyzer.show.wall_words import paragraphs
from analyzer.wall.readings import readings_from_rows
from analyzer.wall.remaining import assess_wall
from tests.joints.test_files_tell_the_result import _look, _photo, _ring
from tests.wall.test_wall import Lights

SIZE = "3/4"


@pytest.fixture(scope="module")
def seen():
    return _look()


def with_type_unknown(seen):
    return replace(seen, tube=read_tube(SIZE), settings=replace(seen.settings, tube=SIZE))


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_a_reading_is_told_as_it_was_taken(seen, unit):
    """0.018 in of wall is 0.0180 in in words and in the table, not 0.0181 by way of hundredths of a millimetre."""
    wall, depth = (0.018, 0.012) if unit == "in" else (0.457, 0.305)
    rows = [
        {"kind": "thin_wall", "wall": wall, "unit": unit},
        {"kind": "pit", "id": 1, "depth": depth, "unit": unit},
        {"kind": "sound_wall", "wall": 0.033 if unit == "in" else 0.838, "unit": unit},
    ]
    made = conclude(seen, readings=readings_from_rows(rows)).wall
    units = "us" if unit == "in" else "metric"
    said = " ".join(display.sentence(item.sentence, units) for item in made.evidence)
    digits = 4 if unit == "in" else 3
    for value in (wall, depth, rows[2]["wall"]):
        assert f"{value:.{digits}f} {unit}" in said, said
    assert display.value(made.remaining_mm, "length_mm", units) == f"{wall:.{digits}f} {unit}"
    assert "Deepest of 1 pit measured" in said


def test_shares_of_the_wall_are_of_one_wall(seen):
    """0.40 mm left of 0.80 mm measured beside it is a half, whatever walls are sold in that size; without a measured one it is of the
    thinnest, type M of ASTM B88, as the share that the pressure asks for is."""
    look = with_type_unknown(seen)
    facts = check_facts({"material": "copper", "static_pressure_kpa": 600})
    thin = {"kind": "thin_wall", "wall_mm": 0.40}
    beside = conclude(look, facts=facts, readings=readings_from_rows([thin, {"kind": "sound_wall", "wall_mm": 0.80}]))
    assert beside.quantities["remaining_wall_share"] == pytest.approx(0.5)
    alone = conclude(look, facts=facts, readings=readings_from_rows([thin]))
    thinnest = b88(SIZE, "M").wall_mm
    assert alone.quantities["remaining_wall_share"] == pytest.approx(0.40 / thinnest)
    asked = alone.wall.capacity
    assert asked.required_share == pytest.approx(asked.required_wall_mm / thinnest)
    assert "of the thinnest nominal wall of that size" in " ".join(paragraphs(alone.wall))


def test_no_sum_rests_on_limits_that_make_it_worthless(seen):
    """Three leaks whose outlook the record calls worthless: the page, the recommendation and the table give no sum of it."""
    told = check_facts(
        {
            "leak_dates": ["2019-03-02", "2022-11-20", "2024-05-14"],
            "history_from": "2015-01-01",
            "history_to": "2026-10-01",
        }
    )
    result = conclude(seen, facts=told, prices=Prices(repair_per_leak=450, damage_per_leak=2000, replace_all=9000))
    house = result.house
    assert house.history.worthless_ahead and house.costs is not None
    expected = f"{house.history.forecast.expected[-1]:.2g}"
    assert "cannot be told" in house.recommendation and f"{expected} leaks are expected" not in house.recommendation
    assert "Present value" not in house.recommendation
    assert not re.search(r"\d,\d{3}", house.recommendation.replace(f"{house.history.forecast.high[-1]:,.0f}", ""))


def test_a_depth_beyond_the_wall_is_asked_about(seen):
    """0.92 mm by the torches in a tube of 0.8 mm: a hole, or one of the figures is wrong. Within the wall nothing is asked."""

    for depth, asked in ((1.4, True), (0.5, False)):
        lights = Lights(pit_depths_mm={1: Measure(value=depth, budget={"relief": 0.02})})

        wall = assess_wall(tube=seen.tube, surface=seen.surface, pits=seen.pits, relief=lights, facts={})
        assert ("depth_beyond_wall" in {flag.id for flag in wall.flags}) == asked


def test_growth_is_that_of_the_thinnest_place(seen):
    """A pit of 0.2 mm in 0.8 mm of wall, and a place where a caliper found 0.1 mm: the steady law reaches the wall in a seventh of
    20 years there, not in three times 20. Where a cut ring finds nothing left, no time is to come."""
    facts = check_facts({"age_years": 20})
    pit, sound = {"kind": "pit", "id": 1, "depth_mm": 0.2}, {"kind": "sound_wall", "wall_mm": 0.8}
    alone = conclude(seen, facts=facts, readings=readings_from_rows([pit, sound])).wall.growth[0]
    assert alone.years_to_perforation[0] > 20
    thin = {"kind": "thin_wall", "wall_mm": 0.1}
    soonest, latest = (
        conclude(seen, facts=facts, readings=readings_from_rows([pit, sound, thin])).wall.growth[0].years_to_perforation
    )
    assert soonest < 20 / 7 < latest < 20
    ring = _ring()
    gone = replace(ring, minimum_mm=Measure(value=0.0, interval=(0.0, 0.1)))
    through = conclude(
        replace(seen, ring=gone, photos=(*seen.photos, _photo("ring", "ring.jpg"))),
        facts=facts,
        readings=readings_from_rows([pit, sound]),
    )
    assert through.wall.remaining_mm.value == 0.0 and through.wall.growth == ()


def test_the_list_and_the_largest_are_one_pit(seen):
    result = conclude(seen)
    largest = result.standing_pattern.largest_diameter_mm
    assert largest.value == max(pit.equivalent_diameter_mm.value for pit in result.standing_pits.counted)
    low, high = largest.interval_95
    assert 0 <= low <= largest.value <= high
    assert result.quantities["largest_pit_mm"] == largest.value


def test_areas_and_lengths_in_sentences_are_in_the_units_asked_for(seen):
    """1 square inch is 6.4516 cm2 (exact, NIST SP 811), so 1.60 cm2 examined is 0.25 in2, told as in the table."""
    noted = section(conclude(seen), "record", units="us")
    text = " ".join(str(block) for block in noted.blocks)
    assert "cm2" not in text and "cm²" not in text
    assert display.sentence("a piece of 32 cm2", "us") == f"a piece of {32 / (MM_PER_INCH / 10) ** 2:.1f} in²"


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("run_length_mm", 12000.0, "12,000 mm"),
        ("made_year", 1998.0, "1998"),
        ("static_pressure_kpa", 586.05, "586 kPa"),
    ],
)
def test_a_fact_is_told_in_figures_that_people_write(name, value, words):
    assert describe(name, value) == words
