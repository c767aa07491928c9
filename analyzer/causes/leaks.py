"""Leak history of a house as a repairable system, and repair against replacement with the owner's own prices.

The model is the power-law process: expected leaks N(t) = lambda t^beta, t the age of the pipe; beta above 1 means that
leaks come faster. The record is a window of that life, with dates or with yearly counts. What is asked of it
(leaks to come, their discounted cost) is always the expected number in the window, mu, times a function of beta: so one
likelihood region of (mu, beta) gives all intervals, and the same code serves dates and counts.

Sources: MIL-HDBK-189 (1981 and C), NIST/SEMATECH handbook 8.4.5.2, Shamir and Howard 1979.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import date
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field
from scipy import stats
from scipy.optimize import brentq
from scipy.special import lambertw

from analyzer.base.flags import InputError
from analyzer.base.tomlfile import read_table, shown
from analyzer.causes.judge import Judgement

LEVEL = 0.95
_BETA_LOW, _BETA_HIGH = 0.02, 200.0  # outside of it the record tells no exponent
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)

Array = np.ndarray


# ---------------------------------------------------------------- the record


@dataclass(frozen=True, kw_only=True)
class LeakRecord:
    """Leaks in a window of the pipe's life; times are ages of the pipe in any one unit (years for a house).

    Either ``times`` (one for each leak, rising) or ``counts`` (start, end, number; adjoining) is given.
    """

    start: float  # the window: before it, nothing is known
    end: float
    times: tuple[float, ...] | None = None
    counts: tuple[tuple[float, float, int], ...] | None = None
    ends_on_leak: bool = False  # the record stops at its last leak, not at a date
    notes: tuple[str, ...] = ()  # what was assumed to read the facts

    def __post_init__(self) -> None:
        if (self.times is None) == (self.counts is None):
            raise ValueError("give either times or counts")
        if not 0.0 <= self.start < self.end:
            raise InputError("The leak record must end after it begins: check its first and last date.")
        if self.times is not None:
            if any(not self.start <= t <= self.end for t in self.times):
                raise InputError(
                    "A leak lies outside of the time that the record covers: check its date and the record's dates."
                )
            if self.start == 0.0 and any(t == 0.0 for t in self.times):
                raise InputError(
                    "A leak at the very beginning of the pipe's life has no place in the model: leave it out."
                )
            if list(self.times) != sorted(self.times):
                raise ValueError("times must rise")
        for low, high, number in self.counts or ():
            if not (low < high and number >= 0):
                raise InputError("Counts need a beginning, a later end and a number of 0 or more.")

    @property
    def number(self) -> int:
        return len(self.times) if self.times is not None else sum(n for *_, n in self.counts)

    @property
    def years(self) -> float:
        return self.end - self.start


# ---------------------------------------------------------------- the fit


@dataclass(frozen=True, kw_only=True)
class PowerLaw:
    """The fitted process. ``at_bound`` tells that the record gives no finite exponent (all leaks at the end)."""

    record: LeakRecord
    beta: float
    scale: float  # lambda of N(t) = lambda t^beta
    at_bound: bool

    @property
    def number(self) -> int:
        return self.record.number

    def expected_by(self, age: float) -> float:
        """N(age) = lambda age^beta, from age 0."""
        return self.scale * age**self.beta

    def intensity(self, age: float) -> float:
        """Leaks per unit of time at that age: lambda beta age^(beta-1)."""
        return self.scale * self.beta * age ** (self.beta - 1.0)

    @property
    def beta_unbiased(self) -> float:
        """(n-1)/n beta, or (n-2)/n where the record ends on a leak (MIL-HDBK-189); for dates from age 0."""
        n = self.number
        return self.beta * (n - (2 if self.record.ends_on_leak else 1)) / n

    def beta_interval(self, level: float = LEVEL) -> tuple[float, float]:
        """Interval of the exponent: exact by chi-square for dates from age 0, else by profile likelihood."""
        if self.record.times is not None and self.record.start == 0.0:
            sum_log = sum(math.log(self.record.end / t) for t in self.record.times)
            freedom = 2 * (self.number - 1) if self.record.ends_on_leak else 2 * self.number
            low, high = stats.chi2.ppf([(1 - level) / 2, (1 + level) / 2], freedom) / (2.0 * sum_log)
            return float(low), float(high)
        region = _Region.of(self, level)
        return float(region.beta[0]), float(region.beta[-1])


def _score_and_likelihood(record: LeakRecord) -> tuple[Callable[[float], float], Callable[[Array], Array]]:
    """Derivative and value of the log-likelihood of beta, given the number of leaks; ages as shares of the end."""
    a = record.start / record.end
    n = record.number
    log_a = math.log(a) if a > 0 else 0.0

    def lost(beta: Array) -> Array:  # a^beta, the share of N that lies before the window
        return np.exp(beta * log_a) if a > 0 else np.zeros_like(np.asarray(beta, dtype=float))

    if record.times is not None:
        log_u = np.log(np.asarray(record.times) / record.end)
        total = float(log_u.sum())

        def likelihood(beta: Array) -> Array:
            return n * np.log(beta) + (beta - 1.0) * total - n * np.log1p(-lost(beta))

        def score(beta: float) -> float:
            share = float(lost(np.array(beta)))
            return n / beta + total + n * share * log_a / (1.0 - share)

        return score, likelihood

    rows = [(low / record.end, high / record.end, k) for low, high, k in record.counts if k]

    def likelihood_counts(beta: Array) -> Array:
        beta = np.asarray(beta, dtype=float)
        terms = [k * (beta * math.log(high) + np.log1p(-((low / high) ** beta))) for low, high, k in rows]
        return sum(terms) - n * np.log1p(-lost(beta))

    def score_counts(beta: float) -> float:
        share = float(lost(np.array(beta)))
        total = n * share * log_a / (1.0 - share)
        for low, high, k in rows:  # (e^b ln e - s^b ln s) / (e^b - s^b), with s^b ln s = 0 at s = 0
            part = (low / high) ** beta
            total += k * (math.log(high) - (part * math.log(low) if part > 0 else 0.0)) / (1.0 - part)
        return total

    return score_counts, likelihood_counts


def fit(record: LeakRecord) -> PowerLaw:
    """Maximum-likelihood power law of the record; needs at least one leak.

    For dates from age 0, beta = n / sum ln(T/t_i). Worked value: 27 failures in 300 h of MIL-HDBK-189 (1981), appendix C,
    give beta 0.71634 and lambda 0.45384; its grouped example gives 0.752851 and 1.529306.
    """
    n = record.number
    if n < 1:
        raise InputError("Without a leak there is nothing to fit: the record gives only an upper limit of the rate.")
    score, _ = _score_and_likelihood(record)
    if (
        score(_BETA_LOW) <= 0
    ):  # leaks get rarer faster than any power law in a late window: nearly a logarithm fits best
        beta, at_bound = _BETA_LOW, False
    elif score(_BETA_HIGH) >= 0:
        beta, at_bound = _BETA_HIGH, True
    else:
        root = brentq(lambda x: score(math.exp(x)), math.log(_BETA_LOW), math.log(_BETA_HIGH), xtol=1e-14)
        beta, at_bound = math.exp(root), False
    scale = n / (record.end**beta - (record.start**beta if record.start else 0.0))
    return PowerLaw(record=record, beta=beta, scale=scale, at_bound=at_bound)


@dataclass(frozen=True)
class _Region:
    """The likelihood region of (mu, beta): for each beta in it, the range of mu, the expected leaks in the window.

    ``information`` scales the likelihood: 2 means as if twice the record had shown the same pattern.
    """

    beta: Array  # rising
    mu_low: Array
    mu_high: Array

    @classmethod
    def of(cls, law: PowerLaw, level: float, information: float = 1.0) -> _Region:
        _, likelihood = _score_and_likelihood(law.record)
        top = float(likelihood(np.array(law.beta)))
        room = float(stats.chi2.ppf(level, 1))

        def spare(log_beta: float) -> float:
            return room - 2.0 * information * (top - float(likelihood(np.array(math.exp(log_beta)))))

        ends = []
        for bound in (_BETA_LOW, _BETA_HIGH):
            edge, middle = math.log(bound), math.log(law.beta)
            if spare(edge) >= 0 or edge == middle:
                ends.append(edge)
            else:
                ends.append(brentq(spare, *sorted((edge, middle)), xtol=1e-10))
        beta = np.exp(np.linspace(ends[0], ends[1], 401))
        left = np.maximum(room - 2.0 * information * (top - likelihood(beta)), 0.0)
        # deviance of a Poisson mean, 2 (n ln(n/mu) + mu - n) = left, solved by Lambert's function
        n = law.number * information
        argument = -np.exp(
            -1.0 - np.maximum(left, 1e-9) / (2.0 * n)
        )  # at the branch point itself the function has no value
        mu_low = -n * lambertw(argument, 0).real / information
        mu_high = -n * lambertw(argument, -1).real / information
        return cls(beta=beta, mu_low=mu_low, mu_high=mu_high)

    def interval(self, factor: Array) -> tuple[Array, Array]:
        """Smallest and largest mu times ``factor`` (one row for each beta of the region) in the region."""
        shape = (-1,) + (1,) * (factor.ndim - 1)
        return (self.mu_low.reshape(shape) * factor).min(axis=0), (self.mu_high.reshape(shape) * factor).max(axis=0)


def _yearly_factor(record: LeakRecord, beta: Array, years: int, discount_rate: float) -> Array:
    """(betas, years): discounted leaks in each coming year for one expected leak in the window.

    The integral of beta t^(beta-1) (1+R)^-(t-T) over each year, over T^beta - s^beta; Gauss-Legendre, eight points a year.
    """
    beta = np.atleast_1d(np.asarray(beta, dtype=float))
    ahead = np.arange(years)[:, None] + (_NODES[None, :] + 1.0) / 2.0  # (years, nodes)
    ratio = 1.0 + ahead / record.end
    present = (1.0 + discount_rate) ** -ahead
    a = record.start / record.end
    share = a**beta if a > 0 else np.zeros_like(beta)
    rate = beta[:, None, None] * ratio[None] ** (beta[:, None, None] - 1.0) / record.end
    yearly = (rate * present[None] * _WEIGHTS[None, None, :] / 2.0).sum(axis=2)
    return yearly / (1.0 - share)[:, None]


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """Expected leaks in the first 1, 2, ... coming years, their interval, and the range of the number itself."""

    years: tuple[float, ...]
    expected: tuple[float, ...]
    low: tuple[float, ...]  # profile likelihood, 95 %
    high: tuple[float, ...]
    number_low: tuple[int, ...]  # prediction of the count, 95 %
    number_high: tuple[int, ...]


def forecast(law: PowerLaw, years: int, level: float = LEVEL) -> Forecast:
    """Leaks to come, if the pipe is repaired each time and nothing else changes.

    The interval of the expected number is by profile likelihood. The range of the number adds the scatter of a count:
    a negative binomial over the likelihood of beta (flat in its logarithm, Jeffreys prior for mu).
    """
    region = _Region.of(law, level)
    best = law.number * np.cumsum(_yearly_factor(law.record, law.beta, years, 0.0), axis=1)[0]
    factor = np.cumsum(_yearly_factor(law.record, region.beta, years, 0.0), axis=1)
    low, high = region.interval(factor)
    wide = _Region.of(law, 0.9999)
    _, likelihood = _score_and_likelihood(law.record)
    weight = np.exp(likelihood(wide.beta) - float(likelihood(np.array(law.beta))))
    weight /= weight.sum()
    wide_factor = np.cumsum(_yearly_factor(law.record, wide.beta, years, 0.0), axis=1)
    ranges = [_count_range(law.number, wide_factor[:, year], weight, level) for year in range(years)]
    return Forecast(
        years=tuple(float(year + 1) for year in range(years)),
        expected=tuple(map(float, best)),
        low=tuple(map(float, low)),
        high=tuple(map(float, high)),
        number_low=tuple(r[0] for r in ranges),
        number_high=tuple(r[1] for r in ranges),
    )


def _count_range(number: int, factor: Array, weight: Array, level: float) -> tuple[int, int]:
    def below(k: int) -> float:  # probability of at most k
        return float((weight * stats.nbinom.cdf(k, number + 0.5, 1.0 / (1.0 + factor))).sum())

    def quantile(share: float) -> int:
        if below(0) >= share:
            return 0
        low, high = 0, 1
        while below(high) < share:
            low, high = high, high * 2
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if below(middle) >= share else (middle, high)
        return high

    return quantile((1 - level) / 2), quantile((1 + level) / 2)


# ---------------------------------------------------------------- is there a trend, does the model fit


@dataclass(frozen=True, kw_only=True)
class TrendTest:
    name: str
    statistic: float
    p_value: float  # two-sided, of no trend
    says: str


def laplace_test(record: LeakRecord) -> TrendTest:
    """Laplace's test of no trend: the leaks' mean time against the middle of the window, in standard errors.

    U > 1.96 is worsening at 95 %. With counts each leak stands in the middle of its interval. Worked value: the 30 failures
    of Modarres' example 5.11 give U 2.409.
    """
    if record.times is not None:
        times = record.times[:-1] if record.ends_on_leak else record.times
        mean, deviation = (record.start + record.end) / 2.0, record.years / math.sqrt(12.0)
        total, n = sum(times), len(times)
    else:
        rows = np.array([(low, high, k) for low, high, k in record.counts], dtype=float)
        middle, width, k = (rows[:, 0] + rows[:, 1]) / 2.0, rows[:, 1] - rows[:, 0], rows[:, 2]
        share = width / width.sum()
        mean = float((share * middle).sum())
        deviation = math.sqrt(float((share * (middle - mean) ** 2).sum()))
        total, n = float((k * middle).sum()), int(k.sum())
    if n == 0 or deviation == 0:
        return TrendTest(name="Laplace", statistic=0.0, p_value=1.0, says="too few leaks for a test")
    u = (total - n * mean) / (deviation * math.sqrt(n))
    return _trend("Laplace", u, 2.0 * float(stats.norm.sf(abs(u))), worsening=u > 0)


def mil_hdbk_test(record: LeakRecord) -> TrendTest | None:
    """MIL-HDBK-189 test of no trend: 2 sum ln(T/t_i) is chi-square with 2n (or 2(n-1)) degrees; dates only.

    Times count from the window's beginning. Small values mean worsening. None for counts and for fewer than two leaks.
    """
    if record.times is None:
        return None
    n = record.number - (1 if record.ends_on_leak else 0)
    if n < 1:
        return None
    since = [max(t - record.start, record.years * 1e-9) for t in record.times[:n]]
    statistic = 2.0 * sum(math.log(record.years / t) for t in since)
    low = float(stats.chi2.cdf(statistic, 2 * n))
    return _trend("MIL-HDBK-189", statistic, 2.0 * min(low, 1.0 - low), worsening=low < 0.5)


def _trend(name: str, statistic: float, p_value: float, *, worsening: bool) -> TrendTest:
    if p_value > 0.05:
        says = "no trend is shown at 95 %, so the leaks may come at a steady rate"
    else:
        says = f"the leaks come {'faster' if worsening else 'more rarely'} with time, at 95 %"
    return TrendTest(name=name, statistic=statistic, p_value=p_value, says=says)


def cramer_von_mises(law: PowerLaw) -> float | None:
    """Distance of the record from its fitted power law; dates only. Near 0.220 and above speaks against it (5 %, many leaks).

    C = 1/(12 M) + sum ((t_i/T)^b - (2i-1)/(2M))^2 with the unbiased b. Worked value: 0.0910611 (MIL-HDBK-189, 1981, C).
    """
    record = law.record
    if record.times is None or record.number < 3 or law.at_bound:
        return None
    times = record.times[:-1] if record.ends_on_leak else record.times
    m = len(times)
    b = law.beta_unbiased if record.start == 0.0 else law.beta
    before = record.start**b if record.start else 0.0
    z = (np.asarray(times) ** b - before) / (record.end**b - before)
    return float(1.0 / (12 * m) + ((z - (2 * np.arange(1, m + 1) - 1) / (2 * m)) ** 2).sum())


# MIL-HDBK-189, 5 %, large M; below it for few leaks (0.16 to 0.18, from memory), so a short record is seldom accused wrongly
CRAMER_VON_MISES_5_PERCENT = 0.220


def mtbf_interval(law: PowerLaw, level: float) -> tuple[float, float, float]:
    """Mean time between leaks at the end of a dated record by the modified estimate, and its interval (lower, upper).

    NIST/SEMATECH handbook 8.4.5.2, end by date. Worked value: case 1 of the handbook, 310.234 h, 80 % 157.7138 to 548.5566.
    """
    n, b = law.number, law.beta_unbiased
    mtbf = law.record.end / (n * b)
    z = float(stats.norm.ppf((1 + level) / 2))
    lower = n * (n - 1) / (n + z * z / 4 + math.sqrt(n * z * z / 2 + z**4 / 16)) ** 2
    upper = n * (n - 1) / (n - z * math.sqrt(n / 2)) ** 2 if n > z * math.sqrt(n / 2) else math.inf
    return mtbf, mtbf * lower, mtbf * upper


def steady_rate(number: int, years: float, level: float = LEVEL) -> tuple[float, float, float]:
    """Leaks a year and the exact Poisson interval, as if there were no trend. Worked value: none in 10 years, 0 to 0.369."""
    low = float(stats.chi2.ppf((1 - level) / 2, 2 * number)) / 2 if number else 0.0
    high = float(stats.chi2.ppf((1 + level) / 2, 2 * (number + 1))) / 2
    return number / years, low / years, high / years


# ---------------------------------------------------------------- from the facts


def read_record(quantities: Mapping[str, Any]) -> LeakRecord | None:
    """The leak record in the facts, in years of the pipe's age; None where no leaks are told.

    Dates go before yearly counts. The pipe's age gives the origin; without it the record's beginning does, and a note says
    so. A record whose beginning is not known begins with its first leak, which then is not counted: with one leak alone there
    is no record. InputError where dates contradict one another.
    """
    dates = quantities.get("leak_dates")
    counts = quantities.get("leaks_by_year")
    if not dates and not counts:
        return None
    begin, finish = (_decimal_year(quantities.get(name)) for name in ("history_from", "history_to"))
    notes: list[str] = []
    if dates:
        leaks = sorted(_decimal_year(d) for d in dates)
        if begin is None and quantities.get("made_year") is not None:
            begin = float(quantities["made_year"])
            notes.append(
                "The record is taken to begin in the year the pipe was made; say so if leaks before your time may be missing."
            )
        elif begin is None and quantities.get("age_years") is not None:
            begin = (finish if finish is not None else leaks[-1]) - float(quantities["age_years"])
            notes.append(
                "The record is taken to begin with the pipe's age; say so if leaks before your time may be missing."
            )
        if begin is None:
            begin = leaks[0]
            notes.append(
                "It is not told since when all leaks are known; enter history_from, or the pipe's age, for a better answer."
            )
        if leaks[0] == begin:
            leaks = [t for t in leaks if t > begin]
            notes.append("The record begins with its first leak; that one marks the beginning and is not counted.")
            if not leaks:
                return None
        ends_on_leak = finish is None
        if ends_on_leak:
            finish = leaks[-1]
            notes.append(
                "The record ends at its last leak; enter until when it is complete (history_to) for a better answer."
            )
        rows = None
    else:
        by_year = dict(counts)
        first, last = min(by_year), max(by_year)
        if begin is None:
            begin = float(first)
            notes.append(f"The record is taken to begin with {first}, the first year listed.")
        finish = float(last + 1) if finish is None else finish
        if finish <= begin or begin >= first + 1 or finish < last:
            raise InputError("The yearly counts lie outside of history_from and history_to: check the years.")
        rows = []
        for year in range(math.floor(begin), math.ceil(finish)):
            low, high = max(float(year), begin), min(float(year + 1), finish)
            if high > low:
                rows.append((low, high, int(by_year.get(year, 0))))
        missing = [str(y) for y in range(first, last) if y not in by_year]
        if missing:
            notes.append(f"Years without an entry count as no leak: {', '.join(missing)}.")
        leaks, ends_on_leak = None, False
    origin = _origin(quantities, begin, finish, notes)
    return LeakRecord(
        start=begin - origin,
        end=finish - origin,
        times=tuple(t - origin for t in leaks) if leaks is not None else None,
        counts=tuple((low - origin, high - origin, n) for low, high, n in rows) if rows is not None else None,
        ends_on_leak=ends_on_leak,
        notes=tuple(notes),
    )


def _origin(quantities: Mapping[str, Any], begin: float, finish: float, notes: list[str]) -> float:
    if quantities.get("made_year") is not None:
        laid = float(quantities["made_year"])
    elif quantities.get("age_years") is not None:
        laid = finish - float(quantities["age_years"])
    else:
        notes.append("The pipe's age is not known; its life is counted from the beginning of the record.")
        return begin
    if laid > begin:
        notes.append("The pipe is younger than the record; its life is counted from the beginning of the record.")
        return begin
    return laid


def _decimal_year(value: Any) -> float | None:
    if value is None:
        return None
    day = value if isinstance(value, date) else date.fromisoformat(str(value))
    return day.year + (day - date(day.year, 1, 1)).days / ((date(day.year + 1, 1, 1) - date(day.year, 1, 1)).days)


# ---------------------------------------------------------------- history in words


@dataclass(frozen=True, kw_only=True)
class LeakHistory:
    """What the record says by itself."""

    record: LeakRecord
    rate_per_year: tuple[float, float, float]  # value, low, high, as if steady
    law: PowerLaw | None  # None where the record is too thin for a trend
    beta_interval: tuple[float, float] | None
    tests: tuple[TrendTest, ...]
    fits_model: bool | None  # None where it cannot be tested
    forecast: Forecast | None
    thin: bool
    says: str
    enough: str  # what would be enough; empty where the record is not thin

    @property
    def worthless_ahead(self) -> bool:
        """The limits of what is to come are so far apart that no number, plot or cost may rest on them."""
        ahead = self.forecast
        return ahead is not None and ahead.high[-1] > _book().useless_ratio * ahead.low[-1]


class _Book(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    schema_version: int = Field(alias="schema")
    fewest_for_trend: int
    wide_up_to: int
    useless_ratio: float
    honest: str
    persists: dict[str, str]


@cache
def _book() -> _Book:
    text = resources.files("analyzer").joinpath("data/leaks.toml").read_text(encoding="utf-8")
    return _Book.model_validate(tomllib.loads(text))


def read_history(record: LeakRecord, years_ahead: int = 10) -> LeakHistory:
    """Rate, trend and leaks to come, as far as the record allows; ``years_ahead`` from 1 to 50."""
    if not 1 <= years_ahead <= 50:
        raise InputError("The outlook must be from 1 to 50 years: enter a number of years in that range.")
    n, fewest = record.number, _book().fewest_for_trend
    rate = steady_rate(n, record.years)
    notes = "".join(f" {note}" for note in record.notes)
    if n < fewest or (record.ends_on_leak and n < fewest + 1):
        need = fewest + (1 if record.ends_on_leak else 0) - n
        return LeakHistory(
            record=record,
            rate_per_year=rate,
            law=None,
            beta_interval=None,
            tests=(),
            fits_model=None,
            forecast=None,
            thin=True,
            says=f"{_leaks(n)} in {record.years:.1f} years: too few to look for a trend. As if steady, {rate[1]:.2g} to {rate[2]:.2g} a year (95 %)."
            + notes,
            enough=f"{need} more dated {'leak' if need == 1 else 'leaks'} would allow a look for a trend"
            + ("; or enter until when the record is complete." if record.ends_on_leak else "."),
        )
    law = fit(record)
    tests = tuple(t for t in (laplace_test(record), mil_hdbk_test(record)) if t is not None)
    if law.at_bound:
        return LeakHistory(
            record=record,
            rate_per_year=rate,
            law=None,
            beta_interval=None,
            tests=tests,
            fits_model=None,
            forecast=None,
            thin=True,
            says=f"{_leaks(n)} in {record.years:.1f} years, all so near together that no trend can be computed.{notes}",
            enough="Dates of the leaks instead of yearly counts, or one or two more years of record.",
        )
    distance = cramer_von_mises(law)
    fits = None if distance is None else distance < CRAMER_VON_MISES_5_PERCENT
    ahead = forecast(law, years_ahead)
    low, high = law.beta_interval()
    trend = _trend_words(tests)
    says = (
        f"{_leaks(n)} in {record.years:.1f} years. {trend} In the next {years_ahead} years {_short(ahead.expected[-1])} leaks are expected if all goes on as it did "
        f"({_short(ahead.low[-1])} to {_short(ahead.high[-1])} at 95 %)."
    )
    if ahead.high[-1] > _book().useless_ratio * ahead.low[-1]:
        says += f" Limits that wide make the number worthless: {_leaks(n)} can show a direction at most."
    elif n <= _book().wide_up_to:
        says += f" With {n} leaks the limits are very wide."
    if fits is False:
        says += " The dates do not follow the model well: something changed on the way."
    return LeakHistory(
        record=record,
        rate_per_year=rate,
        law=law,
        beta_interval=(low, high),
        tests=tests,
        fits_model=fits,
        forecast=ahead,
        thin=False,
        says=says + notes,
        enough="",
    )


def _trend_words(tests: tuple[TrendTest, ...]) -> str:
    """One sentence where the tests agree, else each by its name."""
    names = " and ".join(t.name for t in tests)
    said = {t.says for t in tests}
    if len(said) == 1:
        words = said.pop()
        return f"{words[0].upper()}{words[1:]} (test: {names})."
    return "The tests differ: " + "; ".join(f"{t.name}: {t.says}" for t in tests) + "."


def _short(number: float) -> str:
    """Two significant digits, no exponent."""
    return f"{float(f'{number:.2g}'):,.10g}"


def _leaks(n: int) -> str:
    return "No leak" if n == 0 else f"{n} leak" if n == 1 else f"{n} leaks"


# ---------------------------------------------------------------- cost


@dataclass(frozen=True, kw_only=True)
class Prices:
    """The owner's own prices, in one currency of today; a price not known is None and its option is left out."""

    repair_per_leak: float
    damage_per_leak: float = 0.0  # drying, walls, floors, excess of the insurance
    replace_all: float | None = None
    replace_part: float | None = None
    part_share_of_leaks: float | None = None  # share of the leaks to come that replacing the part would end, 0 to 1
    moving_out: float = 0.0  # once, with replacing all
    discount_rate: float = 0.03  # a year, without inflation
    horizon_years: int = 20
    leaks_after_replacement_per_year: float = 0.0  # in all new pipe; 0 is an assumption, and said

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if value is None:
                continue
            if abs(value) > 1e12 or not math.isfinite(value):  # more than any house costs, in any currency
                raise InputError(f"{field.name} cannot be that large: enter it again as a plain number.")
            if field.name != "discount_rate" and value < 0:
                raise InputError(f"{field.name} must not be below 0: enter the price as a positive number.")
        if not -0.05 <= self.discount_rate <= 0.5:
            raise InputError("The discount rate must be from -0.05 to 0.5 a year: 3 % is 0.03.")
        if not (1 <= self.horizon_years <= 50 and float(self.horizon_years).is_integer()):
            raise InputError("The horizon must be a whole number of years from 1 to 50.")
        if self.part_share_of_leaks is not None and self.part_share_of_leaks > 1:
            raise InputError("The share of leaks that replacing a part would end must be from 0 to 1: 60 % is 0.6.")
        if (self.replace_part is None) != (self.part_share_of_leaks is None):
            raise InputError("Replacing a part needs both its price and the share of the leaks that it would end.")
        if self.cost_of_leak <= 0:
            raise InputError("A leak must cost something: enter the price of a repair.")

    @property
    def cost_of_leak(self) -> float:
        return self.repair_per_leak + self.damage_per_leak


