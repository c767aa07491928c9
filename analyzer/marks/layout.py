"""The metal laid out in cells: 0.5 mm along the pipe by 0.25 mm around it, each the mean colour of the pixels that fall into it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from analyzer.base.colour import LINEAR, cielab
from analyzer.piece.restrict import Kept
from analyzer.piece.surface import Surface

CELL_AXIAL_MM = 0.5  # contact marks are 5 mm and wider: their edges need no finer step along the pipe
CELL_AROUND_MM = 0.25  # a water line may be 0.7 mm wide
# Sizes of maps: what the network was made for (analyzer/training/bands.py); the next two are judgements.
ROWS, COLUMNS = 352, 208  # the largest map: 88 mm around by 104 mm along; longer pieces get larger cells
COLUMNS_WITHOUT_SCALE = 150  # without millimetres the piece is laid out as if it were 75 mm long
FINE_ENOUGH_MM = 0.07  # metal seen finer than this is thinned before it is laid out
LEAST_STEP = (
    3.5  # CIELAB distance at a mark's edges and of a line's deposit; a difference under 4 is hardly seen by eye
)


@dataclass(frozen=True, kw_only=True)
class Cells:
    """The metal laid out flat: row = around, column = axial. ``linear`` is linear RGB, ``spread`` its scatter in green within a cell."""

    linear: np.ndarray  # (h, w, 3) float32
    spread: np.ndarray  # (h, w) float32
    seen: np.ndarray  # (h, w) bool
    axial_start: float  # of the first column's edge
    around_start: float
    axial_step: float
    around_step: float
    row: (
        np.ndarray
    )  # (H', W') float32: for each pixel of the surface's window its place in the map, cell centres at integers
    column: np.ndarray


def share_of_cells(kept: Kept, cells: Cells) -> np.ndarray:
    """(h, w) which share of each cell's place in the photo is left in; 0 where no pixel falls into it."""
    inside = (cells.row > -1) & (cells.column > -1)
    height, width = cells.seen.shape
    row = np.clip(np.rint(cells.row[inside]), 0, height - 1).astype(np.intp)
    column = np.clip(np.rint(cells.column[inside]), 0, width - 1).astype(np.intp)
    place, size = row * width + column, height * width
    left = np.bincount(place, kept.allowed[inside], size) / np.maximum(np.bincount(place, minlength=size), 1)
    return left.reshape(height, width)


def lay_out(rgb: np.ndarray, surface: Surface, *, white_gain: np.ndarray | None = None) -> Cells:
    """The metal's mean colour in cells of the unrolled map.

    ``rgb`` (h, w, 3) uint8 is the surface's window of the photo. Cells that hold no pixel take the nearest cell's colour and
    count as not seen.
    """
    metal = surface.metal
    axial_low, axial_high = extent(surface.axial, metal)
    around_low, around_high = extent(surface.around, metal)
    if surface.unit == "mm":
        stretch = max(
            1.0,
            (axial_high - axial_low) / (COLUMNS * CELL_AXIAL_MM),
            (around_high - around_low) / (ROWS * CELL_AROUND_MM),
        )
        axial_step, around_step = CELL_AXIAL_MM * stretch, CELL_AROUND_MM * stretch
    else:
        axial_step = max(1.0, (axial_high - axial_low) / COLUMNS_WITHOUT_SCALE)
        axial_step = max(axial_step, (around_high - around_low) / ROWS * CELL_AXIAL_MM / CELL_AROUND_MM)
        around_step = axial_step * CELL_AROUND_MM / CELL_AXIAL_MM
    column = np.where(metal, (surface.axial - axial_low) / axial_step - 0.5, -9).astype(np.float32)
    row = np.where(metal, (surface.around - around_low) / around_step - 0.5, -9).astype(np.float32)
    shape = (
        min(ROWS, int(np.ceil((around_high - around_low) / around_step)) or 1),
        min(COLUMNS, int(np.ceil((axial_high - axial_low) / axial_step)) or 1),
    )
    mm_per_px = surface.mm_per_px.value if surface.mm_per_px is not None else around_step / 4
    thin = max(1, int(FINE_ENOUGH_MM / mm_per_px)) if surface.unit == "mm" else 1
    some = np.s_[::thin, ::thin]
    i, j = np.rint(row[some]).astype(np.intp), np.rint(column[some]).astype(np.intp)
    inside = metal[some] & (i >= 0) & (i < shape[0]) & (j >= 0) & (j < shape[1])
    cell = i[inside] * shape[1] + j[inside]
    size = shape[0] * shape[1]
    colours = LINEAR[rgb[some][inside]]
    if white_gain is not None:
        colours = colours * np.asarray(white_gain, np.float32)
    count = np.bincount(cell, minlength=size)
    number = np.maximum(count, 1)
    linear = np.stack([np.bincount(cell, colours[:, k], size) / number for k in range(3)], -1)
    spread = np.sqrt(np.maximum(np.bincount(cell, colours[:, 1] ** 2, size) / number - linear[:, 1] ** 2, 0))
    seen = (count > 0).reshape(shape)
    nearest = ndimage.distance_transform_edt(~seen, return_distances=False, return_indices=True)
    return Cells(
        linear=linear.reshape(*shape, 3).astype(np.float32)[tuple(nearest)],
        spread=spread.reshape(shape).astype(np.float32)[tuple(nearest)],
        seen=seen,
        axial_start=axial_low,
        around_start=around_low,
        axial_step=axial_step,
        around_step=around_step,
        row=row,
        column=column,
    )


def extent(values: np.ndarray, where: np.ndarray) -> tuple[float, float]:
    """Lowest and highest value, without the outermost 0.02 % on each side (stray pixels of an outline)."""
    low, high = np.percentile(values[where][::7] if where.sum() > 7000 else values[where], (0.02, 99.98))
    return float(low), float(high)


def to_pixels(field: np.ndarray, cells: Cells) -> np.ndarray:
    """bool in the surface's window: where the map's field is over one half, between cells linearly."""
    padded = cv2.copyMakeBorder(field.astype(np.float32), 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    return cv2.remap(padded, cells.column + 1, cells.row + 1, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT) > 0.5


def look_of(cells: Cells) -> np.ndarray:
    """(h, w, 4): CIELAB at a common exposure, and the roughness within the cell on a like scale."""
    exposure = 0.35 / max(float(np.percentile(cells.linear[cells.seen].mean(-1), 80)), 1e-4)
    rough = 30 * np.clip(cells.spread / (cells.linear[..., 1] + 0.02), 0, 1)
    return np.concatenate([cielab(cells.linear * exposure), rough[..., None]], -1)
