"""Discoloured areas of the metal: contact marks, the water line, overall stain, and the share of each colour.

The metal is laid out in cells (``layout``); a net says how much each looks like part of a band (``band_likelihood``); contact marks
and the water line are drawn where the colours themselves show them; what stands is measured on the metal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from scipy import ndimage

from analyzer.base.colour import cielab
from analyzer.base.flags import Flag, raise_flag
from analyzer.base.measured import Measure
from analyzer.marks.band_likelihood import likelihoods
from analyzer.marks.colours import COLOUR_CLASSES, classify, overall_stain, shares_by_area
from analyzer.marks.contact_marks import fit_marks
from analyzer.marks.layout import Cells, extent, lay_out, share_of_cells, to_pixels
from analyzer.marks.water_line import fit_line
from analyzer.photo.reading import Photo
from analyzer.piece.restrict import Kept
from analyzer.piece.surface import Surface
from analyzer.scale.calibration import Calibration

KINDS = ("contact_mark", "water_line", "overall_stain", "other")  # label in band-labels.png = place + 1
# The two differences of colour: judgement while the room was built; which pictures served was not recorded.
FAINT_DELTA_E = 6.0  # a band closer than this to the metal beside it is called faint (pits: 4 is hardly seen by eye)
BRIGHTER_BY = 4.0  # CIELAB lightness by which a mark on copper must stand out to be called bright
BAND_EDGE_MM = {
    "contact_mark": 1.0,
    "water_line": 0.2,
}  # standard uncertainty of an edge, from 22 bands of pictures not learned from
LEAST_LEFT_SHARE = 0.1  # of a band: what an outline drawn round it by hand leaves of its rim is no band; a judgement


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
    colour_shares: Mapping[
        str, float
    ]  # of the examined metal, by COLOUR_CLASSES; adds to 1, empty where no metal is examined
    white_source: str  # "card" or "camera"
    flags: tuple[Flag, ...] = ()
    laid: Laid | None = field(default=None, compare=False, repr=False)  # None where nothing was looked for

    def restricted(self, kept: Kept) -> Bands:
        """Bands and colours of the metal that is left; a band of which hardly anything is left is gone."""
        if self.laid is None:
            return self
        left = share_of_cells(kept, self.laid.cells) > 0.5
        return _stated(
            self.laid, kept.surface, self.laid.cells.seen & left, self.labels.shape, self.white_source, self.flags
        )


@dataclass(frozen=True, kw_only=True)
class Laid:
    """What was read on the metal laid flat, before it is told as bands and shares: all of it, whatever is left out later."""

    cells: Cells
    mark: np.ndarray  # (h, w) float32 over one half inside contact marks
    line: np.ndarray  # (h, w) float32 over one half inside the water line


def find_bands(photo: Photo, calibration: Calibration, surface: Surface) -> Bands:
    """Find colour classes and bands on the seen metal."""
    labels = np.zeros(photo.rgb.shape[:2], np.uint8)
    left, top = surface.origin_px
    height, width = surface.metal.shape
    white_source = "camera" if calibration.white_gain is None else "card"
    flags = [raise_flag("white_not_checked")] if calibration.white_gain is None else []
    if surface.view == "end" or not surface.metal.any():
        labels.flags.writeable = False
        return Bands(
            bands=(), labels=labels, colour_shares=MappingProxyType({}), white_source=white_source, flags=tuple(flags)
        )
    rgb = photo.rgb[top : top + height, left : left + width]
    cells = lay_out(rgb, surface, white_gain=calibration.white_gain)
    mark, line = _fit(likelihoods(cells), cells)
    laid = Laid(cells=cells, mark=mark, line=line)
    return _stated(laid, surface, cells.seen, labels.shape, white_source, tuple(flags))


def _stated(
    laid: Laid, surface: Surface, seen: np.ndarray, shape: tuple[int, ...], white_source: str, flags: tuple[Flag, ...]
) -> Bands:
    """What was read, as bands and colour shares of a surface: the whole one, or what is left of it with its ``seen`` cells (h, w)."""
    cells, mark, line = replace(laid.cells, seen=seen), laid.mark, laid.line
    labels = np.zeros(shape, np.uint8)
    left, top = surface.origin_px
    height, width = surface.metal.shape
    lab = cielab(cells.linear)
    classes = classify(lab)
    window = labels[top : top + height, left : left + width]
    window[to_pixels(mark, cells) & surface.metal] = 1
    window[to_pixels(line, cells) & surface.metal] = 2  # a water line that crosses a mark stays a water line
    bands: list[Band] = []
    parts, count = ndimage.label(mark > 0.5)
    places = [("contact_mark", parts == part) for part in range(1, count + 1)] + [("water_line", line > 0.5)]
    for kind, here in places:
        pixels = _pixels_of(kind, here, cells, surface, window) if here.any() else None
        if pixels is None or not pixels.any():
            continue
        if (here & seen).sum() < LEAST_LEFT_SHARE * (here & laid.cells.seen).sum():
            window[pixels] = 0
            continue
        bands.append(_band(len(bands) + 1, kind, here, pixels, cells, surface, classes, lab))
    stain = overall_stain(classes, cells, (mark > 0.5) | (line > 0.5))
    if stain is not None:
        share = float((classes[cells.seen] == stain).mean())
        bands.append(
            Band(
                id=len(bands) + 1,
                kind="overall_stain",
                colour_class=COLOUR_CLASSES[stain],
                area_px=float(surface.metal.sum()) * share,
                share_of_metal=share,
                confidence="clear",
                axial_mm=extent(surface.axial, surface.metal) if surface.unit == "mm" else None,
                around_mm=extent(surface.around, surface.metal) if surface.unit == "mm" else None,
                area_mm2=surface.seen_area.times(share) if surface.unit == "mm" else None,
            )
        )
    labels.flags.writeable = False
    return Bands(
        bands=tuple(bands),
        labels=labels,
        colour_shares=MappingProxyType(shares_by_area(classes, cells, surface)),
        white_source=white_source,
        flags=flags,
        laid=laid,
    )


def _fit(likelihood: np.ndarray, cells: Cells) -> tuple[np.ndarray, np.ndarray]:
    """Fields (h, w) over one half inside the contact marks and the water line, 0 where nothing stands."""
    return fit_marks(likelihood[0], likelihood[2], cells), fit_line(likelihood[1], cells)


def _pixels_of(kind: str, here: np.ndarray, cells: Cells, surface: Surface, window: np.ndarray) -> np.ndarray:
    """bool in the surface's window: the metal that a band covers, from its cells and the labels of all bands of its kind."""
    nearest_row = np.clip(np.rint(cells.row), 0, here.shape[0] - 1).astype(np.intp)
    nearest_column = np.clip(np.rint(cells.column), 0, here.shape[1] - 1).astype(np.intp)
    grown = ndimage.binary_dilation(here, np.ones((3, 3)))
    return (window == KINDS.index(kind) + 1) & grown[nearest_row, nearest_column] & surface.metal


