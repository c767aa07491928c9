"""Pits on metal that is seen without a scale, by a network that learned pits of any size (``models/closeup-likelihood``).

The network tells at each pixel how likely it lies in a pit's mouth and in a mouth's core (its inner half). A large picture is looked
at as it is and at half its size, a small one doubled, and the mean of the logits is taken: what is a pit at one size only is a
texture more often than a pit. A mouth is where the mean lies above 0; it is listed where mouth and core together reach a level.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from scipy import ndimage as ndi

from analyzer.base.network import network
from analyzer.marks.closeup import working_picture
from analyzer.marks.likelihood import model_record

MODEL = "closeup-likelihood"
# Chosen on the open pictures of real pitted steel (half of their places, with weights that had learned from the other half).
DOUBLED_TO_PX = 240  # a picture whose shorter side is no longer than this is doubled
HALVED_FROM_PX = 500  # from this shorter side on the half is looked at too
SUREST_SHARE = 90  # percentile of a mouth's own logits that stands for it
SMALLEST_PX = 12  # area of a mouth in pixels of the working picture
MULTIPLE = 16  # what the network's sides divide by


def available() -> bool:
    return model_record(MODEL) is not None


def version() -> str:
    record = model_record(MODEL)
    assert record is not None
    return str(record["version"])


def confidence(score: np.ndarray) -> np.ndarray:
    """Share of marks of such a score that were pits, (n,), on pictures that the weights had not learned from."""
    record = model_record(MODEL)
    assert record is not None
    table = record["confidence"]
    return 1 / (1 + np.exp(-(table["intercept"] + table["slope"] * score)))


def number() -> tuple[float, float, float]:
    """Pits unseen beside each one seen, the scatter of ln N from picture to picture, and the constant of ``number``."""
    record = model_record(MODEL)
    assert record is not None
    table = record["number"]
    return float(table["unseen"]), float(table["scatter"]), float(table["constant"])


def pit_regions(rgb: np.ndarray, metal: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Outline the pits: (labels, score).

    ``rgb`` is (h, w, 3) uint8, ``metal`` (h, w) bool. ``labels`` is (h, w) int32 with the mouths 1..n, surest first (0 is no pit);
    ``score`` is (n,) float, a mean logit: larger is surer, and it is no calibrated probability.
    """
    record = model_record(MODEL)
    assert record is not None
    small, on, _ = working_picture(rgb, metal, None)
    labels, score = regions(logits(small, network(MODEL)), on, float(record["listed_from"]))
    if labels.shape != metal.shape:
        labels = cv2.resize(labels.astype(np.float32), metal.shape[::-1], interpolation=cv2.INTER_NEAREST).astype(
            np.int32
        )
    labels[~metal] = 0
    kept = np.flatnonzero(np.bincount(labels.ravel(), minlength=score.size + 1)[1:])  # a speck may fall between pixels
    new = np.zeros(score.size + 1, np.int32)
    new[kept + 1] = np.arange(1, kept.size + 1)
    return new[labels], score[kept]


def logits(rgb: np.ndarray, run: Callable[[np.ndarray], list[np.ndarray]]) -> np.ndarray:
    """Mean logits (2, h, w) float32 of mouth and core over the sizes looked at."""
    h, w = rgb.shape[:2]
    side = min(h, w)
    zooms = (2.0,) if side <= DOUBLED_TO_PX else (1.0, 0.5) if side >= HALVED_FROM_PX else (1.0,)
    total = np.zeros((2, h, w), np.float32)
    for zoom in zooms:
        there = rgb
        if zoom != 1:
            how = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
            there = cv2.resize(rgb, (round(w * zoom), round(h * zoom)), interpolation=how)
        rows, columns = there.shape[:2]
        laid = cv2.copyMakeBorder(there, 0, -rows % MULTIPLE, 0, -columns % MULTIPLE, cv2.BORDER_REPLICATE)
        answer = run(cv2.dnn.blobFromImage(laid, 1 / 255.0))[0].reshape(-1, *laid.shape[:2])
        for k, channel in enumerate((0, 2)):
            total[k] += cv2.resize(answer[channel, :rows, :columns], (w, h), interpolation=cv2.INTER_LINEAR)
    return total / len(zooms)


def regions(evidence: np.ndarray, metal: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Mouths (labels, score), surest first, of ``evidence`` (2, h, w): those whose score is ``level`` or more."""
    mouth, core = evidence
    parts, n = ndi.label(ndi.binary_fill_holes((mouth > 0) & metal) & metal, np.ones((3, 3)))
    both = (mouth + core) / 2
    found = []
    for number, box in enumerate(ndi.find_objects(parts), 1):
        own = parts[box] == number
        if own.sum() >= SMALLEST_PX:
            score = float(np.percentile(both[box][own], SUREST_SHARE))
            if score >= level:
                found.append((score, number))
    found.sort(key=lambda one: (-one[0], one[1]))
    new = np.zeros(n + 1, np.int32)
    for place, (_, number) in enumerate(found, 1):
        new[number] = place
    return new[parts], np.array([score for score, _ in found])
