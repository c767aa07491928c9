"""Every kind of quantity, in every unit that it may be typed in, and every reading at its ends goes through to the files.

Units are judged by scipy.constants (CODATA and NIST SP 811); molar masses: IUPAC standard atomic weights 2021 (Ca 40.078, C 12.011,
O 15.999). What a wall can be: ASTM B88, table 1, three quarters of an inch type M (nominal 0.81 mm).
"""

import json
from dataclasses import replace

import pytest
from scipy import constants

from analyzer import check_facts, conclude
from analyzer.base.flags import InputError
from analyzer.house.facts import SPELLINGS, UNITS, asked_unit, describe, number_in, parse_facts, told_quantities
from analyzer.show import output
from analyzer.show.edition import Edition
from analyzer.wall.readings import METHODS, readings_from_rows
from tests.joints.test_files_tell_the_result import _look, page_text, pdf_text

MG_PER_KG, L_PER_M3 = 1e6, 1e3
CACO3, CAO = 40.078 + 12.011 + 3 * 15.999, 40.078 + 15.999
KELVIN_BY_FAHRENHEIT = constants.convert_temperature([0.0, 100.0], "F", "C")
# how many of the vocabulary's unit make one of the typed unit
JUDGE = {
    ("kPa", "psi"): constants.psi / 1e3,
    ("kPa", "bar"): constants.bar / 1e3,
    ("kPa", "mpa"): 1e3,
    ("mm", "in"): constants.inch * 1e3,
    ("mm", "inch"): constants.inch * 1e3,
    ("mm", "ft"): constants.foot * 1e3,
    ("mm", "cm"): 10.0,
    ("mm", "m"): 1e3,
    ("L/min", "gpm"): constants.gallon * L_PER_M3,
    ("L/min", "l/s"): constants.minute,
    ("m/s", "ft/s"): constants.foot,
    ("mg/L", "ppm"): 1.0,
    ("mg/L", "ug/l"): constants.micro / constants.milli,
    ("mg/L CaCO3", "mg/l"): 1.0,
    ("mg/L CaCO3", "ppm"): 1.0,
    ("mg/L CaCO3", "gpg"): constants.grain * MG_PER_KG / (constants.gallon * L_PER_M3),
    ("mg/L CaCO3", "dh"): 10.0 * CACO3 / CAO,
    ("mg/L CaCO3", "mmol/l"): CACO3,
    ("uS/cm", "ms/cm"): 1e3,
    ("uS/cm", "ms/m"): 10.0,
    ("mA", "a"): 1e3,
    ("A", "ma"): 1e-3,
    ("month", "months"): 1.0,
    ("month", "years"): 12.0,
    ("year", "years"): 1.0,
    ("year", "months"): 1 / 12,
}
NUMBERS = [q for q in told_quantities() if q.kind == "number"]


def in_unit(value: float, unit: str, typed: str) -> float:
    """The number that a person who thinks in ``typed`` writes for a value in the vocabulary's unit."""
    if (unit, typed) == ("C", "f"):
        return float(constants.convert_temperature(value, "C", "F"))
    return value / JUDGE[unit, typed]


def likely(quantity) -> float:
    low, high = quantity.usual or quantity.possible
    return (low + high) / 2


@pytest.fixture(scope="module")
def seen():
    return _look()


def test_every_unit_has_a_judge_and_every_number_a_unit_that_is_known():
    assert set(JUDGE) | {("C", "f")} == set(UNITS)
    for quantity in NUMBERS:
        for units in ("metric", "us"):
            asked = SPELLINGS.get(asked_unit(quantity, units).lower(), asked_unit(quantity, units).lower())
            assert asked == quantity.unit.lower() or (quantity.unit, asked) in UNITS or units == "metric", quantity.id


@pytest.mark.parametrize("quantity", NUMBERS, ids=lambda q: q.id)
def test_a_number_in_each_of_its_units_is_the_same_number(quantity):
    value = likely(quantity)
    for unit, typed in UNITS:
        if unit == quantity.unit:
            told = check_facts({quantity.id: f"{in_unit(value, unit, typed)!r} {typed}"})
            assert told[quantity.id] == pytest.approx(value, rel=1e-4), (
                typed
            )  # the grain and degree are printed to 5 figures
    assert float(number_in(quantity, value, "us")) == pytest.approx(
        in_unit(
            value, quantity.unit, SPELLINGS.get(asked_unit(quantity, "us").lower(), asked_unit(quantity, "us").lower())
        )
        if asked_unit(quantity, "us") != asked_unit(quantity, "metric")
        else value,
        rel=0.01,
    )