def read_prices(path: str | Path) -> Prices:
    """Prices from a TOML file with one ``name = value`` a line. Raises InputError, one sentence."""
    rows = read_table(path, what="prices")
    names = [field.name for field in fields(Prices)]
    for name, value in rows.items():
        if name not in names:
            raise InputError(f"The prices file holds {shown(name)}, which is not a price; it takes {', '.join(names)}.")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise InputError(
                f"In the prices file {name} is {shown(value)}; write it as a plain number without a currency sign."
            )
    if "repair_per_leak" not in rows:
        raise InputError("The prices file needs repair_per_leak: what the repair of one leak costs.")
    return Prices(**rows)


@dataclass(frozen=True, kw_only=True)
class Option:
    """One way to go on: present value over the horizon with its interval, and the running total year by year."""

    id: str  # "repair", "part" or "all"
    name: str
    present_value: float
    low: float
    high: float
    by_year: tuple[float, ...]  # at the end of year 0 (what is paid at once), 1, 2, ...
    low_by_year: tuple[float, ...]
    high_by_year: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class CostComparison:
    prices: Prices
    options: tuple[Option, ...]  # repair first
    break_even_year: dict[str, float | None]  # by option: when repairing has cost as much; None: not within the horizon
    break_even_price: dict[str, float]  # by option: the price at which it and repairing cost the same
    threshold_leaks_per_year: float | None  # replace all once leaks come faster than this (Shamir and Howard)
    years_to_threshold: float | None  # from now; 0: past it; None: not within 200 years, or no price
    cheaper: str | None  # the option whose whole interval is below that of repairing, or "repair"; None: not decided
    says: str
    enough: str  # what would be enough to decide; empty where it is decided


