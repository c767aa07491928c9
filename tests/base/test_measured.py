"""Measures against the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008) and NIST SP 811."""

import math

import pytest

from analyzer.base import display
from analyzer.base.measured import KPA_PER_PSI, Measure, total


def test_ten_resistors_of_the_guide():
    """JCGM 100:2008, 5.2.2, example: ten resistors of 1000 ohm, each calibrated with the same standard, u = 100 mohm.

    In series the shared error adds coherently: u = 1 ohm; by root sum of squares it would be 0.32 ohm, "incorrect".
    """
    resistor = Measure(value=1000.0, budget={"standard": 0.1})
    assert total([resistor] * 10).standard_uncertainty == pytest.approx(1.0)
    alone = [Measure(value=1000.0, budget={f"standard {k}": 0.1}) for k in range(10)]
    assert total(alone).standard_uncertainty == pytest.approx(0.32, abs=0.005)


def test_interval_is_the_normal_one():
    """JCGM 100:2008, table G.1: 1.960 standard uncertainties hold 95 %."""
    low, high = Measure(value=10.0, budget={"a": 3.0, "b": 4.0}).interval_95
    assert (high - low) / 2 == pytest.approx(1.960 * 5, abs=1e-3)


def test_own_interval_goes_before():
    count = Measure(value=3.0, budget={"count": math.sqrt(3)}, interval=(0.62, 8.77))
    assert count.times(2.0).interval_95 == (1.24, 17.54)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_measure_is_a_number(bad):
    with pytest.raises(ValueError, match="finite"):
        Measure(value=bad)


def test_units_of_display():
    """NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa; 1 inch = 25.4 mm exactly."""
    assert pytest.approx(6.894757, abs=5e-7) == KPA_PER_PSI
    assert display.value(Measure(value=551.58), "pressure_kpa", "us") == "80 psi"
    assert display.value(Measure(value=25.4, budget={"x": 0.01}), "length_mm", "us") == "1.0000 in"


def test_rounding_shows_what_the_uncertainty_carries():
    """At most two digits of it (JCGM 100:2008, 7.2.6), one where it begins with 355 to 949: the worked examples of the Particle Data
    Group, Review of Particle Physics, introduction 5.3, are 0.827 +- 0.119 -> 0.83 +- 0.12 and 0.827 +- 0.367 -> 0.8 +- 0.4 (from memory)."""
    assert [display.value(Measure(value=0.827, budget={"edge": u}), "length_mm") for u in (0.119, 0.367)] == [
        "0.83 mm",
        "0.8 mm",
    ]
    assert [display.decimals_for(u, 6) for u in (0.119, 0.367, 0.0354, 0.0356, 0.0949, 0.0951, 12.0)] == [
        2,
        1,
        3,
        2,
        2,
        2,
        0,
    ]
    assert display.full(Measure(value=1.23456, budget={"edge": 0.042}), "length_mm") == "1.23 mm (95 %: 1.15 to 1.32)"
    assert display.value(Measure(value=123.4567, budget={"edge": 12.0}), "length_mm") == "123 mm"


def test_a_ready_sentence_in_inches():
    """1 inch = 25.4 mm exactly (NIST SP 811): 0.84 mm is 0.0331 in, 1.6 mm 0.063 in."""
    assert (
        display.sentence("0.84 mm left, 0.0 to 1.6 mm at most.", "us") == "0.0331 in left, 0.000 to 0.063 in at most."
    )
    assert (
        display.sentence("0.84 mm left; 0.05975 mm a pixel; 12 mm2.", "us")
        == "0.0331 in left; 0.05975 mm a pixel; 12 mm2."
    )
    assert display.sentence("0.84 mm left.", "metric") == "0.84 mm left."


def test_unknown_is_said_and_a_length_is_never_below_zero():
    assert display.value(None, "length_mm") == "not known"
    assert display.interval(None, "length_mm") == ""
    assert display.interval(Measure(value=0.1, budget={"edge": 0.2}), "length_mm").startswith("0.00 to")
