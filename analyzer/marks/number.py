"""How many pits there are, which is not how many are listed: one estimate with one interval.

Every mark that may be a pit counts by its confidence, over the share of pits like it (by how squarely its metal is seen and how
many pixels of the photo it is wide) that is seen at all (Horvitz and Thompson 1952, J. Am. Stat. Assoc. 47, 663):

    N = sum of confidence / share seen

on metal up to SQUARELY_DEG oblique; beyond that too few are seen to reckon from them. Its variance adds what of the marks is
chance (confidence (1 - confidence) / seen^2), what of the seeing is chance (confidence (1 - seen) / seen^2) and the fit of the
share (its coefficients' covariance, scenes as clusters), and in logarithms the scatter from one scene to another. The interval
is taken in ln(N + constant), so that it is never below zero and takes in zero where hardly a mark is sure.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np

from analyzer.base.measured import COVERAGE_95, Measure

SQUARELY_DEG = (
    60.0  # metal up to this oblique is what the number of pits is estimated on; beyond it hardly half are seen
)
FALLS_TO_DEG = 75.0  # the share seen falls with obliquity up to here: the fit is drawn on that far, a judgement


@dataclass(frozen=True, kw_only=True)
class Marks:
    """Every mark that may be a pit. Arrays of n."""

    x_px: np.ndarray  # its place in the upright photo
    y_px: np.ndarray
    confidence: np.ndarray  # that it is a pit
    pit: np.ndarray  # int: its number in the list, 0 where it is too doubtful to be listed
    oblique_deg: np.ndarray  # how far from square its metal is seen
    pixels: (
        np.ndarray
    )  # its diameter by the metal's millimetres a pixel; in pixels of the photo where there is no scale
    spread: np.ndarray  # relative standard uncertainty of that diameter
    unseen: np.ndarray  # how many pits like it go unseen beside each one that is seen: 1 / share seen - 1
    slopes: np.ndarray  # (n, k) change of 1 / share seen with each coefficient of its fit
    covariance: np.ndarray  # (k, k) of those coefficients
    scatter: float  # standard deviation of ln N from one scene to another
    constant: float  # pits by which the logarithm is kept from zero

    def at(self, kept: np.ndarray) -> Self:
        """The marks of which ``kept`` (n,) bool holds."""
        names = ("x_px", "y_px", "confidence", "pit", "oblique_deg", "pixels", "spread", "unseen", "slopes")
        arrays = {name: getattr(self, name)[kept] for name in names}
        return replace(self, **arrays)


def seen_share(table: Mapping[str, Any], oblique_deg: np.ndarray, pixels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(share seen, design) of pits ``oblique_deg`` from square and ``pixels`` wide: logistic, with the coefficients of ``table``.

    ``design`` (n, 3) multiplies the coefficients intercept, oblique (degrees by 90) and ln_pixels.
    """
    design = np.stack([np.ones_like(pixels), oblique_deg / 90, np.log(np.maximum(pixels, 1.0))], -1)
    line = design @ np.array([table["intercept"], table["oblique"], table["ln_pixels"]])
    return 1 / (1 + np.exp(-np.clip(line, -30, 30))), design


def marks_by_learning(
    table: Mapping[str, Any],
    *,
    x_px: np.ndarray,
    y_px: np.ndarray,
    confidence: np.ndarray,
    pit: np.ndarray,
    oblique_deg: np.ndarray,
    pixels: np.ndarray,
    spread: np.ndarray,
) -> Marks:
    """The marks with the share that is seen by the weights' own ``table`` [number] (see ``analyzer.training.pit_calibration``).

    Beyond FALLS_TO_DEG, where no pit was fitted on, the share is taken as it is there.
    """
    seen, design = seen_share(table, np.minimum(oblique_deg, FALLS_TO_DEG), pixels)
    unseen = 1 / seen - 1
    return Marks(
        x_px=x_px,
        y_px=y_px,
        confidence=confidence,
        pit=pit,
        oblique_deg=oblique_deg,
        pixels=pixels,
        spread=spread,
        unseen=unseen,
        slopes=-design * unseen[:, None],
        covariance=np.array(table["covariance"], float),
        scatter=float(table["scatter"]),
        constant=float(table["constant"]),
    )


def number_of_pits(marks: Marks, standing: Mapping[int, float], by_hand: Collection[int], added: int) -> Measure:
    """The estimate with its interval, in whole pits, for the metal that is seen squarely.

    ``standing``: confidence of the pits that stand in the list, by number; a mark listed once and no longer there was taken out
    by a person and is none. ``by_hand``: numbers that a person confirmed; ``added``: pits that a person added, which are some of
    those that were not seen.
    """
    marks = marks.at(marks.oblique_deg <= SQUARELY_DEG)
    confidence = np.array(
        [
            standing.get(int(number), 0.0) if number else sure
            for number, sure in zip(marks.pit, marks.confidence, strict=True)
        ]
    )
    unseen = marks.unseen
    left = max(float((confidence * unseen).sum()) - added, 0.0)
    value = float(confidence.sum()) + added + left
    chance = float((confidence * (1 - confidence) * (1 + unseen) ** 2).sum())
    seeing = float((confidence * unseen * (1 + unseen)).sum())
    slope = (marks.slopes * confidence[:, None]).sum(0)
    fit = float(slope @ marks.covariance @ slope) if confidence.size else 0.0
    # What a person looked at scatters no more from scene to scene.
    looked_at = float(sum(standing.get(number, 0.0) for number in by_hand)) + added
    open_share = 1 - min(looked_at / value, 1.0) if value > 0 else 1.0
    shifted = value + marks.constant
    budget = {
        "pits missed or taken by mistake": math.sqrt(chance + seeing),
        "share of pits that is seen": math.sqrt(max(fit, 0.0)),
        "from scene to scene": marks.scatter * open_share * shifted,
    }
    reach = math.exp(COVERAGE_95 * math.hypot(*budget.values()) / shifted)
    least = max(0.0, shifted / reach - marks.constant, looked_at)
    most = max(least, shifted * reach - marks.constant)
    return Measure(value=value, budget=budget, interval=(float(math.floor(least)), float(math.ceil(most - 1e-9))))