def replacement_threshold_per_year(cost_of_leak: float, cost_of_replacement: float, discount_rate: float) -> float:
    """Leaks a year from which replacing is cheaper: ln(1+R) Cr / Cb (Shamir and Howard 1979, closed form derived).

    Worked value: 1500 a leak, 9000 to replace, 5 % give 0.29274.
    """
    return math.log1p(discount_rate) * cost_of_replacement / cost_of_leak


def threshold_by_compounding(cost_of_leak: float, cost_of_replacement: float, discount_rate: float) -> float:
    """The same asked leak by leak: ln(1+R) / ln(1 + C/F) (Loganathan and others 2002, formula from memory).

    Worked value: 1000 a leak, 20000 to replace, 5 % give 1.0.
    """
    return math.log1p(discount_rate) / math.log1p(cost_of_leak / cost_of_replacement)


def years_to_threshold(rate_at: Callable[[float], float], threshold: float, *, within: float = 200.0) -> float | None:
    """Years from now until a leak rate reaches the threshold; 0 where it has, None where it does not within ``within``.

    Worked value: 0.1 a year growing by e^(0.1 t) reaches 0.29274 after 10.741 years (Shamir and Howard's optimum).
    """
    if rate_at(0.0) >= threshold:
        return 0.0
    if rate_at(within) < threshold:
        return None
    return float(brentq(lambda t: rate_at(t) - threshold, 0.0, within, xtol=1e-10))


