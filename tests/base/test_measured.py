"""Measures against the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008) and NIST SP 811."""

import math

import pytest

from analyzer.base import display
from analyzer.base.measured import KPA_PER_PSI, Measure, difference, in_range, mean, product, ratio, repeated, total


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


def test_ratio_of_correlated_quantities():
    """JCGM 100:2008, H.2: V = 4.9990 V (0.0032), I = 19.6610 mA (0.0095), r = -0.36; Z = V / I = 254.260 ohm, u = 0.236 ohm."""
    volt = Measure(value=4.9990, budget={"shared": 0.0032})
    own = 0.0095 * math.sqrt(1 - 0.36**2)
    milliampere = Measure(value=19.6610, budget={"shared": -0.36 * 0.0095, "own": own})
    ohm = ratio(volt, milliampere.times(1e-3))
    assert ohm.value == pytest.approx(254.260, abs=1e-3) and ohm.standard_uncertainty == pytest.approx(0.236, abs=1e-3)
    back = product(ohm, milliampere.times(1e-3))
    assert back.value == pytest.approx(4.9990) and back.standard_uncertainty == pytest.approx(0.0032)


def test_power_multiplies_relative_contributions():
    """JCGM 100:2008, 5.1.6: relative standard uncertainty of x ** p is |p| times that of x."""
    side = Measure(value=3.0, budget={"scale": 0.03}, positive=True)
    area = side.power(2)
    assert area.value == 9 and area.standard_uncertainty / area.value == pytest.approx(0.02)
    assert area == Measure.by_shares(9.0, {"scale": 0.01}, power=2, positive=True)
    assert side.power(-1).interval_95[0] == pytest.approx(1 / side.interval_95[1])


def test_a_size_is_never_below_zero():
    """Normal in the logarithm: the ends times and by exp(1.96 u / value)."""
    low, high = Measure(value=1.0, budget={"edge": 0.8}, positive=True).interval_95
    assert low == pytest.approx(math.exp(-1.959964 * 0.8)) and high == pytest.approx(1 / low)
    assert Measure(value=1.0, budget={"edge": 0.8}).interval_95[0] < 0


def test_own_intervals_go_through_ratio_and_difference():
    number = Measure(value=12.0, budget={"missed": 2.5}, interval=(0.0, 24.0))
    area = Measure(value=2.0, budget={"edge": 0.04}, positive=True)
    low, high = ratio(number, area).interval_95
    assert low == 0 and high == pytest.approx(6 * math.exp(math.hypot(math.log(2), 1.959964 * 0.02)))
    none = Measure(value=0.0, interval=(0.0, 3.0))
    assert ratio(none, area).interval_95 == (0.0, 1.5)
    flat = in_range(0.9, 1.1, "tolerance")
    assert flat.value == pytest.approx(1.0) and flat.standard_uncertainty == pytest.approx(0.2 / math.sqrt(12))
    shared = difference(flat, flat)
    assert shared.standard_uncertainty == 0 and shared.interval_95 == pytest.approx((0.0, 0.0))


def test_difference_stops_at_its_least_with_interval_and_uncertainty_alike():
    left = difference(
        Measure(value=0.5, budget={"wall": 0.05}), Measure(value=0.6, budget={"depth": 0.12}), least=0.0, source="least"
    )
    low, high = left.interval_95
    assert left.value == low == 0 and high == pytest.approx(-0.1 + 1.959964 * 0.13)
    assert left.standard_uncertainty == pytest.approx((high - low) / (2 * 1.959964))


def test_repeated_readings_follow_student():
    """JCGM 100:2008, table G.2: t at 95 % is 12.71, 4.30 and 2.78 at 1, 2 and 4 degrees of freedom."""
    for values, t in (((1.0, 1.2), 12.71), ((1.0, 1.1, 1.2), 4.30), ((1.0, 1.1, 1.2, 1.3, 1.4), 2.78)):
        made = repeated(values, 0.0, ("instrument", "scatter"))
        n = len(values)
        scatter = math.sqrt(sum((v - made.value) ** 2 for v in values) / (n - 1) / n)
        assert made.interval_95[1] - made.value == pytest.approx(t * scatter, rel=2e-3)
    # a known instrument beside a tiny scatter: normal again (Welch and Satterthwaite, G.4)
    sure = repeated((1.0, 1.0001), 0.1, ("instrument", "scatter"))
    assert sure.interval_95[1] - sure.value == pytest.approx(1.96 * 0.1, rel=1e-3)


