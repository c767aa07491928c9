"""Colour classes of metal and its products: plain ranges in CIELAB, checked against ``data/colours.csv``."""

from __future__ import annotations

import numpy as np

from analyzer.marks.layout import Cells
from analyzer.piece.surface import Surface

COLOUR_CLASSES = (
    "bright_metal",
    "red_brown_oxide",
    "black_oxide",
    "green_product",
    "blue_green_product",
    "white_scale",
    "rust_stain",
)
# A judgement, no source.
EVEN_STAIN_SHARE = 0.75  # one product over this share of the metal outside the marks is an overall stain


def classify(lab: np.ndarray) -> np.ndarray:
    """Place in COLOUR_CLASSES for CIELAB colours (..., 3), as int8.

    Borders lie between the products of ``data/colours.csv``. Red-brown oxide and rust overlap in hue (30-65 degrees), oxide
    and sulfide and carbon all look black, bright and oxidised copper overlap when matt: a class is a colour word, not a mineral.
    """
    lightness, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    chroma, hue = np.hypot(a, b), np.degrees(np.arctan2(b, a)) % 360
    place = {name: i for i, name in enumerate(COLOUR_CLASSES)}
    out = np.full(lab.shape[:-1], place["red_brown_oxide"], np.int8)
    out[(lightness >= 58) & (chroma >= 8)] = place["bright_metal"]
    out[(hue >= 56) & (hue < 100) & (chroma >= 20) & (lightness < 70)] = place["rust_stain"]
    out[(chroma < 12) & (lightness >= 60)] = place["white_scale"]
    out[(chroma < 12.5) & (lightness < 42)] = place["black_oxide"]
    out[(hue >= 100) & (hue < 187) & (chroma >= 6)] = place["green_product"]
    out[(hue >= 187) & (hue < 300) & (chroma >= 6)] = place["blue_green_product"]
    grey = chroma < 6
    out[grey & (lightness >= 45)] = place["white_scale"]
    out[grey & (lightness < 45)] = place["black_oxide"]
    return out


def shares_by_area(classes: np.ndarray, cells: Cells, surface: Surface) -> dict[str, float]:
    """Share of the examined metal's area by colour class."""
    examined = surface.examined
    if not examined.any():
        return {}
    rows = np.clip(np.rint(cells.row[examined]), 0, classes.shape[0] - 1).astype(np.intp)
    columns = np.clip(np.rint(cells.column[examined]), 0, classes.shape[1] - 1).astype(np.intp)
    area = np.bincount(classes[rows, columns], surface.area_per_px[examined], len(COLOUR_CLASSES))
    return {name: float(area[i] / area.sum()) for i, name in enumerate(COLOUR_CLASSES)}


def overall_stain(classes: np.ndarray, cells: Cells, banded: np.ndarray) -> int | None:
    """The colour class that covers nearly all metal outside the bands, or None.

    Bright metal is no stain and red-brown oxide is the film that all copper in water carries, so neither counts.
    """
    beside = cells.seen & ~banded
    if not beside.any():
        return None
    share = np.bincount(classes[beside], minlength=len(COLOUR_CLASSES)) / beside.sum()
    largest = int(share.argmax())
    usual = COLOUR_CLASSES[largest] in ("bright_metal", "red_brown_oxide")
    return None if usual or share[largest] < EVEN_STAIN_SHARE else largest