def compare_costs(history: LeakHistory, prices: Prices, level: float = LEVEL) -> CostComparison | None:
    """Present value of repairing as it leaks against replacing all or part now, over the horizon.

    A leak costs the same each time. The interval is that of the leaks to come. None where the record is too thin for a
    forecast: the history says so, and what would be enough. InputError where no price of replacing is given.
    """
    law = history.law
    if law is None:
        return None
    if prices.replace_all is None and prices.replace_part is None:
        raise InputError("A comparison needs a price for replacing all or a part of the pipe.")
    region = _Region.of(law, level)
    best, low, high = _discounted(law, region, prices)
    cost = prices.cost_of_leak
    annuity = np.concatenate([[0.0], np.cumsum(_steady_factor(prices))])
    options = [_option("repair", "Repair as it leaks", 0.0, cost * best, cost * low, cost * high)]
    if prices.replace_part is not None:
        left = 1.0 - prices.part_share_of_leaks
        options.append(
            _option("part", "Replace part now", prices.replace_part, *(left * cost * x for x in (best, low, high)))
        )
    if prices.replace_all is not None:
        after = prices.leaks_after_replacement_per_year * cost * annuity
        once = prices.replace_all + prices.moving_out
        options.append(_option("all", "Replace all now", once, after, after, after))
    repair = options[0]
    saved = {"part": prices.part_share_of_leaks, "all": 1.0}
    even_year, even_price, decided = {}, {}, {}
    for option in options[1:]:
        even_year[option.id] = _crossing(np.array(repair.by_year), np.array(option.by_year))
        running = option.present_value - option.by_year[0]
        even_price[option.id] = repair.present_value - running
        decided[option.id] = _verdict(option, prices, (low[-1], high[-1]), saved[option.id])
    threshold = wait = None
    if prices.replace_all is not None and prices.discount_rate > 0:
        threshold = replacement_threshold_per_year(cost, prices.replace_all + prices.moving_out, prices.discount_rate)
        wait = years_to_threshold(lambda t: law.intensity(law.record.end + t), threshold)
    cheaper = _cheapest(options, decided)
    if history.fits_model is False:
        cheaper = None
    says, enough = _cost_words(history, prices, options, decided, cheaper, level)
    return CostComparison(
        prices=prices,
        options=tuple(options),
        break_even_year=even_year,
        break_even_price=even_price,
        threshold_leaks_per_year=threshold,
        years_to_threshold=wait,
        cheaper=cheaper,
        says=says,
        enough=enough,
    )


