"""What a candidate is worth: confidence, opening and count, by tables fitted on pictures with truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from analyzer.base.measured import COVERAGE_95, Measure
from analyzer.marks.candidates import Candidates, features
from analyzer.marks.catalogue import SMALLEST_MM, SURE


def _linear(table: Mapping[str, Any], known: Mapping[str, np.ndarray], n: int) -> np.ndarray:
    """Intercept plus weighted sum of the features that a calibration table names."""
    total = np.full(n, float(table["intercept"]))
    for name, weight in table["weights"].items():
        total += float(weight) * known[name]
    return total


def confidence(found: Candidates, record: Mapping[str, Any]) -> np.ndarray:
    """Share of candidates like each of these that were true pits on pictures with truth (logistic; weights in the record)."""
    logit = _linear(record["confidence"], features(found), len(found))
    return 1 / (1 + np.exp(-np.clip(logit, -30, 30)))


def opening(found: Candidates, record: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Opening area on the metal in mm2, and the relative standard uncertainty of the equivalent diameter from its edge.

    The area within the likelihood's level of the mouth, times a factor that was fitted on pictures with truth (blur widens small
    openings, a soft edge hides the mouth's outermost part); the uncertainty is the scatter left there.
    """
    known, n = features(found), len(found)
    factor = np.exp(np.clip(_linear(record["opening"], known, n), -1.0, 1.5))
    spread = np.exp(np.clip(_linear(record["opening_spread"], known, n), math.log(0.02), math.log(0.6)))
    return np.maximum(found.values["area"], 0.01) * factor, spread


def reported(sure: np.ndarray, diameter_mm: np.ndarray, record: Mapping[str, Any]) -> np.ndarray:
    """Which candidates are reported as pits: bool.

    Those of SMALLEST_MM and more whose confidence reaches the record's level, where on pictures with truth as many are reported
    as there are pits; none at all in a picture whose surest candidate is more likely not a pit than one: doubtful marks lie on
    every clean piece.
    """
    large = diameter_mm >= SMALLEST_MM
    if not (large & (sure >= SURE)).any():
        return np.zeros(sure.shape, bool)
    return large & (sure >= record["confidence"]["reported_from"])


def count_of(counted: int, confidences: float, record: Mapping[str, Any]) -> Measure:
    """The count as detected, with the interval that holds the true count of the picture (pits a photo could show).

    Expected true count: the sum of the ``confidences`` of all candidates, times the share that pits without any candidate add.
    Scatter about it as found on pictures with truth: ``variance = constant + per_pit n + (share n)^2`` with n the larger of
    count and expected count; the share differs below and above, for more is missed than taken by mistake.
    """
    table = record["count"]
    expected = confidences * float(table["expected_factor"])
    n = max(float(counted), expected)
    below, above = (
        math.sqrt(table["constant"] + table["per_pit"] * n + (table[share] * n) ** 2)
        for share in ("share_below", "share_above")
    )
    low = min(float(counted), math.floor(max(0.0, expected - COVERAGE_95 * below)))
    high = max(float(counted), math.ceil(expected + COVERAGE_95 * above))
    return Measure(
        value=float(counted), budget={"pits missed or taken by mistake": (below + above) / 2}, interval=(low, high)
    )