def _band(
    number: int,
    kind: str,
    here: np.ndarray,
    pixels: np.ndarray,
    cells: Cells,
    surface: Surface,
    classes: np.ndarray,
    lab: np.ndarray,
) -> Band:
    """One band from its cells and the pixels that it covers. Extents are those between which 95 % of it lies."""
    area = float(surface.area_per_px[pixels].sum())
    total = float(surface.area_per_px[surface.metal].sum())
    inside = here & cells.seen
    ring = (
        ndimage.binary_dilation(here, np.ones((17, 9))) & ~ndimage.binary_dilation(here, np.ones((5, 3))) & cells.seen
    )
    beside = ring if ring.any() else cells.seen & ~here
    difference = np.median(lab[inside], 0) - np.median(lab[beside], 0) if inside.any() and beside.any() else np.zeros(3)
    contrast, lighter = float(np.linalg.norm(difference)), float(difference[0])
    colour = (
        COLOUR_CLASSES[int(np.bincount(classes[inside], minlength=len(COLOUR_CLASSES)).argmax())]
        if inside.any()
        else "red_brown_oxide"
    )
    if colour == "red_brown_oxide" and lighter >= BRIGHTER_BY:
        colour = "bright_metal"  # matt bare copper and its first film share their hue; rubbed metal is the lighter of the two
    band = Band(
        id=number,
        kind=kind,
        colour_class=colour,
        area_px=float(pixels.sum()),
        share_of_metal=area / total if total > 0 else 0.0,
        confidence="clear" if contrast >= FAINT_DELTA_E else "faint",
    )
    if surface.unit != "mm" or surface.mm_per_px is None:
        return band
    edge_length = (
        2 * (surface.around[pixels].max() - surface.around[pixels].min())
        if kind == "contact_mark"
        else 2 * (surface.axial[pixels].max() - surface.axial[pixels].min())
    )
    made = Measure.by_shares(area, surface.mm_per_px.shares, power=2, positive=True)
    return replace(
        band,
        axial_mm=_middle_95(surface.axial[pixels]),
        around_mm=_middle_95(surface.around[pixels]),
        area_mm2=made.plus("band edge", float(edge_length) / math.sqrt(2) * BAND_EDGE_MM[kind]),
    )


def _middle_95(values: np.ndarray) -> tuple[float, float]:
    low, high = np.percentile(values, (2.5, 97.5))
    return float(low), float(high)