def _discounted(law: PowerLaw, region: _Region, prices: Prices) -> tuple[Array, Array, Array]:
    """Discounted expected leaks up to each coming year (year 0 first): best, low, high."""
    years, rate = prices.horizon_years, prices.discount_rate
    best = law.number * np.cumsum(_yearly_factor(law.record, law.beta, years, rate), axis=1)[0]
    low, high = region.interval(np.cumsum(_yearly_factor(law.record, region.beta, years, rate), axis=1))
    return tuple(np.concatenate([[0.0], x]) for x in (best, low, high))


def _steady_factor(prices: Prices) -> Array:
    """Discounted years: the present value of one a year, spread over each coming year."""
    edges = np.arange(prices.horizon_years + 1.0)
    force = math.log1p(prices.discount_rate)
    if force == 0:
        return np.ones(prices.horizon_years)
    present = np.exp(-force * edges)
    return (present[:-1] - present[1:]) / force


def _option(id: str, name: str, once: float, best: Array, low: Array, high: Array) -> Option:
    return Option(
        id=id,
        name=name,
        present_value=float(once + best[-1]),
        low=float(once + low[-1]),
        high=float(once + high[-1]),
        by_year=tuple(map(float, once + best)),
        low_by_year=tuple(map(float, once + low)),
        high_by_year=tuple(map(float, once + high)),
    )


