"""The deepest pit to expect beyond the piece seen: Gumbel's law on the deepest pit of equal areas.

F(x) = exp(-exp(-(x - location) / scale)). The estimators are named with each value, because on few maxima they differ widely:
the same ten numbers give 22 to 28 at a return period of 100. ``BLUE`` is Lieblein's best linear unbiased estimate.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from analyzer.base.flags import InputError

EULER = 0.5772156649015329  # Euler's constant, the mean of the standard Gumbel law
ESTIMATORS = ("moments", "maximum likelihood", "L-moments", "Lieblein BLUE")
FEWEST = 4  # the smallest set of published linear-unbiased weights; below it a law of two parameters says nothing
LARGEST_RETURN_PERIOD = (
    500.0  # sampling advice for pits on hot-water copper tube (NIST J. Res. 1994, type-II pits; key R13)
)
LEAST_SAMPLED_SHARE = 0.03  # the same advice: sample about 3 % of the whole
SPREAD_TO_MODE = 1.0 / 3.0  # the same advice: keep the standard error below a third of the value

# Weights on ascending order statistics: location = sum a x, scale = sum b x; and the variances over scale squared.
# Lieblein 1954 by method; figures by numerical integration of the order statistics' moments, equal to those recalled to 3e-5.
BLUE: dict[int, tuple[tuple[float, ...], tuple[float, ...]]] = {
    4: ((0.511002, 0.263934, 0.153683, 0.071380), (-0.558623, 0.085917, 0.223906, 0.248800)),
    5: ((0.418941, 0.246269, 0.167617, 0.108822, 0.058351), (-0.503134, 0.006557, 0.130435, 0.181655, 0.184486)),
    6: (
        (0.355460, 0.225463, 0.165640, 0.121046, 0.083522, 0.048868),
        (-0.459283, -0.035954, 0.073161, 0.126735, 0.149530, 0.145811),
    ),
    10: (
        (0.222905, 0.162210, 0.133909, 0.112875, 0.095634, 0.080612, 0.066983, 0.054192, 0.041751, 0.028930),
        (-0.347867, -0.090971, -0.019439, 0.022235, 0.048692, 0.066073, 0.077018, 0.082764, 0.083551, 0.077944),
    ),
}


class TooFewMaxima(InputError):
    """The maxima do not carry an extrapolation; the text says why."""


@dataclass(frozen=True, kw_only=True)
class GumbelFit:
    """Location and scale in the unit of the data, by a named estimator."""

    method: str
    location: float
    scale: float
    count: int

    def return_level(self, period: float) -> float:
        """x(T) = location + scale * y with y = -ln(-ln(1 - 1/T)), for T above 1; source Roberge 2008, Corrosion Engineering, chapter on extreme values.

        >>> fit = GumbelFit(method="maximum likelihood", location=3.86944, scale=0.19489, count=65)
        >>> round(fit.return_level(100), 3)
        4.766
        """
        return self.location + self.scale * reduced_variate(period)

    def mode_of_largest(self, ratio: float) -> float:
        """The most likely largest value over ``ratio`` times the area of one maximum: location + scale * ln(ratio)."""
        return self.location + self.scale * math.log(ratio)

    def probability_above(self, level: float, ratio: float = 1.0) -> float:
        """1 - exp(-exp(-(level - location - scale ln ratio) / scale)): the deepest pit of ``ratio`` areas goes beyond ``level``.

        Under the fitted law alone; nothing calibrated it, so it is not shown to a person as a probability.
        """
        return -math.expm1(-math.exp(-(level - self.location - self.scale * math.log(ratio)) / self.scale))


def reduced_variate(period: float) -> float:
    """y = -ln(-ln(1 - 1/T)). T = 100 gives 4.600 (textbook).

    >>> round(reduced_variate(100), 3)
    4.6
    """
    if not period > 1.0:
        raise ValueError("a return period is above 1")
    return -math.log(-math.log1p(-1.0 / period))


def _checked(values: Sequence[float]) -> np.ndarray:
    x = np.sort(np.asarray(values, dtype=float))
    if x.ndim != 1 or not np.isfinite(x).all():
        raise InputError("A maximum is not a number; give one depth for each area.")
    if len(x) < FEWEST:
        raise TooFewMaxima(
            f"Only {len(x)} areas have a measured deepest pit; at least {FEWEST} are needed, and about 10 for a useful answer: "
            "measure the deepest pit in more equal areas."
        )
    if x[-1] - x[0] <= 1e-12 * max(1.0, abs(x[-1])):
        raise TooFewMaxima(
            "All areas have the same deepest pit, so nothing tells how much deeper one can get: measure more finely."
        )
    return x


def fit_moments(values: Sequence[float]) -> GumbelFit:
    """scale = s sqrt(6) / pi with the sample deviation s (n - 1), location = mean - 0.57722 scale (the same source)."""
    x = _checked(values)
    scale = float(x.std(ddof=1)) * math.sqrt(6.0) / math.pi
    return GumbelFit(method="moments", location=float(x.mean()) - EULER * scale, scale=scale, count=len(x))


def fit_maximum_likelihood(values: Sequence[float]) -> GumbelFit:
    """The root of the profile score in the scale: scale = mean(x) - sum(x e) / sum(e), e = exp(-x / scale)."""
    x = _checked(values)
    shifted = x - x.mean()

    def score(scale: float) -> float:
        weight = np.exp(-(shifted - shifted.min()) / scale)
        return scale - (shifted.mean() - float((shifted * weight).sum() / weight.sum()))

    guess = float(x.std(ddof=1)) * math.sqrt(6.0) / math.pi
    low, high = guess, guess
    while score(low) > 0:
        low /= 2.0
    while score(high) < 0:
        high *= 2.0
    scale = float(optimize.brentq(score, low, high, xtol=1e-14 * guess, rtol=1e-13))
    return GumbelFit(method="maximum likelihood", location=_location_given(x, scale), scale=scale, count=len(x))


def _location_given(x: np.ndarray, scale: float) -> float:
    smallest = float(x.min())
    return smallest - scale * math.log(float(np.exp(-(x - smallest) / scale).mean()))


def fit_l_moments(values: Sequence[float]) -> GumbelFit:
    """scale = L2 / ln 2, location = mean - 0.57722 scale, with the unbiased sample L-moment L2 (Hosking 1990, from memory)."""
    x = _checked(values)
    n = len(x)
    second = float((x * np.arange(n)).sum()) / (n * (n - 1))
    scale = (2.0 * second - float(x.mean())) / math.log(2.0)
    return GumbelFit(method="L-moments", location=float(x.mean()) - EULER * scale, scale=scale, count=n)


def fit_blue(values: Sequence[float]) -> GumbelFit:
    """Lieblein's best linear unbiased weights on the ordered maxima, for 4, 5, 6 or 10 of them; InputError for other counts."""
    x = _checked(values)
    if len(x) not in BLUE:
        raise InputError(
            f"The linear-unbiased weights are tabled for {', '.join(map(str, BLUE))} maxima, not for {len(x)}; use another estimator."
        )
    a, b = BLUE[len(x)]
    return GumbelFit(method="Lieblein BLUE", location=float(np.dot(a, x)), scale=float(np.dot(b, x)), count=len(x))