def test_mean_keeps_what_is_shared_and_averages_what_is_not():
    one = Measure(value=1.0, budget={"scale": 0.01, "edge": 0.04})
    made = mean([one] * 16, own=("edge",))
    assert dict(made.budget) == pytest.approx({"scale": 0.01, "edge": 0.01})


def test_through_a_function():
    squared = Measure(value=2.0, budget={"x": 0.1}).through(lambda x: x * x, step=0.01)
    assert squared.value == 4 and squared.budget["x"] == pytest.approx(0.4)
    low, high = Measure(value=2.0, budget={"x": 0.1}).interval_95
    assert squared.interval_95 == pytest.approx((low**2, high**2))


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_measure_is_a_number(bad):
    with pytest.raises(ValueError, match="finite"):
        Measure(value=bad)


def test_units_of_display():
    """NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa; 1 inch = 25.4 mm exactly."""
    assert pytest.approx(6.894757, abs=5e-7) == KPA_PER_PSI
    assert display.value(Measure(value=551.58), "pressure_kpa", "us") == "80 psi"
    assert display.value(Measure(value=25.4, budget={"x": 0.01}), "length_mm", "us") == "1.0000 in"


@pytest.mark.parametrize(
    ("kind", "inner", "metric", "us"),
    [
        ("length_mm", 25.4, "25.400 mm", "1.0000 in"),
        ("area_mm2", 1290.32, "1290.320 mm²", "2.00000 in²"),
        ("metal_mm2", 1290.32, "12.90 cm²", "2.00 in²"),
        ("per_cm2", 2.0, "2.00 per cm²", "12.9 per in²"),
        ("pressure_kpa", 689.4757, "689 kPa", "100 psi"),
        ("pressure_bar", 689.4757, "6.9 bar", "100 psi"),
        ("velocity_m_per_s", 1.524, "1.52 m/s", "5.0 ft/s"),
        ("temperature_c", 60.0, "60 °C", "140 °F"),
        ("count", 7.0, "7", "7"),
        ("share", 0.35, "35 %", "35 %"),
        ("rate_um_per_year", 25.4, "25 µm a year", "1.00 thousandths of an inch a year"),
    ],
)
def test_every_kind_in_both_units(kind, inner, metric, us):
    """NIST SP 811, appendix B.8: inch 25.4 mm, foot 0.3048 m, psi 6.894757 kPa, bar 100 kPa; Fahrenheit 1.8 t + 32. An exact value has
    all the decimals that are worth printing."""
    assert [display.value(Measure(value=inner), kind, units) for units in display.UNITS] == [metric, us]


def test_an_interval_in_fahrenheit_may_be_below_zero():
    """-20 C is -4 F and -24 to -16 C is -11.2 to 3.2 F (1.8 t + 32)."""
    cold = Measure(value=-20.0, interval=(-24.0, -16.0))
    assert display.full(cold, "temperature_c", "us") == "−4 °F (95 %: −11 to 3)"
    assert display.interval(Measure(value=3.0, interval=(3.0, 3.0)), "length_mm") == ""


def test_a_bare_figure_and_the_name_of_its_unit():
    """1 inch = 25.4 mm exactly, 1.8 t + 32 (NIST SP 811)."""
    assert [display.plain(12.7, "length_mm", units) for units in display.UNITS] == ["12.7 mm", "0.500 in"]
    assert display.plain(60.0, "temperature_c", "us") == "140 °F" and display.plain(None, "length_mm") == "not known"
    assert [display.unit("pressure_kpa", units) for units in display.UNITS] == ["kPa", "psi"]


def test_the_form_in_the_file():
    """1.96 standard uncertainties either side (GUM G.1.3)."""
    assert Measure(value=2.0, budget={"a": 0.3, "b": 0.4}).as_json() == {
        "value": 2.0,
        "standard_uncertainty": 0.5,
        "interval_95": pytest.approx([1.02, 2.98], abs=1e-4),
    }


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
