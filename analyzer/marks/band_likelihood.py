"""How much each cell looks like a contact mark, the water line or tape: a small learned net (``models/bands.onnx``)."""

from __future__ import annotations

import numpy as np
from scipy import special

from analyzer.base.colour import cielab
from analyzer.base.network import network
from analyzer.marks.layout import COLUMNS, ROWS, Cells

MAP_ROWS = (160, ROWS)  # the net runs on maps of these heights; 40 mm around holds most bores


def features(linear: np.ndarray, spread: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """What the net reads: (11, h, w) float32.

    CIELAB at a common exposure; the same less its median along each row (takes out the shading round the pipe, so a mark
    across stands out) and along each column (so a line lengthwise stands out); roughness within the cell; seen or not.
    """
    exposure = 0.35 / max(float(np.percentile(linear[seen].mean(-1), 80)), 1e-4)
    lab = cielab(linear * exposure)
    stack = np.empty((11, *seen.shape), np.float32)
    stack[0:3] = ((lab - (50, 0, 0)) / (50, 30, 30)).transpose(2, 0, 1)
    stack[3:6] = ((lab - _median(lab, seen, 1)) / 20).transpose(2, 0, 1)
    stack[6:9] = ((lab - _median(lab, seen, 0)) / 20).transpose(2, 0, 1)
    stack[9] = np.clip(spread / (linear[..., 1] + 0.02), 0, 1) * 2
    stack[10] = seen
    return stack * seen


def _median(lab: np.ndarray, seen: np.ndarray, axis: int) -> np.ndarray:
    """Median along an axis over the seen cells, 0 where none is seen."""
    none = np.asarray(~seen.any(axis=axis, keepdims=True))
    masked = np.where((seen | none)[..., None], lab, np.nan)
    median = np.nanmedian(masked, axis=axis, keepdims=True)
    return np.where(none[..., None], 0.0, median)


def likelihoods(cells: Cells) -> np.ndarray:
    """(3, h, w) float32, 0..1: how much each cell looks like a contact mark, like the water line, like tape or solder.

    The mean of the log-odds over the map and its three mirror images: a band has no side of its own.
    """
    height, width = cells.seen.shape
    rows = next(r for r in MAP_ROWS if r >= height)
    read = features(cells.linear, cells.spread, cells.seen)
    net = network("bands")
    odds = np.zeros((3, height, width), np.float32)
    for mirrored in (np.s_[:, :, :], np.s_[:, ::-1, :], np.s_[:, :, ::-1], np.s_[:, ::-1, ::-1]):
        batch = np.zeros((1, 11, rows, COLUMNS), np.float32)
        batch[0, :, :height, :width] = read[mirrored]
        odds += net(batch)[0][0, :, :height, :width][mirrored] / 4
    return special.expit(odds)