_FITS: dict[str, Callable[[Sequence[float]], GumbelFit]] = dict(
    zip(ESTIMATORS, (fit_moments, fit_maximum_likelihood, fit_l_moments, fit_blue), strict=True)
)


def fit(values: Sequence[float], method: str) -> GumbelFit:
    """Fit by one of ESTIMATORS. InputError (TooFewMaxima) where the data do not carry it."""
    if method not in _FITS:
        raise InputError(f"There is no estimator called {method!r}; use {', '.join(ESTIMATORS)}.")
    made = _FITS[method](values)
    if not made.scale > 0.0:
        raise TooFewMaxima(
            f"The {method} estimate of the spread is not positive; the maxima do not follow Gumbel's law."
        )
    return made


def fits(values: Sequence[float]) -> tuple[GumbelFit, ...]:
    """By every estimator that has weights for this count."""
    _checked(values)
    return tuple(fit(values, method) for method in ESTIMATORS if method != "Lieblein BLUE" or len(values) in BLUE)


def likelihood_standard_error(made: GumbelFit, period: float) -> float:
    """scale * sqrt((1.1087 + 0.5140 y + 0.6079 y^2) / n): of a maximum-likelihood return level, from Fisher's information.

    ASTM E2283 prints 1.109, 0.514, 0.608 (from memory). Port Pirie, T = 100:

    >>> made = GumbelFit(method="maximum likelihood", location=3.86944, scale=0.19489, count=65)
    >>> round(likelihood_standard_error(made, 100), 3)
    0.098
    """
    y = reduced_variate(period)
    return made.scale * math.sqrt((1.1087 + 0.5140 * y + 0.6079 * y * y) / made.count)