def _crossing(repair: Array, option: Array) -> float | None:
    """The year, interpolated, in which the running cost of repairing overtakes the option's."""
    behind = option - repair
    for year in range(1, len(behind)):
        if behind[year] <= 0:
            before, after = behind[year - 1], behind[year]
            return float(year - 1 + (before / (before - after) if before > after else 0.0))
    return None


def _verdict(option: Option, prices: Prices, leaks: tuple[float, float], share: float) -> str | None:
    """ "option" or "repair" where the whole interval of leaks to come says the same, else None.

    Both ways of going on meet the same leaks, so the difference is judged, not the two intervals.
    """
    after = option.by_year[-1] - option.by_year[0] if option.id == "all" else 0.0
    differences = [option.by_year[0] + after - share * prices.cost_of_leak * n for n in leaks]
    if max(differences) < 0:
        return "option"
    if min(differences) > 0:
        return "repair"
    return None


def _cheapest(options: list[Option], decided: Mapping[str, str | None]) -> str | None:
    better = [o for o in options[1:] if decided[o.id] == "option"]
    if better:
        return min(better, key=lambda o: o.present_value).id
    if all(verdict == "repair" for verdict in decided.values()):
        return "repair"
    return None


def _cost_words(
    history: LeakHistory,
    prices: Prices,
    options: list[Option],
    decided: Mapping[str, str | None],
    cheaper: str | None,
    level: float,
) -> tuple[str, str]:
    figures = "; ".join(f"{o.name.lower()} {o.present_value:,.0f} ({o.low:,.0f} to {o.high:,.0f})" for o in options)
    lead = f"Present value over {prices.horizon_years} years at {prices.discount_rate:.1%}: {figures}, 95 % limits of the leaks to come. "
    if cheaper == "repair":
        return (
            f"{lead}On these prices and this record, repairing costs less anywhere within the limits. {_book().honest}",
            "",
        )
    if cheaper is not None:
        name = next(o.name for o in options if o.id == cheaper)
        return (
            f"{lead}On these prices and this record, '{name.lower()}' costs less than repairing anywhere within the limits, and least on the best estimate. "
            f"{_book().honest}",
            "",
        )
    if history.fits_model is False:
        return f"{lead}The dates do not follow the model, so nothing is recommended. {_book().honest}", (
            "Tell what changed on the way (pressure, water, repairs of whole runs), and enter only the leaks since then."
        )
    enough = _enough(history.law, prices, options, decided, level)
    return f"{lead}The record does not decide: within its limits either could cost less. {_book().honest}", enough


