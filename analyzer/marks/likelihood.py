"""How likely each pixel of the metal is a pit's mouth: the learned evidence, run on tiles.

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

from analyzer.base.network import network

SIDES = tuple(range(256, 1025, 32))  # sides that a tile may have, pixels; the network halves four times
LARGEST_TILE = 640 * 1024  # pixels: 24 float maps of a tile stay near 60 MB
OVERLAP = 64  # pixels that neighbouring tiles share; half of it is context only
MODEL = "pit-likelihood"


@dataclass(frozen=True, kw_only=True)
class Raster:
    """A grid over a part of the upright photo, on which pits are looked for.

    Pixel (i, j) of the grid (column, row) lies at ``x_px = origin_px[0] + (i + 0.5) / zoom[0] - 0.5`` of the photo, likewise
    ``y_px``; ``zoom`` is grid pixels per photo pixel along x and y, alike but for the rounding to whole pixels.
    """

    origin_px: tuple[int, int]
    zoom: tuple[float, float]
    shape: tuple[int, int]  # rows, columns

    def to_photo(self, x: np.ndarray | float, y: np.ndarray | float) -> tuple[Any, Any]:
        """Grid coordinates to the upright photo's, pixel centres at integers in both."""
        return (
            self.origin_px[0] + (x + 0.5) / self.zoom[0] - 0.5,
            self.origin_px[1] + (y + 0.5) / self.zoom[1] - 0.5,
        )

    def from_photo(self, x: np.ndarray | float, y: np.ndarray | float) -> tuple[Any, Any]:
        """The photo's coordinates to the grid's."""
        return (
            (x - self.origin_px[0] + 0.5) * self.zoom[0] - 0.5,
            (y - self.origin_px[1] + 0.5) * self.zoom[1] - 0.5,
        )

    @property
    def photo_pixels(self) -> float:
        """Photo pixels that one grid pixel covers."""
        return 1 / (self.zoom[0] * self.zoom[1])


def raster_over(origin_px: tuple[int, int], shape: tuple[int, int], zoom: float) -> Raster:
    """The grid over a window of the photo (its first pixel and its rows and columns) that comes nearest to ``zoom``."""
    rows, columns = max(1, round(shape[0] * zoom)), max(1, round(shape[1] * zoom))
    return Raster(origin_px=origin_px, zoom=(columns / shape[1], rows / shape[0]), shape=(rows, columns))


def resample(image: np.ndarray, raster: Raster, *, nearest: bool = False) -> np.ndarray:
    """``image`` (h, w) or (h, w, 3) of the raster's window on its grid: area average when it shrinks, cubic when it grows."""
    method = cv2.INTER_AREA if raster.zoom[0] < 1 else cv2.INTER_CUBIC
    rows, columns = raster.shape
    return cv2.resize(image, (columns, rows), interpolation=cv2.INTER_NEAREST_EXACT if nearest else method)


@dataclass(frozen=True, kw_only=True)
class Tiling:
    """Tiles of one shape (rows, columns) by their top left corners (x, y), which may lie outside the picture."""

    shape: tuple[int, int]
    corners: tuple[tuple[int, int], ...]


def tiling(metal: np.ndarray) -> Tiling:
    """The cheapest tiles of one shape that cover the metal, in strips along rows or along columns.

    ``metal`` is bool (rows, columns). Cheapest: the fewest pixels to run, context included. Neighbouring tiles share at least
    OVERLAP pixels, so each metal pixel lies in the inner part of a tile, or at the metal's own edge.
    """
    if not metal.any():
        return Tiling(shape=(SIDES[0], SIDES[0]), corners=())
    best: tuple[int, bool, int, int, list[tuple[int, int]]] | None = None
    for turned in (False, True):
        mask = metal.T if turned else metal
        rows = np.flatnonzero(mask.any(axis=1))
        low, high = int(rows[0]), int(rows[-1]) + 1
        filled = np.zeros((mask.shape[0] + 1, mask.shape[1]), np.int32)
        np.cumsum(mask, axis=0, out=filled[1:])
        for height in SIDES:
            strips = []
            for top in _starts(low, high, height):
                columns = np.flatnonzero(filled[min(top + height, mask.shape[0])] > filled[max(top, 0)])
                # Metal may leave a gap within a strip (two arms of a bent piece); tiles over the gap are not run.
                breaks = np.flatnonzero(np.diff(columns) > SIDES[0])
                if columns.size:
                    ends = zip(columns[np.r_[0, breaks + 1]], columns[np.r_[breaks, columns.size - 1]] + 1, strict=True)
                    strips += [(top, int(first), int(last)) for first, last in ends]
            for width in SIDES:
                if height * width > LARGEST_TILE:
                    continue
                corners = [(left, top) for top, first, last in strips for left in _starts(first, last, width)]
                cost = len(corners) * height * width
                if best is None or cost < best[0]:
                    best = (cost, turned, height, width, corners)
    assert best is not None
    _, turned, height, width, corners = best
    if turned:
        return Tiling(shape=(width, height), corners=tuple((top, left) for left, top in corners))
    return Tiling(shape=(height, width), corners=tuple(corners))