def profile_interval(values: Sequence[float], period: float, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of the return level by profile likelihood: where twice the log-likelihood drops by the chi-square quantile."""
    x = _checked(values)
    y = reduced_variate(period)
    best = fit_maximum_likelihood(x)

    def negative(location: float, scale: float) -> float:
        z = (x - location) / scale
        return len(x) * math.log(scale) + float(z.sum() + np.exp(-z).sum())

    floor = negative(best.location, best.scale)
    drop = 0.5 * float(stats.chi2.ppf(confidence, 1))

    def profile(level: float) -> float:
        def over(log_scale: float) -> float:
            scale = math.exp(log_scale)
            return min(negative(level - scale * y, scale), 1e300)

        at = math.log(best.scale)
        with np.errstate(over="ignore"):
            found = optimize.minimize_scalar(
                over, bounds=(at - 4.0, at + 4.0), method="bounded", options={"xatol": 1e-10}
            )
        return float(found.fun) - floor - drop

    centre = best.return_level(period)
    step = likelihood_standard_error(best, period)
    ends = []
    for sign in (-1.0, 1.0):
        reach = step
        while profile(centre + sign * reach) < 0.0:
            reach *= 1.6
        ends.append(float(optimize.brentq(profile, *sorted((centre, centre + sign * reach)), xtol=1e-8)))
    return (ends[0], ends[1])


def bootstrap_interval(
    values: Sequence[float],
    period: float,
    method: str,
    *,
    confidence: float = 0.95,
    draws: int = 2000,
    seed: int = 20240,
) -> tuple[float, float]:
    """Parametric bootstrap of the return level under the fitted law by the same estimator; the seed makes it repeatable."""
    made = fit(values, method)
    generator = np.random.default_rng(seed)
    samples = made.location - made.scale * np.log(generator.exponential(size=(draws, made.count)))
    y = reduced_variate(period)
    estimated = made.location + made.scale * y
    levels = []
    for sample in samples:
        again = _FITS[method](sample)
        # pivot on the scale: the spread of the estimate in units of its own scale
        levels.append((again.location + again.scale * y - estimated) / again.scale)
    low, high = np.quantile(levels, [0.5 - confidence / 2, 0.5 + confidence / 2])
    return (float(estimated - high * made.scale), float(estimated - low * made.scale))


def plotting_positions(count: int, rule: str = "weibull") -> np.ndarray:
    """Cumulative probability of each ordered maximum: weibull i/(n+1) (corrosion practice), gringorten or hazen."""
    i = np.arange(1, count + 1)
    if rule == "weibull":
        return i / (count + 1.0)
    if rule == "gringorten":
        return (i - 0.44) / (count + 0.12)
    if rule == "hazen":
        return (i - 0.5) / count
    raise ValueError(f"no plotting position called {rule}")


def probability_plot(values: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """(reduced variate, ordered maxima) of a Gumbel probability plot, on which Gumbel's law is a straight line."""
    x = _checked(values)
    return -np.log(-np.log(plotting_positions(len(x)))), x


def finite_sample_level(values: Sequence[float], period: float) -> float:
    """Gumbel's textbook method for few values: mean + s (y - yn) / sn, yn and sn of the Weibull plotting positions.

    Kept as a cross-check against a printed example (key R70), not used for results.
    """
    x = _checked(values)
    reduced = -np.log(-np.log(plotting_positions(len(x))))
    y = reduced_variate(period)
    return float(x.mean() + x.std(ddof=1) * (y - reduced.mean()) / reduced.std(ddof=0))


@dataclass(frozen=True, kw_only=True)
class Expected:
    """One estimate of the deepest pit over a larger area, in the unit of the maxima."""

    method: str
    value: float  # return level at the area ratio
    interval_95: tuple[float, float]
    interval_method: str  # "profile likelihood" or "parametric bootstrap"
    fit: GumbelFit

    def as_json(self) -> dict[str, object]:
        return {
            "method": self.method,
            "value_mm": self.value,
            "interval_95_mm": list(self.interval_95),
            "interval_method": self.interval_method,
            "location_mm": self.fit.location,
            "scale_mm": self.fit.scale,
        }


@dataclass(frozen=True, kw_only=True)
class DeepestToExpect:
    """The deepest pit over ``area_ratio`` times the area of one maximum, by every estimator, or a refusal with its reason."""

    maxima_mm: tuple[float, ...]
    block_area_mm2: float
    whole_area_mm2: float
    area_ratio: float
    estimates: tuple[Expected, ...]
    refusal: str | None
    cautions: tuple[str, ...]

    def as_json(self) -> dict[str, object]:
        return {
            "maxima_mm": list(self.maxima_mm),
            "block_area_mm2": self.block_area_mm2,
            "whole_area_mm2": self.whole_area_mm2,
            "area_ratio": self.area_ratio,
            "estimates": [estimate.as_json() for estimate in self.estimates],
            "refusal": self.refusal,
            "cautions": list(self.cautions),
        }


def deepest_to_expect(
    maxima_mm: Sequence[float], *, block_area_mm2: float, whole_area_mm2: float, blocks_without_pit: int = 0
) -> DeepestToExpect:
    """Extrapolate the deepest pit of each equal area to the whole area (the run in the wall, the house).

    Nothing is computed, and ``refusal`` says why, with too few maxima, with areas that hold no measured pit (their maximum is
    not known), or beyond the return period that the literature holds to.
    """
    if not (math.isfinite(block_area_mm2) and block_area_mm2 > 0 and math.isfinite(whole_area_mm2)):
        raise InputError("Give the area of one block and of the whole run in square millimetres, both above 0.")
    ratio = whole_area_mm2 / block_area_mm2
    refusal: str | None = None
    cautions: list[str] = []
    estimates: list[Expected] = []
    values = [float(value) for value in maxima_mm]
    if ratio <= 1.0:
        raise InputError(
            "The whole run is not larger than one of the areas measured; give the length of the run in the wall."
        )
    if blocks_without_pit:
        refusal = (
            f"{blocks_without_pit} of {blocks_without_pit + len(values)} areas have no measured pit; take larger areas, or measure "
            "the deepest pit in each."
        )
    elif ratio > LARGEST_RETURN_PERIOD:
        refusal = (
            f"The run is {ratio:.0f} times one area, beyond the {LARGEST_RETURN_PERIOD:.0f} that sampling studies of copper tube hold "
            "to; measure larger areas, or ask about a shorter run."
        )
    else:
        try:
            made = fits(values)
        except TooFewMaxima as error:
            refusal = str(error)
            made = ()
        for one in made:
            if one.method == "maximum likelihood":
                interval, how = profile_interval(values, ratio), "profile likelihood"
            else:
                interval, how = bootstrap_interval(values, ratio, one.method), "parametric bootstrap"
            estimates.append(
                Expected(
                    method=one.method,
                    value=one.return_level(ratio),
                    interval_95=interval,
                    interval_method=how,
                    fit=one,
                )
            )
        if made:
            likely = next(one for one in made if one.method == "maximum likelihood")
            if likelihood_standard_error(likely, ratio) > SPREAD_TO_MODE * likely.mode_of_largest(ratio):
                estimates = []
                refusal = "The standard error is more than a third of the estimate: measure more or larger areas."
            elif len(values) < 10:
                cautions.append(f"Only {len(values)} maxima: the estimators differ, and each interval is wide.")
            if len(values) * block_area_mm2 < LEAST_SAMPLED_SHARE * whole_area_mm2:
                cautions.append(
                    "Less than 3 % of the run was sampled; sampling studies of copper tube ask for about that much."
                )
    cautions.append("It holds only where the run had the same water, flow and surroundings as the piece.")
    return DeepestToExpect(
        maxima_mm=tuple(values),
        block_area_mm2=block_area_mm2,
        whole_area_mm2=whole_area_mm2,
        area_ratio=ratio,
        estimates=tuple(estimates),
        refusal=refusal,
        cautions=tuple(cautions),
    )


def block_maxima(
    axial_mm: Sequence[float], depth_mm: Sequence[float], *, length_mm: float, blocks: int
) -> tuple[tuple[float, ...], int]:
    """The deepest pit of each of ``blocks`` equal lengths of the unrolled map: (maxima, blocks without a measured pit).

    Equal lengths of one tube are equal areas where the same width is seen along it.
    """
    if blocks < 1 or not length_mm > 0:
        raise InputError("Divide the piece into at least one length above 0 mm.")
    place, depth = np.asarray(axial_mm, float), np.asarray(depth_mm, float)
    index = np.clip((place / length_mm * blocks).astype(int), 0, blocks - 1)
    found = [float(depth[index == k].max()) for k in range(blocks) if (index == k).any()]
    return tuple(found), blocks - len(found)
