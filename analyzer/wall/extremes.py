"""The deepest pit to expect on the run of pipe: a prediction for the largest of many, from the deepest pit of equal areas.

The deepest pits of equal areas are taken to follow Gumbel's law F(x) = exp(-exp(-(x - location) / scale)), fitted by maximum
likelihood. What is asked is not a parameter of that law but the largest of the areas that nobody has seen, so the interval is a
prediction interval that carries the error of both parameters: for a law of location and scale the distance of that largest from
the fitted location, in fitted scales, has a distribution that hangs on nothing but the number of areas and the share seen
(Antle and Rademaker 1972, Biometrika 59, 475, "An upper confidence limit on the maximum of m future observations from a type I
extreme-value distribution"; Lawless, Statistical Models and Methods for Lifetime Data, on prediction; both from memory). It is
found by simulation with a fixed seed. ``python -m tests.simulate_deepest`` shows how often it holds where depths follow other laws.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import optimize, special

from analyzer.base.flags import InputError

FEWEST = 4  # below it a law of two parameters says nothing
LARGEST_RETURN_PERIOD = (
    500.0  # sampling advice for pits on hot-water copper tube (NIST J. Res. 1994, type-II pits; key R13)
)
LEAST_SAMPLED_SHARE = 0.03  # the same advice: sample about 3 % of the whole
DRAWS = 40_000  # simulated sets of areas for the prediction: its ends are then good to some 2 % of their distance
METHOD = "maximum likelihood"
INTERVAL_METHOD = "prediction interval for the deepest of the run"


class TooFewMaxima(InputError):
    """The maxima do not carry an extrapolation; the text says why."""


@dataclass(frozen=True, kw_only=True)
class GumbelFit:
    """Location and scale in the unit of the data, by a named estimator."""

    method: str
    location: float
    scale: float
    count: int


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


def fit(values: Sequence[float]) -> GumbelFit:
    """The root of the profile score in the scale: scale = mean(x) - sum(x e) / sum(e), e = exp(-x / scale).

    Raises TooFewMaxima where the values do not carry a law of two parameters.
    """
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
    return GumbelFit(method=METHOD, location=_location_given(x, scale), scale=scale, count=len(x))


def _location_given(x: np.ndarray, scale: float) -> float:
    smallest = float(x.min())
    return smallest - scale * math.log(float(np.exp(-(x - smallest) / scale).mean()))


@lru_cache(maxsize=16)
def _pivots(count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For DRAWS samples of ``count`` standard Gumbel values: fitted location, fitted scale, and one standard Gumbel value more."""
    generator = np.random.default_rng(count)
    samples = -np.log(generator.exponential(size=(DRAWS, count)))
    shifted = samples - samples.min(axis=1, keepdims=True)
    middle = shifted.mean(axis=1)
    guess = shifted.std(axis=1, ddof=1) * math.sqrt(6.0) / math.pi
    low, high = guess / 100, guess * 10
    for _ in range(45):  # the root of the profile score by bisection of its logarithm
        scale = np.sqrt(low * high)
        weight = np.exp(-shifted / scale[:, None])
        above = scale > middle - (shifted * weight).sum(axis=1) / weight.sum(axis=1)
        low, high = np.where(above, low, scale), np.where(above, scale, high)
    scale = np.sqrt(low * high)
    location = samples.min(axis=1) - scale * np.log(np.exp(-shifted / scale[:, None]).mean(axis=1))
    return location, scale, -np.log(generator.exponential(size=DRAWS))


def predicted_largest(values: Sequence[float], further: float, *, level: float = 0.95) -> tuple[float, float, float]:
    """(low, middle, high) for the largest of ``further`` more values of the same Gumbel law: it lies between the ends with ``level``.

    ``further`` > 0 is the area not seen by the area of one value. The middle is as likely exceeded as not. Under Gumbel's law
    the interval holds exactly, whatever its parameters (see the module's text). Raises TooFewMaxima.
    """
    if not further > 0:
        raise ValueError("some of the run is not seen")
    made = fit(values)
    location, scale, one = _pivots(made.count)
    distance = (one + math.log(further) - location) / scale
    tail = (1 - level) / 2
    low, middle, high = (made.location + made.scale * float(q) for q in np.quantile(distance, (tail, 0.5, 1 - tail)))
    return low, middle, high


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


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What to expect of the deepest pit of the whole run, in the unit of the maxima."""

    method: str
    value: float  # as likely exceeded as not
    interval_95: tuple[float, float]  # holds the deepest pit itself, not a parameter
    interval_method: str
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
    """The deepest pit over ``area_ratio`` times the area of one maximum, or a refusal with its reason."""

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
    maxima_mm: Sequence[float],
    *,
    block_area_mm2: float,
    whole_area_mm2: float,
    blocks_without_pit: int = 0,
    reading_uncertainty_mm: float = 0.0,
    thickest_mm: float | None = None,
) -> DeepestToExpect:
    """Predict the deepest pit of the whole area (the run in the wall, the house) from the deepest pit of each equal area.

    ``reading_uncertainty_mm``: standard uncertainty of the deepest reading; ``thickest_mm``: the wall, beyond which no pit goes.
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
            f"{blocks_without_pit} of {blocks_without_pit + len(values)} areas {'has' if blocks_without_pit == 1 else 'have'} no measured pit; take larger areas, or measure "
            "the deepest pit in each."
        )
    elif ratio > LARGEST_RETURN_PERIOD:
        refusal = (
            f"The run is {ratio:.0f} times one area, beyond the {LARGEST_RETURN_PERIOD:.0f} that sampling studies of copper tube hold "
            "to; measure larger areas, or ask about a shorter run."
        )
    else:
        try:
            low, middle, high = predicted_largest(values, ratio - len(values))
        except TooFewMaxima as error:
            refusal = str(error)
        else:
            # The piece is a part of the run: its deepest pit is there already, to within what its reading may be off.
            there = max(values)
            # The deepest reading is the one that errs upwards most: as far as one of all of them may (Bonferroni).
            least = there - float(special.ndtri(1 - 0.025 / len(values))) * reading_uncertainty_mm
            ends = (max(low, least), max(high, there))
            if thickest_mm is not None and ends[1] > thickest_mm:
                cautions.append("The upper end is the whole wall: a pit of the run may go through it.")
                ends = (min(ends[0], thickest_mm), thickest_mm)
            value = min(max(middle, there), ends[1])
            estimates.append(
                Expected(method=METHOD, value=value, interval_95=ends, interval_method=INTERVAL_METHOD, fit=fit(values))
            )
            if len(values) < 10:
                cautions.append(f"Only {len(values)} areas: the range is wide because of that.")
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
