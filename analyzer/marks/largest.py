"""The largest pit of the metal that is seen: the largest listed one, with where the true one may lie.

The largest of many has two errors that no single pit has: a mark that is none may stand at the top, and a larger pit may have
been missed or measured too small. So the interval is a prediction for the largest pit that there is. Mark k is a pit with
confidence c, and beside it u pits like it go unseen (see ``number``); a pit like it is wider than x with S(x), lognormal about its
measured diameter. Marks err apart from each other, those unseen fall by chance (Poisson), so that none is wider than x with

    F(x) = product of (1 - c S(x)) * exp(-sum of c u S(x))

(the law of the largest of independent values, David and Nagaraja, Order Statistics, from memory). Its ends are where F is 2.5 and
97.5 %. Nothing in it was fitted for this: confidence, share seen and scatter of the diameters are those of the tables.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import special

from analyzer.base.measured import COVERAGE_95, Measure
from analyzer.marks.catalogue import Pit
from analyzer.marks.number import Marks

OWN_SOURCES = ("outline of the mouth", "pointing", "width as told")  # of a diameter's budget: not shared by other pits
STEPS = 600  # of the logarithm of the width, over which F is drawn up
TAIL = 0.025


def predicted_largest(
    confidence: np.ndarray, diameter_mm: np.ndarray, spread: np.ndarray, unseen: np.ndarray
) -> tuple[float, float]:
    """(low, high) in mm between which the largest pit lies in 95 of 100 cases. Arrays of n, n at least 1.

    ``spread`` is the relative standard uncertainty of each diameter, ``unseen`` the pits like it that go unseen beside each that is
    seen. Where it is as likely as TAIL that no mark is a pit, ``low`` is 0.
    """
    wide = np.maximum(spread, 1e-4)
    middle = np.log(diameter_mm)
    x = np.linspace((middle - 5 * wide).min(), (middle + 5 * wide).max(), STEPS)
    beyond = special.ndtr((middle[None, :] - x[:, None]) / wide[None, :])
    log_f = np.log1p(-np.minimum(confidence * beyond, 1 - 1e-12)).sum(1) - (confidence * unseen * beyond).sum(1)
    f = np.exp(log_f)
    low = 0.0 if f[0] > TAIL else float(np.exp(np.interp(TAIL, f, x)))
    return low, float(np.exp(np.interp(1 - TAIL, f, x)))


def largest_opening(pits: Sequence[Pit], marks: Marks | None, mm_per_px: float) -> Measure | None:
    """Diameter in mm of the largest of ``pits`` (the list, each with its diameter), with the interval of the largest there is.

    None where no pit is listed. ``marks`` with those too doubtful to be listed; a mark that was listed and is no longer was taken
    out by a person and is none.
    """
    known = [(pit, pit.equivalent_diameter_mm) for pit in pits if pit.equivalent_diameter_mm is not None]
    if not known:
        return None
    _, top = max(known, key=lambda pair: pair[1].value)
    shared = math.hypot(*(share for source, share in top.shares.items() if source not in OWN_SOURCES))
    beside: dict[int, float] = {}
    rows: list[tuple[float, float, float, float]] = []
    if marks is not None:
        beside = {int(number): float(u) for number, u in zip(marks.pit, marks.unseen, strict=True) if number}
        rows += [
            (
                float(marks.confidence[k]),
                float(marks.pixels[k]) * mm_per_px,
                float(marks.spread[k]),
                float(marks.unseen[k]),
            )
            for k in np.flatnonzero(marks.pit == 0)
        ]
    for pit, diameter in known:
        own = math.hypot(*(share for source, share in diameter.shares.items() if source in OWN_SOURCES))
        rows.append((pit.confidence, diameter.value, own, beside.get(pit.id, 0.0)))
    low, high = predicted_largest(*np.array(rows, float).T)
    # What all share (the scale) moves the largest as it moves all: side by side, in logarithms, in quadrature.
    common = COVERAGE_95 * shared
    down = math.inf if low <= 0 else math.hypot(max(math.log(top.value / low), 0.0), common)
    up = math.hypot(max(math.log(high / top.value), 0.0), common)
    ends = top.value * math.exp(-down) if math.isfinite(down) else 0.0, top.value * math.exp(up)
    return top.widened(*ends, "a larger one missed, or the largest mistaken")