def _starts(low: int, high: int, size: int) -> list[int]:
    """Starts of the fewest tiles of ``size`` that cover low..high, spread evenly, neighbours sharing at least OVERLAP."""
    length = high - low
    if length <= size:
        return [low - (size - length) // 2]
    count = -(-(length - OVERLAP) // (size - OVERLAP))
    return [low + round(k * (length - size) / (count - 1)) for k in range(count)]


@cache
def model_record(name: str = MODEL) -> Mapping[str, Any] | None:
    """What is known of the weights (version, training data, resolution, calibration); None where the files are missing."""
    folder = resources.files("analyzer").joinpath("models")
    record = folder.joinpath(f"{name}.toml")
    if not record.is_file() or not folder.joinpath(f"{name}.onnx").is_file():
        return None
    return tomllib.loads(record.read_text(encoding="utf-8"))


@cache
def lights_record(looks: int) -> Mapping[str, Any] | None:
    """The calibration of so many photos of one pose looked at together; None where there is none for these weights.

    The tables have the names of those in the weights' own record and take their place.
    """
    record = model_record()
    file = resources.files("analyzer").joinpath("models/pit-lights.toml")
    if record is None or not file.is_file() or looks < 2:
        return None
    tables = tomllib.loads(file.read_text(encoding="utf-8"))
    if tables["weights"] != record["version"]:
        return None
    return dict(tables["two" if looks == 2 else "more"])


def learned_logits(rgb: np.ndarray, metal: np.ndarray, *, name: str = MODEL) -> np.ndarray:
    """The network's logits at each pixel of a grid at the weights' resolution.

    ``rgb`` is uint8 (rows, columns, 3), ``metal`` bool (rows, columns). Returns float32 (channels, rows, columns), the first
    of "pit's mouth", the next (where the weights have them) of "mound" and "core of a pit"; pixels that no tile covers hold
    -30. Neighbouring tiles are blended over their overlap, with weights that fall to the tile's edge. Where the record asks for
    it, each tile is run mirrored too and the mean is taken.
    """
    rows, columns = metal.shape
    plan = tiling(metal)
    height, width = plan.shape
    record = model_record(name) or {}
    channels = len(record.get("channels", ("mouth",)))
    window = np.minimum(_ramp(height)[:, None], _ramp(width)[None, :])
    total = np.zeros((channels, rows, columns), np.float32)
    weight = np.zeros((rows, columns), np.float32)
    for left, top in plan.corners:
        x0, y0, x1, y1 = max(left, 0), max(top, 0), min(left + width, columns), min(top + height, rows)
        tile = cv2.copyMakeBorder(
            rgb[y0:y1, x0:x1],
            y0 - top,
            top + height - y1,
            x0 - left,
            left + width - x1,
            cv2.BORDER_REPLICATE,
        )
        answer = _run(name, tile, channels)
        if record.get("mirrored", False):
            answer = (answer + _run(name, np.ascontiguousarray(tile[:, ::-1]), channels)[:, :, ::-1]) / 2
        part = np.s_[y0 - top : y1 - top, x0 - left : x1 - left]
        total[:, y0:y1, x0:x1] += window[part] * answer[:, *part]
        weight[y0:y1, x0:x1] += window[part]
    covered = weight > 0
    logits = np.full((channels, rows, columns), -30.0, np.float32)
    np.divide(total, weight, out=logits, where=covered)
    return logits


def _ramp(length: int) -> np.ndarray:
    """Weights along a tile: 1 inside, falling over the outer half of the overlap, never quite 0."""
    to_edge = np.minimum(np.arange(length) + 0.5, length - np.arange(length) - 0.5)
    return np.clip((to_edge - OVERLAP / 4) / (OVERLAP / 4), 1e-3, 1).astype(np.float32)


def _run(name: str, tile: np.ndarray, channels: int) -> np.ndarray:
    """The network's answer (channels, rows, columns) on one tile."""
    height, width = tile.shape[:2]
    answer = network(name)(cv2.dnn.blobFromImage(tile, 1 / 255.0))[0]
    return answer.reshape(-1, height, width)[:channels]
