"""Leaks of a house as a repairable system: the power-law process, its trend tests, and the leaks to come.

The model is the power-law process: expected leaks N(t) = lambda t^beta, t the age of the pipe; beta above 1 means that
leaks come faster. The record is a window of that life, with dates or with yearly counts. What is asked of it
(leaks to come, their discounted cost) is always the expected number in the window, mu, times a function of beta: so one
likelihood region of (mu, beta) gives all intervals, and the same code serves dates and counts.

Sources: MIL-HDBK-189 (1981 and C), NIST/SEMATECH handbook 8.4.5.2.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import betainc, gammainc, gammaincinv, lambertw, ndtr

from analyzer.base.flags import InputError
from analyzer.base.words import say
from analyzer.house.leak_record import LeakRecord

# The usual level of intervals, a convention.
LEVEL = 0.95
_BETA_LOW, _BETA_HIGH = 0.02, 200.0  # outside of it the record tells no exponent
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)

Array = np.ndarray


def _chi_square_at(share: Array | float, freedom: int) -> Array:
    """Where the chi-square distribution function reaches ``share``; NaN without a degree of freedom.

    By the incomplete gamma function (NIST/SEMATECH e-Handbook, 1.3.6.6.6): ``scipy.stats`` takes longer to load than all else here.
    """
    return 2 * gammaincinv(freedom / 2, share) if freedom > 0 else np.full(np.shape(share), np.nan)


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
            low, high = _chi_square_at(np.array([(1 - level) / 2, (1 + level) / 2]), freedom) / (2.0 * sum_log)
            return float(low), float(high)
        region = Region.of(self, level)
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

    rows = [(low / record.end, high / record.end, k) for low, high, k in record.counts or () if k]

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
class Region:
    """The likelihood region of (mu, beta): for each beta in it, the range of mu, the expected leaks in the window.

    ``information`` scales the likelihood: 2 means as if twice the record had shown the same pattern.
    """

    beta: Array  # rising
    mu_low: Array
    mu_high: Array

    @classmethod
    def of(cls, law: PowerLaw, level: float, information: float = 1.0) -> Region:
        _, likelihood = _score_and_likelihood(law.record)
        top = float(likelihood(np.array(law.beta)))
        room = float(_chi_square_at(level, 1))

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


def yearly_factor(record: LeakRecord, beta: Array | float, years: int, discount_rate: float) -> Array:
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
    region = Region.of(law, level)
    best = law.number * np.cumsum(yearly_factor(law.record, law.beta, years, 0.0), axis=1)[0]
    factor = np.cumsum(yearly_factor(law.record, region.beta, years, 0.0), axis=1)
    low, high = region.interval(factor)
    wide = Region.of(law, 0.9999)
    _, likelihood = _score_and_likelihood(law.record)
    weight = np.exp(likelihood(wide.beta) - float(likelihood(np.array(law.beta))))
    weight /= weight.sum()
    wide_factor = np.cumsum(yearly_factor(law.record, wide.beta, years, 0.0), axis=1)
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
        return float((weight * betainc(number + 0.5, k + 1.0, 1.0 / (1.0 + factor))).sum())

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
        rows = np.array([(float(low), float(high), float(k)) for low, high, k in record.counts or ()])
        middle, width, k = (rows[:, 0] + rows[:, 1]) / 2.0, rows[:, 1] - rows[:, 0], rows[:, 2]
        share = width / width.sum()
        mean = float((share * middle).sum())
        deviation = math.sqrt(float((share * (middle - mean) ** 2).sum()))
        total, n = float((k * middle).sum()), int(k.sum())
    if n == 0 or deviation == 0:
        return TrendTest(name="Laplace", statistic=0.0, p_value=1.0, says=say("leaks.too_few"))
    u = (total - n * mean) / (deviation * math.sqrt(n))
    return _trend("Laplace", u, 2.0 * float(ndtr(-abs(u))), worsening=u > 0)


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
    low = float(gammainc(n, statistic / 2))
    return _trend("MIL-HDBK-189", statistic, 2.0 * min(low, 1.0 - low), worsening=low < 0.5)


def late_clustering_test(record: LeakRecord) -> TrendTest | None:
    """Exact test of no trend: how late the first of the dated leaks came; None for counts and for fewer than three.

    With no trend the n leaks lie in the window like n uniform draws (Cox and Lewis 1966, conditional uniformity; from
    memory), so the first of them comes after the share u of it with P = (1 - u)^n, an order statistic. Where the
    record ends on a leak that one is not counted; a record that begins on a leak has it left out already. One-sided:
    asked is only whether all leaks crowd into the end. Worked value: three leaks in the last 18 % of the life,
    the record ending later at a date, 0.18^3 = 0.0058; ending on the third, 0.18^2 = 0.032.
    """
    if record.times is None or record.number < 3:
        return None
    times = record.times[:-1] if record.ends_on_leak else record.times
    u = (min(times) - record.start) / record.years
    p = (1.0 - u) ** len(times)
    says = say("leaks.crowds" if p <= 0.05 else "leaks.crowds_not")
    return TrendTest(name="first leak, exact", statistic=u, p_value=p, says=says)


def _trend(name: str, statistic: float, p_value: float, *, worsening: bool) -> TrendTest:
    if p_value > 0.05:
        says = say("leaks.no_trend")
    else:
        says = say("leaks.faster" if worsening else "leaks.rarer")
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


def steady_rate(number: int, years: float, level: float = LEVEL) -> tuple[float, float, float]:
    """Leaks a year and the exact Poisson interval, as if there were no trend. Worked value: none in 10 years, 0 to 0.369."""
    low = float(_chi_square_at((1 - level) / 2, 2 * number)) / 2 if number else 0.0
    high = float(_chi_square_at((1 + level) / 2, 2 * (number + 1))) / 2
    return number / years, low / years, high / years
