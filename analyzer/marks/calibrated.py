"""What a candidate is worth: confidence and opening, by tables fitted on pictures with truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from analyzer.marks.candidates import Candidates, features
from analyzer.marks.catalogue import SMALLEST_MM

# A picture is taken to show pits when one mark is at least this sure. On 93 training scenes, where two marks of three that are
# stated so sure are pits, no picture with pits loses its list by it, and 2 of 13 without keep one (at 0.5: 5).
SHOWS_PITS = 0.7


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

    Those of SMALLEST_MM and more whose confidence reaches the record's level, where on pictures with truth the list has the best
    F1 (how many pits there are is estimated apart, see ``number``); none at all in a picture in which no candidate is sure enough
    (SHOWS_PITS): doubtful marks lie on every clean piece.
    """
    large = diameter_mm >= SMALLEST_MM
    if not (large & (sure >= SHOWS_PITS)).any():
        return np.zeros(sure.shape, bool)
    return large & (sure >= record["confidence"]["reported_from"])
