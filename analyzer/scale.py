"""From a marker to the camera's pose and to millimetres: scale card, ruler, disc, a marked length, or nothing.

The marker lies on the table, the metal above it. This module knows the marker's plane; ``surface`` carries the scale
to the metal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from analyzer.flags import Flag
from analyzer.measured import Measure
from analyzer.photo import Photo


@dataclass(frozen=True, kw_only=True)
class Marker:
    """What the person says lies beside the piece.

    ``kind``: "auto", "card", "ruler", "disc", "length", "tube" or "none". ``diameter_mm`` for a disc; ``points_px`` (two points in
    the upright photo) and ``length_mm`` for a marked length.
    """

    kind: str = "auto"
    diameter_mm: float | None = None
    points_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    length_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class CrossCheck:
    """An independent look at the scale: what it says, by how much it differs, whether that is within both uncertainties."""

    name: str
    difference_percent: float
    standard_uncertainty_percent: float
    agrees: bool
    sentence: str


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """The camera and the marker's plane.

    The camera frame is OpenCV's: x right, y down, z along the optical axis, millimetres. A point of the marker's plane
    (z = 0 there, its z axis pointing up to the camera) maps by ``rotation @ p + translation_mm``.

    ``method`` is "card", "ruler", "disc", "length" or "none"; with "none" the camera matrix is still given (from the photo's
    own record, or assumed) and pose and scale are None.
    """

    method: str
    camera_matrix: np.ndarray  # (3, 3), pixels
    distortion: np.ndarray  # (5,), OpenCV's order
    focal_source: str  # "exif", "marker" or "assumed"
    rotation: np.ndarray | None  # (3, 3) marker plane to camera
    translation_mm: np.ndarray | None  # (3,)
    marker_plane_height_mm: float  # the marker's face above the table (card 0.3, ruler 2-3, disc its thickness), mm
    mm_per_px_marker: Measure | None  # at the marker's own place
    # Relative standard uncertainties (fractions) by source that the surface carries on, for example
    # {"marker corners": 0.001, "printed size": 0.002, "focal length": 0.01}
    relative_uncertainty: Mapping[str, float] = field(default_factory=dict)
    marker_outlines_px: tuple[np.ndarray, ...] = ()  # (N, 2) polygons in the upright photo, to be left out of the metal
    white_gain: np.ndarray | None = None  # (3,) factors on linear RGB that make the card's paper neutral
    cross_checks: tuple[CrossCheck, ...] = ()
    flags: tuple[Flag, ...] = ()


def find_scale(photo: Photo, marker: Marker = Marker()) -> Calibration:
    """Find the marker and the camera's pose."""
    raise NotImplementedError
