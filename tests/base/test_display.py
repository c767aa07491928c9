"""What stands beside a figure: its interval, or a remark that must not be read as one."""

import pytest

from analyzer.base import display
from analyzer.base.measured import Measure
from analyzer.show import phrases


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize(
    "kind", ["length_mm", "metal_mm2", "count", "per_cm2", "share", "pressure_kpa", "temperature_c"]
)
def test_an_interval_is_known_as_one(kind, units):
    for value in (0.4, 8.0, 1234.0):
        assert display.is_interval(display.interval(Measure(value=value, budget={"reading": value / 5}), kind, units))


def test_a_remark_is_not_called_an_interval():
    remark = "seen at any slant; the estimate is of metal seen up to 60° and weighs how sure each is"
    for said in (remark, "± 0.9 %", "", "nothing measured the wall", "10 % of the picture"):
        assert not display.is_interval(said)
    assert phrases._span_said(remark) == f" ({remark})"
    assert phrases._span_said("10 to 35") == " (95 %: 10 to 35)"