def _enough(
    law: PowerLaw, prices: Prices, options: list[Option], decided: Mapping[str, str | None], level: float
) -> str:
    """How long a record of the same pattern would decide the first option that is open."""
    option = next(o for o in options[1:] if decided[o.id] is None)
    share = prices.part_share_of_leaks if option.id == "part" else 1.0
    for number in range(law.number + 1, 20 * law.number + 1):
        region = _Region.of(law, level, information=number / law.number)
        _, low, high = _discounted(law, region, prices)
        if _verdict(option, prices, (low[-1], high[-1]), share) is not None:
            return (
                f"About {number} dated leaks of the same pattern would decide about '{option.name.lower()}' ({law.number} are known), "
                "or prices that lie further apart."
            )
    return f"Repairing and '{option.name.lower()}' lie so near to each other that no leak record of a house will decide; firmer prices or the nuisance will."


# ---------------------------------------------------------------- all together


@dataclass(frozen=True, kw_only=True)
class RepairOrReplace:
    """Leak record, cost and the other evidence, for a page and for the two pictures.

    ``observed`` is the picture of leaks so far: ages and the running number. The forecast and the options hold the arrays
    of what is to come.
    """

    history: LeakHistory
    observed: tuple[tuple[float, int], ...]
    costs: CostComparison | None
    persisting: tuple[str, ...]  # causes that go on after one repair, with the reason
    evidence: tuple[str, ...]  # age and wall, in sentences
    recommendation: str
    enough: str


