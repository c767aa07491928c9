"""The metal that is seen, pixel by pixel: what every later stage reads of the piece."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypedDict

import cv2
import numpy as np

from analyzer.base.flags import Flag
from analyzer.base.measured import Measure
from analyzer.scale.calibration import CrossCheck

# A judgement: a pit there is a third as wide in the picture as squarely seen (cosine of 70 degrees).
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
    specimen_source: str = "learned"  # how the piece was found: "learned", "colour" or "whole picture"
    axial_from: float = 0.0  # where ``axial_length`` begins: 0 unless metal at that end is left out

    @property
    def examined(self) -> np.ndarray:
        """bool (h, w): the metal that density and counts refer to."""
        with np.errstate(invalid="ignore"):
            return self.metal & (self.obliquity_deg <= GRAZING_DEG)

    def area_up_to(self, oblique_deg: float) -> Measure:
        """Of the examined area what is seen at no more than ``oblique_deg``, at most GRAZING_DEG, from square."""
        whole = float(self.area_per_px[self.examined].sum())
        with np.errstate(invalid="ignore"):
            part = float(self.area_per_px[self.examined & (self.obliquity_deg <= oblique_deg)].sum())
        return self.examined_area.times(part / whole) if whole else self.examined_area

    def restricted(self, metal: np.ndarray) -> Surface:
        """The surface of a part of its metal alone; ``metal`` (h, w) bool. Areas and length shrink in proportion to their pixels'."""
        metal = read_only(self.metal & metal)
        if not metal.any() or np.array_equal(metal, self.metal):
            return self
        less = replace(self, metal=metal)

        def part(area: Measure, before: np.ndarray, after: np.ndarray) -> Measure:
            whole = float(self.area_per_px[before].sum())
            return area.times(float(self.area_per_px[after].sum()) / whole) if whole else area

        spans = [(float(self.axial[where].min()), float(self.axial[where].max())) for where in (self.metal, metal)]
        (low, high), (first, last) = spans
        share = (last - first) / (high - low) if high > low else 1.0
        return replace(
            less,
            seen_area=part(self.seen_area, self.metal, metal),
            examined_area=part(self.examined_area, self.examined, less.examined),
            axial_length=self.axial_length.times(share),
            axial_from=self.axial_from + first - low,
            outline_px=largest_outline(metal, self.origin_px),
        )


class FlatMaps(TypedDict):
    """The four maps of a ``Surface`` that are lengths, angles and areas, (h, w) float32."""

    axial: np.ndarray
    around: np.ndarray
    obliquity_deg: np.ndarray
    area_per_px: np.ndarray


def flat_maps(metal: np.ndarray) -> FlatMaps:
    """The maps of metal that is taken as flat and seen squarely, in pixels."""
    rows, columns = np.indices(metal.shape, dtype=np.float32)
    blank = np.float32(np.nan)
    return {
        "axial": read_only(np.where(metal, columns, blank)),
        "around": read_only(np.where(metal, rows, blank)),
        "obliquity_deg": read_only(np.where(metal, np.float32(0), blank)),
        "area_per_px": read_only(np.where(metal, np.float32(1), blank)),
    }


def largest_outline(metal: np.ndarray, origin_px: tuple[int, int]) -> np.ndarray:
    """(N, 2) float32 in the upright photo: the outer outline of the largest part of a mask over a window."""
    contours, _ = cv2.findContours(metal.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return read_only(max(contours, key=cv2.contourArea)[:, 0].astype(np.float32) + np.array(origin_px, np.float32))


def read_only(array: np.ndarray) -> np.ndarray:
    array.flags.writeable = False
    return array
