"""A measured value with the budget of its uncertainty.

A ``Measure`` carries its value and a budget: for each source of error the signed first-order change of the value
when that source moves by one standard uncertainty. A source that two measures share (the scale, say) adds
coherently when they are combined; different sources add in quadrature (GUM, JCGM 100:2008, sections 5.1 and 5.2).

Every way in which measures are combined stands here, so that no other module handles budgets by hand: ``times`` an exact
factor, ``power``, ``through`` a monotone function, ``product``, ``ratio``, ``total``, ``mean``, ``difference``,
``widened`` to an interval, ``moved`` to another value with its interval.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from scipy import special

COVERAGE_95 = 1.959963984540054  # two-sided 95 % quantile of the normal distribution

MM_PER_INCH = 25.4  # exact, by the international inch
KPA_PER_PSI = 6.894757293168361  # NIST SP 811, appendix B
KPA_PER_BAR = 100.0
KELVIN_PER_FAHRENHEIT = 1 / 1.8  # exact, of a difference
FREEZING_F = 32.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Measure:
    """A value, its budget and, where the distribution is skewed, its own 95 % interval.

    ``budget`` maps a source of error to its signed contribution in the unit of the value. ``interval`` replaces
    the interval by the budget where one is known better (a Poisson count, a range). ``positive``: a quantity that is a size or
    a ratio (area, length of an opening, density), whose interval is taken in logarithms and so never reaches below zero.
    Equal input gives an equal object.
    """

    value: float
    budget: Mapping[str, float] = field(default_factory=dict)
    interval: tuple[float, float] | None = None
    positive: bool = False

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError("a Measure is a finite number; use None for what is not known")
        object.__setattr__(self, "budget", MappingProxyType(dict(self.budget)))

    @classmethod
    def by_shares(
        cls, value: float, *shares: Mapping[str, float], power: float = 1.0, positive: bool = False
    ) -> Measure:
        """``value`` proportional to the ``power`` of what ``shares`` are relative contributions to (see ``shares``)."""
        budget: dict[str, float] = {}
        for group in shares:
            for source, share in group.items():
                budget[source] = budget.get(source, 0.0) + power * share * value
        return cls(value=value, budget=budget, positive=positive)

    @property
    def shares(self) -> dict[str, float]:
        """The budget as shares of the value, which is not 0."""
        return {source: part / self.value for source, part in self.budget.items()}

    @property
    def standard_uncertainty(self) -> float:
        """Root of the sum of squares of the budget, in the unit of the value."""
        return math.sqrt(sum(c * c for c in self.budget.values()))

    @property
    def interval_95(self) -> tuple[float, float]:
        """The stated interval; else value plus and minus 1.96 standard uncertainties, of the logarithm where it is ``positive``."""
        if self.interval is not None:
            return self.interval
        half = COVERAGE_95 * self.standard_uncertainty
        if self.positive and self.value > 0:
            factor = math.exp(half / self.value)
            return (self.value / factor, self.value * factor)
        return (self.value - half, self.value + half)

    def times(self, factor: float) -> Measure:
        """The measure in another unit (an exact factor)."""
        interval = None
        if self.interval is not None:
            low, high = sorted((self.interval[0] * factor, self.interval[1] * factor))
            interval = (low, high)
        budget = {source: part * factor for source, part in self.budget.items()}
        return replace(self, value=self.value * factor, budget=budget, interval=interval)

    def power(self, exponent: float) -> Measure:
        """The measure, which is above 0, to an exponent: relative contributions times the exponent (GUM 5.1.6)."""
        value = self.value**exponent
        interval = None
        if self.interval is not None:
            low, high = sorted(max(end, 0.0) ** exponent for end in self.interval)
            interval = (low, high)
        made = Measure.by_shares(value, self.shares, power=exponent)
        return replace(made, interval=interval, positive=self.positive)

    def through(self, function: Callable[[float], float], *, step: float) -> Measure:
        """A function, monotone over the interval: the budget by its slope across two ``step``, the interval by its ends."""
        below, above = self.value - step, self.value + step
        slope = (function(above) - function(below)) / (above - below)
        low, high = sorted(function(end) for end in self.interval_95)
        budget = {source: slope * part for source, part in self.budget.items()}
        return Measure(value=function(self.value), budget=budget, interval=(low, high))

    def plus(self, source: str, contribution: float) -> Measure:
        """With one more source of error; its own interval, if it has one, grows in quadrature on each side."""
        budget = {**self.budget, source: self.budget.get(source, 0.0) + contribution}
        interval = None
        if self.interval is not None:
            more = COVERAGE_95 * contribution
            low, high = self.interval
            interval = (
                self.value - math.hypot(self.value - low, more),
                self.value + math.hypot(high - self.value, more),
            )
        return replace(self, budget=budget, interval=interval)

    def without(self, sources: Collection[str]) -> Measure:
        """Less what those sources contribute; an interval of its own is dropped."""
        budget = {name: part for name, part in self.budget.items() if name not in sources}
        return replace(self, budget=budget, interval=None)

    def floored(self) -> Measure:
        """A length or a depth, which cannot be below zero: the interval is cut off there."""
        low, high = self.interval_95
        return replace(self, interval=(max(low, 0.0), max(high, 0.0)))

    def widened(self, low: float, high: float, source: str) -> Measure:
        """The same value with the interval ``low`` to ``high``, and a standard uncertainty that agrees with it.

        ``source`` takes up what the half-width, as 1.96 standard uncertainties, has beyond the budget; where the interval is
        narrower than the budget, all contributions shrink alike.
        """
        wanted, had = 0.5 * (high - low) / COVERAGE_95, self.standard_uncertainty
        budget = dict(self.budget)
        if wanted > had:
            budget[source] = math.hypot(budget.get(source, 0.0), math.sqrt(wanted**2 - had**2))
        elif had > 0:
            budget = {name: part * wanted / had for name, part in budget.items()}
        return replace(self, budget=budget, interval=(low, high))

    def as_json(self) -> dict[str, object]:
        """The form that ``examination.json`` holds."""
        low, high = self.interval_95
        return {
            "value": _rounded(self.value),
            "standard_uncertainty": _rounded(self.standard_uncertainty),
            "interval_95": [_rounded(low), _rounded(high)],
        }


def in_range(low: float, high: float, source: str, value: float | None = None) -> Measure:
    """Somewhere from ``low`` to ``high``, every place alike (GUM 4.3.7: a standard uncertainty of the width by root twelve).

    The interval holds all of the range; ``value`` is its middle unless told.
    """
    middle = 0.5 * (low + high) if value is None else value
    return Measure(value=middle, budget={source: (high - low) / math.sqrt(12.0)}, interval=(low, high))


def repeated(values: Sequence[float], instrument: float, sources: tuple[str, str]) -> Measure:
    """Mean of repeated readings of one thing, all with the ``instrument``'s standard uncertainty, which repeating does not lessen.

    The scatter of the n readings counts by s / sqrt(n) with n - 1 degrees of freedom; the interval is Student's t at the
    effective degrees of freedom of Welch and Satterthwaite (GUM, annex G.4). ``sources`` name instrument and scatter.
    """
    number = len(values)
    middle = sum(values) / number
    scatter = math.sqrt(sum((v - middle) ** 2 for v in values) / (number - 1) / number) if number > 1 else 0.0
    made = Measure(
        value=middle, budget={sources[0]: instrument, sources[1]: scatter} if scatter else {sources[0]: instrument}
    )
    if not scatter:
        return made
    freedom = (number - 1) * (made.standard_uncertainty / scatter) ** 4
    half = float(special.stdtrit(freedom, 0.975)) * made.standard_uncertainty
    return replace(made, interval=(middle - half, middle + half))


def total(measures: Iterable[Measure]) -> Measure:
    """Sum of measures: equal sources add coherently, others in quadrature."""
    value = 0.0
    budget: dict[str, float] = {}
    for measure in measures:
        value += measure.value
        for source, contribution in measure.budget.items():
            budget[source] = budget.get(source, 0.0) + contribution
    return Measure(value=value, budget=budget)


def mean(measures: Sequence[Measure], *, own: Collection[str] = ()) -> Measure:
    """Mean of measures: shared sources stay whole; those in ``own``, which every measure has for itself, average out."""
    number = len(measures)
    budget: dict[str, float] = {}
    for source in sorted({source for measure in measures for source in measure.budget}):
        parts = [measure.budget.get(source, 0.0) for measure in measures]
        budget[source] = (math.sqrt(sum(part * part for part in parts)) if source in own else sum(parts)) / number
    positive = all(measure.positive for measure in measures)
    return Measure(value=sum(measure.value for measure in measures) / number, budget=budget, positive=positive)


def product(first: Measure, other: Measure) -> Measure:
    """Product of two measures above 0; see ``_combined``."""
    return _combined(first, other, 1.0)


def ratio(numerator: Measure, denominator: Measure) -> Measure:
    """Ratio of two measures above 0: a source that both share cancels as far as it moves both alike; see ``_combined``."""
    return _combined(numerator, denominator, -1.0)


def _combined(first: Measure, other: Measure, sign: float) -> Measure:
    """first * other ** sign, to first order in the logarithms (GUM 5.1.6).

    Where one of both has an interval of its own, the distances of its ends add in logarithms in quadrature to the other's, side
    by side; an end at 0 stays there.
    """
    value = first.value * other.value**sign
    budget = {source: share * value for source, share in first.shares.items()} if first.value else {}
    for source, share in other.shares.items():
        budget[source] = budget.get(source, 0.0) + sign * share * value
    made = Measure(value=value, budget=budget, positive=True)
    if first.interval is None and other.interval is None:
        return made
    if not value > 0:
        low, high = (end * other.value**sign for end in first.interval_95)
        return replace(made, interval=(low, high))
    ends = (other.interval_95[0], other.interval_95[1]) if sign > 0 else (other.interval_95[1], other.interval_95[0])
    reach = []
    for mine, its in zip(first.interval_95, ends, strict=True):
        if mine <= 0 or its <= 0:
            reach.append(math.inf)
        else:
            reach.append(math.hypot(math.log(mine / first.value), math.log(its / other.value)))
    low = 0.0 if math.isinf(reach[0]) else value * math.exp(-reach[0])
    return replace(made, interval=(low, value * math.exp(reach[1])))


def difference(first: Measure, other: Measure, *, least: float | None = None, source: str = "limit") -> Measure:
    """first - other: sources that both share cancel as far as they move both alike, others add in quadrature.

    Where one of both has an interval of its own, the distances of the ends add in quadrature, less twice what is shared, so that
    interval and standard uncertainty tell the same. ``least``: the value cannot be below it; what is cut off the interval is cut
    off the budget alike.
    """
    budget = dict(first.budget)
    for name, contribution in other.budget.items():
        budget[name] = budget.get(name, 0.0) - contribution
    value = first.value - other.value
    made = Measure(value=value, budget=budget)
    if first.interval is not None or other.interval is not None:
        shared = sum(first.budget.get(name, 0.0) * part for name, part in other.budget.items())
        spread = COVERAGE_95 * first.standard_uncertainty * other.standard_uncertainty
        alike = 0.0 if spread == 0 else COVERAGE_95 * shared / spread  # correlation of both
        (low, high), (other_low, other_high) = first.interval_95, other.interval_95

        def reach(mine: float, its: float) -> float:
            return math.sqrt(max(mine**2 + its**2 - 2 * alike * mine * its, 0.0))

        made = replace(
            made,
            interval=(
                value - reach(first.value - low, other_high - other.value),
                value + reach(high - first.value, other.value - other_low),
            ),
        )
    low, high = made.interval_95
    if least is None or low >= least:
        return made
    kept = replace(made, value=max(value, least))
    return kept.widened(max(low, least), max(high, least), source)


def _rounded(number: float) -> float:
    """Nine significant digits: the same on every machine, far finer than any uncertainty here."""
    return float(f"{number:.9g}")