@pytest.mark.parametrize("place", range(5))
def test_typed_in_another_unit_it_reaches_the_record_and_the_report(seen, place):
    """The facts as a file, each number in its first, second ... other unit."""
    told, lines = {}, []
    for quantity in NUMBERS:
        others = [typed for unit, typed in UNITS if unit == quantity.unit]
        if quantity.id in ("pit_depth_mm", "gauge_wall_mm") or len(others) <= place:
            continue
        told[quantity.id] = likely(quantity)
        lines.append(f'{quantity.id} = "{in_unit(told[quantity.id], quantity.unit, others[place])!r} {others[place]}"')
    assert told
    units = ("metric", "us")[place % 2]
    result = conclude(replace(seen, tube=None), facts=parse_facts("\n".join(lines)))
    files, faults = output.make(result, Edition(units=units), ("examination.json", "report.html"))
    assert not faults
    kept = json.loads(files["examination.json"])["facts"]
    assert kept == pytest.approx(told, rel=1e-4)
    page = page_text(files["report.html"].decode())
    for key in told:
        assert describe(key, result.facts[key], units) in page, key


def test_the_two_measures_of_the_wall_at_their_ends_are_read_or_refused_in_one_sentence(seen):
    """A wall of nothing is a hole and is asked back; one thicker than the tube is refused; what is in between is in every file."""
    for key in ("pit_depth_mm", "gauge_wall_mm"):
        (quantity,) = (q for q in NUMBERS if q.id == key)
        low, high = quantity.possible
        for value in (low, 0.3, 0.012 * 25.4, high):
            try:
                result = conclude(seen, facts=check_facts({key: value}))
            except InputError as refused:
                assert value == high, (key, value)
                assert str(refused).count(". ") == 0 and "check" in str(refused)
                continue
            assert (
                json.loads(output.make(result, only=("examination.json",))[0]["examination.json"])["facts"][key]
                == value
            )
            assert value != high, key


# --- readings ---

ENDS = {
    "the least depth": {"kind": "pit", "id": 1, "depth": 0.07},
    "no depth at all": {"kind": "pit", "id": 1, "depth": 0.0, "confirmed": True},
    "through the nominal wall": {"kind": "pit", "id": 1, "depth": 0.8},
    "the least wall": {"kind": "thin_wall", "wall": 0.0, "confirmed": True},
    "the most wall": {"kind": "thin_wall", "wall": 0.8},
    "sound metal worn thin": {"kind": "sound_wall", "wall": 0.7},
    "a depth in inches": {"kind": "pit", "id": 1, "depth": 0.02, "unit": "in"},
    "a place without a number": {"kind": "pit", "x_px": 200.0, "y_px": 100.0, "depth": 0.3},
}


@pytest.mark.usefixtures("set_as_it_comes")
@pytest.mark.parametrize("end", ENDS)
def test_a_reading_at_its_ends_goes_through(seen, end):
    row = ENDS[end]
    result = conclude(seen, readings=readings_from_rows([row]))
    only = None if end in ("through the nominal wall", "a place without a number") else ("examination.json", "pits.csv", "report.html")  # fmt: skip
    files, faults = output.make(result, Edition(units="us" if "inches" in end else "metric"), only)
    assert not faults and (only or set(files) == set(output.FILES))
    wall = json.loads(files["examination.json"])["wall"]
    kinds = {item["kind"] for item in wall["evidence"]}
    assert ("sound wall" if row["kind"] == "sound_wall" else "gauge") in kinds or "no number" in end


@pytest.mark.parametrize("method", METHODS)
def test_a_reading_by_each_method_says_its_weakest_link(seen, method):
    for row in ({"kind": "pit", "id": 1, "depth": 0.3}, {"kind": "thin_wall", "wall": 0.4}):
        result = conclude(seen, readings=readings_from_rows([{**row, "method": method}]))
        assert METHODS[method].weakest_link in result.wall.weakest_link
        low, high = result.wall.remaining_mm.interval_95
        assert high - low >= 2 * METHODS[method].repeat_mm  # never narrower than such readings repeat


@pytest.mark.usefixtures("set_as_it_comes")
def test_the_examples_stand_in_the_printed_report_too(seen):
    """Each question's example, told together, is read again in the PDF: letters only, as lines may break anywhere."""
    from tests.joints.test_said_and_not_lost import rounds

    told = {key: value for key, value in rounds()[0].items() if key not in ("pit_depth_mm", "gauge_wall_mm")}
    result = conclude(replace(seen, tube=None), facts=check_facts(told))
    printed = "".join(pdf_text(output.make(result, only=("report.pdf",))[0]["report.pdf"]).split())
    for quantity in told_quantities():
        if quantity.id in told:
            words = "".join(describe(quantity.id, result.facts[quantity.id]).split())
            assert words[:40] in printed, quantity.id
