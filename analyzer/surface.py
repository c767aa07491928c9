"""Where the metal is: the piece's outline, its cylinder, and the unrolled map in ``axial_mm`` by ``around_mm``."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer.flags import Flag
from analyzer.measured import Measure
from analyzer.photo import Photo
from analyzer.scale import Calibration, CrossCheck
from analyzer.tables import Tube

GRAZING_DEG = 70.0  # metal more oblique than this is seen but not examined


@dataclass(frozen=True, kw_only=True)
class Surface:
    """The metal that is seen, pixel by pixel, within a window of the upright photo.

    All arrays are read-only and have the shape of the window (h, w); the window's first pixel is ``origin_px`` (x, y) of the
    upright photo. Outside the metal the arrays hold NaN and must not be read without ``metal``.
    With a scale, lengths are millimetres on the metal. Without one ``unit`` is "px", one pixel counts 1 x 1, obliquity is 0.

    Frame on the metal: ``axial`` runs along the pipe's axis from 0 at one end (the end nearer to the photo's left edge; for an
    axis within 10 degrees of upright, the upper end), ``around`` runs along the curved surface, 0 at the line nearest to the
    camera when the piece lies as photographed (bottom of a bore, top of an outside, the middle of a flat piece), positive to the right of
    the direction of growing ``axial`` as seen in the photo.
    """

    view: str  # "inside", "outside", "flat" or "end"
    view_source: str  # "told" or "judged from the picture"
    unit: str  # "mm" or "px"
    origin_px: tuple[int, int]
    metal: np.ndarray  # bool: pitted surface that is seen (no sawn rim, tape, solder, marker, table, other side)
    axial: np.ndarray  # float32
    around: np.ndarray  # float32
    obliquity_deg: np.ndarray  # float32: between the metal's normal and the line of sight
    area_per_px: np.ndarray  # float32: metal area that one pixel covers, unit squared
    radius_mm: float | None  # of the examined face (bore or outside); None for a flat piece or without a scale
    mm_per_px: Measure | None  # median over the seen metal of depth along the optical axis by focal length in pixels
    seen_area: Measure  # unit squared
    examined_area: Measure  # without metal more than GRAZING_DEG oblique
    axial_length: Measure  # along the axis, unit
    outline_px: np.ndarray  # (N, 2) float32: outline of the seen metal in the upright photo
    cross_checks: tuple[CrossCheck, ...] = ()
    flags: tuple[Flag, ...] = ()

    @property
    def examined(self) -> np.ndarray:
        """bool (h, w): the metal that density and counts refer to."""
        with np.errstate(invalid="ignore"):
            return self.metal & (self.obliquity_deg <= GRAZING_DEG)


def find_surface(
    photo: Photo, calibration: Calibration, *, view: str | None = None, tube: Tube | None = None
) -> Surface:
    """Find the piece and cast its surface into the photo."""
    raise NotImplementedError


def unrolled(surface: Surface, image: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
    """The picture laid out flat: (map, seen), ``axial`` to the right, ``around`` downwards, ``step`` units a pixel.

    ``image`` is (H, W) or (H, W, 3) in the upright photo's frame; where nothing is seen the map is 0 and ``seen`` False.
    """
    raise NotImplementedError
