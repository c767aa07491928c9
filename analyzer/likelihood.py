"""How likely each pixel of the metal is a pit's mouth: the learned evidence, run by OpenCV on tiles of one fixed size.

The weights are ``models/pit-likelihood.onnx``; what they are and how they were calibrated stands beside them in
``models/pit-likelihood.toml``, so that better weights replace them without a change of code. Training:
``analyzer/training/pit_likelihood.py``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import cv2
import numpy as np

TILE = 512  # pixels; the network runs on tiles of this one size (OpenCV 5.0 fails when the size changes between calls)
OVERLAP = 64  # pixels that neighbouring tiles share; half of it is context only
MODEL = "pit-likelihood"


@dataclass(frozen=True, kw_only=True)
class Raster:
    """A grid of square pixels over a part of the upright photo, on which pits are looked for.

    Pixel (i, j) of the grid (column, row) lies at ``x_px = origin_px[0] + (i + 0.5) / zoom - 0.5`` of the photo, likewise
    ``y_px``; ``zoom`` is grid pixels per photo pixel.
    """

    origin_px: tuple[int, int]
    zoom: float
    shape: tuple[int, int]  # rows, columns

    def to_photo(self, x: np.ndarray | float, y: np.ndarray | float) -> tuple[Any, Any]:
        """Grid coordinates to the upright photo's, pixel centres at integers in both."""
        return (
            self.origin_px[0] + (x + 0.5) / self.zoom - 0.5,
            self.origin_px[1] + (y + 0.5) / self.zoom - 0.5,
        )

    def from_photo(self, x: np.ndarray | float, y: np.ndarray | float) -> tuple[Any, Any]:
        """The photo's coordinates to the grid's."""
        return (
            (x - self.origin_px[0] + 0.5) * self.zoom - 0.5,
            (y - self.origin_px[1] + 0.5) * self.zoom - 0.5,
        )


def raster_over(origin_px: tuple[int, int], shape: tuple[int, int], zoom: float) -> Raster:
    """The grid over a window of the photo (its first pixel and its rows and columns)."""
    return Raster(
        origin_px=origin_px,
        zoom=zoom,
        shape=(max(1, round(shape[0] * zoom)), max(1, round(shape[1] * zoom))),
    )


def resample(image: np.ndarray, raster: Raster, *, nearest: bool = False) -> np.ndarray:
    """``image`` (h, w) or (h, w, 3) of the raster's window on the raster's grid: area average when it shrinks, cubic when it grows."""
    rows, columns = raster.shape
    if nearest:
        method = cv2.INTER_NEAREST
    else:
        method = cv2.INTER_AREA if raster.zoom < 1 else cv2.INTER_CUBIC
    # The same map as Raster's, also where rounding made the grid a fraction of a pixel longer or shorter.
    if raster.zoom < 1 and not nearest:
        return cv2.resize(image, (columns, rows), interpolation=method)
    matrix = np.array([[1 / raster.zoom, 0, 0.5 / raster.zoom - 0.5], [0, 1 / raster.zoom, 0.5 / raster.zoom - 0.5]])
    return cv2.warpAffine(
        image, matrix, (columns, rows), flags=method | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )


def tiles(metal: np.ndarray) -> list[tuple[int, int]]:
    """Top left corners (x, y) of the fewest tiles that cover the metal, in strips along rows or along columns.

    ``metal`` is bool (rows, columns). Each metal pixel lies in the inner part of a tile, or at the metal's own edge.
    """

    def in_strips(mask: np.ndarray) -> list[tuple[int, int]]:
        """Strips one tile high; each covers its own metal by the fewest tiles side by side."""
        rows = np.flatnonzero(mask.any(axis=1))
        corners: list[tuple[int, int]] = []
        if rows.size == 0:
            return corners
        for top in _starts(int(rows[0]), int(rows[-1]) + 1):
            columns = np.flatnonzero(mask[max(top, 0) : top + TILE].any(axis=0))
            if columns.size == 0:
                continue
            # Metal may leave a gap within a strip (two arms of a bent piece); tiles over the gap are not run.
            breaks = np.flatnonzero(np.diff(columns) > TILE)
            for first, last in zip(np.r_[0, breaks + 1], np.r_[breaks, columns.size - 1], strict=True):
                corners += [(left, top) for left in _starts(int(columns[first]), int(columns[last]) + 1)]
        return corners

    by_rows = in_strips(metal)
    by_columns = [(x, y) for y, x in in_strips(metal.T)]
    return by_rows if len(by_rows) <= len(by_columns) else by_columns


def _starts(low: int, high: int) -> list[int]:
    """Starts of the fewest tiles that cover low..high, spread evenly, neighbours sharing at least OVERLAP."""
    length = high - low
    if length <= TILE:
        return [low - (TILE - length) // 2]
    count = -(-(length - OVERLAP) // (TILE - OVERLAP))
    return [low + round(k * (length - TILE) / (count - 1)) for k in range(count)]


@cache
def model_record(name: str = MODEL) -> Mapping[str, Any] | None:
    """What is known of the weights (version, training data, resolution, calibration); None where the files are missing."""
    folder = resources.files("analyzer").joinpath("models")
    record = folder.joinpath(f"{name}.toml")
    if not record.is_file() or not folder.joinpath(f"{name}.onnx").is_file():
        return None
    return tomllib.loads(record.read_text(encoding="utf-8"))


@cache
def _network(name: str) -> cv2.dnn.Net:
    data = resources.files("analyzer").joinpath("models").joinpath(f"{name}.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))


def learned_logit(rgb: np.ndarray, metal: np.ndarray, *, name: str = MODEL) -> np.ndarray:
    """The network's logit of "pit's mouth" at each pixel of a grid at the weights' resolution.

    ``rgb`` is uint8 (rows, columns, 3), ``metal`` bool (rows, columns). Returns float32 (rows, columns); pixels that no tile
    covers hold -30. Neighbouring tiles are blended over their overlap, with weights that fall to the tile's edge.
    """
    rows, columns = metal.shape
    corners = tiles(metal)
    logit = np.full((rows, columns), -30.0, np.float32)
    if not corners:
        return logit
    network = _network(name)
    ramp = np.minimum(np.arange(TILE) + 0.5, TILE - np.arange(TILE) - 0.5) - OVERLAP / 4
    ramp = np.clip(ramp / (OVERLAP / 4), 1e-3, 1).astype(np.float32)
    window = np.minimum(ramp[:, None], ramp[None, :])
    total = np.zeros((rows, columns), np.float32)
    weight = np.zeros((rows, columns), np.float32)
    for left, top in corners:
        x0, y0, x1, y1 = max(left, 0), max(top, 0), min(left + TILE, columns), min(top + TILE, rows)
        tile = cv2.copyMakeBorder(
            rgb[y0:y1, x0:x1],
            y0 - top,
            top + TILE - y1,
            x0 - left,
            left + TILE - x1,
            cv2.BORDER_REPLICATE,
        )
        network.setInput(cv2.dnn.blobFromImage(tile, 1 / 255.0))
        answer = network.forward().reshape(TILE, TILE)[y0 - top : y1 - top, x0 - left : x1 - left]
        share = window[y0 - top : y1 - top, x0 - left : x1 - left]
        total[y0:y1, x0:x1] += share * answer
        weight[y0:y1, x0:x1] += share
    covered = weight > 0
    logit[covered] = total[covered] / weight[covered]
    return logit
