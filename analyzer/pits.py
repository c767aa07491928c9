"""Pits: seeds, outlines, splitting and the catalogue, from a likelihood of pit at each pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer.flags import Flag
from analyzer.measured import Measure
from analyzer.photo import Photo
from analyzer.scale import Calibration
from analyzer.surface import Surface


@dataclass(frozen=True, kw_only=True)
class Pit:
    """One pit's mouth. Lengths in millimetres on the metal are None where the photo has no scale; pixel figures always stand."""

    id: int  # its label in ``PitCatalogue.labels``
    x_px: float  # centre of the mouth in the upright photo, pixel centres at integers
    y_px: float
    opening_area_px: float
    equivalent_diameter_px: float
    confidence: float  # share of candidates like this one that were true pits on pictures with truth; see training notes
    through: bool | None  # light or background seen through it; None where one photo cannot say
    obliquity_deg: float
    contrast: float  # CIELAB distance between the mouth and the ring round it
    axial_mm: float | None = None
    around_mm: float | None = None
    opening_area_mm2: Measure | None = None
    equivalent_diameter_mm: Measure | None = None
    length_mm: Measure | None = None
    width_mm: Measure | None = None
    orientation_deg: float | None = None  # of the long axis on the metal, from +axial towards +around, -90..90


@dataclass(frozen=True, kw_only=True)
class Mound:
    """A mound of corrosion product (tubercle): not a pit, but it may hide one."""

    id: int
    x_px: float
    y_px: float
    area_px: float
    colour_class: str
    axial_mm: float | None = None
    around_mm: float | None = None
    area_mm2: Measure | None = None


@dataclass(frozen=True, kw_only=True)
class PitCatalogue:
    """All pits and mounds of one photo. Nothing found is an empty catalogue."""

    pits: tuple[Pit, ...]
    mounds: tuple[Mound, ...]
    labels: np.ndarray  # (H, W) uint16 in the upright photo's frame; 0 is no pit
    count: Measure  # pits at or above the smallest counted size, with the interval of the count as detected
    smallest_counted_mm: float | None  # 0.3 mm where the picture resolves it, else larger; None without a scale
    evidence: str  # "learned" or "contrast"
    evidence_version: str  # the weights' version, or the settings' name
    flags: tuple[Flag, ...] = ()


def find_pits(photo: Photo, calibration: Calibration, surface: Surface) -> PitCatalogue:
    """Find the pits on the seen metal."""
    raise NotImplementedError
