"""Discoloured areas of the metal: colour classes under a corrected white, contact marks, the water line, overall stain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analyzer.flags import Flag
from analyzer.measured import Measure
from analyzer.photo import Photo
from analyzer.scale import Calibration
from analyzer.surface import Surface

KINDS = ("contact_mark", "water_line", "overall_stain", "other")  # label in band-labels.png = place + 1
COLOUR_CLASSES = (
    "bright_metal",
    "red_brown_oxide",
    "black_oxide",
    "green_product",
    "blue_green_product",
    "white_scale",
    "rust_stain",
)


@dataclass(frozen=True, kw_only=True)
class Band:
    id: int
    kind: str  # one of KINDS
    colour_class: str  # one of COLOUR_CLASSES
    area_px: float
    share_of_metal: float  # of the seen metal's area, 0..1
    confidence: str  # "clear" or "faint"
    axial_mm: tuple[float, float] | None = None  # extent along the pipe
    around_mm: tuple[float, float] | None = None
    area_mm2: Measure | None = None


@dataclass(frozen=True, kw_only=True)
class Bands:
    bands: tuple[Band, ...]
    labels: np.ndarray  # (H, W) uint8 in the upright photo's frame: 0 none, else place in KINDS + 1
    colour_shares: Mapping[str, float]  # of the examined metal, by COLOUR_CLASSES; adds to 1
    white_source: str  # "card", "grey world"
    flags: tuple[Flag, ...] = ()


def find_bands(photo: Photo, calibration: Calibration, surface: Surface) -> Bands:
    """Find colour classes and bands on the seen metal."""
    raise NotImplementedError
