"""A measured value with the budget of its uncertainty.

A ``Measure`` carries its value and a budget: for each source of error the signed first-order change of the value
when that source moves by one standard uncertainty. A source that two measures share (the scale, say) adds
coherently when they are combined; different sources add in quadrature (GUM, JCGM 100:2008, sections 5.1 and 5.2).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

COVERAGE_95 = 1.959963984540054  # two-sided 95 % quantile of the normal distribution

MM_PER_INCH = 25.4  # exact, by the international inch
KPA_PER_PSI = 6.894757293168361  # NIST SP 811, appendix B
KPA_PER_BAR = 100.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Measure:
    """A value, its budget and, where the distribution is skewed, its own 95 % interval.

    ``budget`` maps a source of error to its signed contribution in the unit of the value. ``interval`` replaces
    the symmetric interval where one is known better (a Poisson count, a range). Equal input gives an equal object.
    """

    value: float
    budget: Mapping[str, float] = field(default_factory=dict)
    interval: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError("a Measure is a finite number; use None for what is not known")
        object.__setattr__(self, "budget", MappingProxyType(dict(self.budget)))

    @property
    def standard_uncertainty(self) -> float:
        """Root of the sum of squares of the budget, in the unit of the value."""
        return math.sqrt(sum(c * c for c in self.budget.values()))

    @property
    def interval_95(self) -> tuple[float, float]:
        """The stated interval, else value plus and minus 1.96 standard uncertainties."""
        if self.interval is not None:
            return self.interval
        half = COVERAGE_95 * self.standard_uncertainty
        return (self.value - half, self.value + half)

    def times(self, factor: float) -> Measure:
        """The measure in another unit (an exact factor)."""
        interval = None
        if self.interval is not None:
            low, high = sorted((self.interval[0] * factor, self.interval[1] * factor))
            interval = (low, high)
        return Measure(
            value=self.value * factor, budget={k: c * factor for k, c in self.budget.items()}, interval=interval
        )

    def as_json(self) -> dict[str, object]:
        """The form that ``examination.json`` holds."""
        low, high = self.interval_95
        return {
            "value": _rounded(self.value),
            "standard_uncertainty": _rounded(self.standard_uncertainty),
            "interval_95": [_rounded(low), _rounded(high)],
        }


def total(measures: Iterable[Measure]) -> Measure:
    """Sum of measures: equal sources add coherently, others in quadrature."""
    value, budget = 0.0, {}
    for measure in measures:
        value += measure.value
        for source, contribution in measure.budget.items():
            budget[source] = budget.get(source, 0.0) + contribution
    return Measure(value=value, budget=budget)


def _rounded(number: float) -> float:
    """Nine significant digits: the same on every machine, far finer than any uncertainty here."""
    return float(f"{number:.9g}")