def repair_or_replace(
    quantities: Mapping[str, Any], judgement: Judgement, prices: Prices | None = None, *, years_ahead: int = 10
) -> RepairOrReplace | None:
    """The leak record of the facts against the owner's prices; None where no leak dates or counts are told."""
    record = read_record(quantities)
    if record is None:
        return None
    history = read_history(record, prices.horizon_years if prices else years_ahead)
    costs = compare_costs(history, prices) if prices is not None else None
    persisting = tuple(
        f"{f.name}: {_book().persists[f.cause]}"
        for f in judgement.findings
        if f.standing in ("fits well", "fits") and f.cause in _book().persists
    )
    if history.thin:
        recommendation, enough = f"{history.says} Nothing is recommended on so thin a record.", history.enough
    elif costs is None:
        recommendation = f"{history.says} {_book().honest}"
        enough = "Prices for a repair, the damage of a leak and for replacing the pipe would allow a comparison."
    else:
        recommendation, enough = f"{history.says} {costs.says}", costs.enough
    return RepairOrReplace(
        history=history,
        observed=_observed(record),
        costs=costs,
        persisting=persisting,
        evidence=_evidence(quantities, len(persisting)),
        recommendation=recommendation,
        enough=enough,
    )


def _observed(record: LeakRecord) -> tuple[tuple[float, int], ...]:
    points = [(record.start, 0)]
    if record.times is not None:
        points += [(t, i) for i, t in enumerate(record.times, 1)]
        points.append((record.end, record.number))
    else:
        running = 0
        for _, high, k in record.counts:
            running += k
            points.append((high, running))
    return tuple(points)


def _evidence(quantities: Mapping[str, Any], persisting: int) -> tuple[str, ...]:
    said = []
    if quantities.get("age_years") is not None:
        said.append(
            f"The pipe is {quantities['age_years']:g} years old. Age alone decides nothing: sound copper of a hundred years exists."
        )
    share = quantities.get("remaining_wall_share")
    if share is not None:
        said.append(
            f"At the thinnest place measured {share:.0%} of the nominal wall is left. A new tube may be 8 to 11 % under nominal; one piece speaks for its own run only."
        )
    if persisting > 1:
        said.append(f"{persisting} causes that fit would go on after one repair.")
    return tuple(said)
