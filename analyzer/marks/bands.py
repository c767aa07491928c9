"""Discoloured areas of the metal: colour classes under a corrected white, contact marks, the water line, overall stain.

The metal is laid out in cells of 0.5 mm along the pipe by 0.25 mm around it, each the mean colour of the pixels that fall
into it. A small learned net (``models/bands.onnx``, trained by ``analyzer.training.bands``) gives for each cell how much it
looks like part of a contact mark, of the water line, or of tape. Contact marks are also sought as the pair of edges across the
pipe at which the colour steps there and back, and no band stands that the colours themselves do not show. A mark's edges are
drawn between the colours on both sides; a water line is fitted across as a deposit on two films that meet, and followed along.
Colour classes are plain ranges in CIELAB, checked against ``data/colours.csv``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from types import MappingProxyType

import cv2
import numpy as np
from scipy import ndimage, special

from analyzer.base.flags import Flag, raise_flag
from analyzer.base.measured import Measure
from analyzer.base.network import network
from analyzer.photo.reading import Photo
from analyzer.piece.restrict import Kept
from analyzer.piece.surface import Surface
from analyzer.scale.calibration import Calibration

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

CELL_AXIAL_MM = 0.5  # contact marks are 5 mm and wider: their edges need no finer step along the pipe
CELL_AROUND_MM = 0.25  # a water line may be 0.7 mm wide
ROWS, COLUMNS = 352, 208  # the largest map: 88 mm around by 104 mm along; longer pieces get larger cells
MAP_ROWS = (160, ROWS)  # the net runs on maps of these heights; 40 mm around holds most bores
COLUMNS_WITHOUT_SCALE = 150  # without millimetres the piece is laid out as if it were 75 mm long
FINE_ENOUGH_MM = 0.07  # metal seen finer than this is thinned before it is laid out

LEAST_MARK_MM = 3.0  # narrower than this along the pipe it is a blot, not the mark of a contact
LEAST_MARK_SPAN = 0.5  # a contact mark goes across at least this share of the width seen
LEAST_STEP = (
    3.5  # CIELAB distance at a mark's edges and of a line's deposit; a difference under 4 is hardly seen by eye
)
LEAST_AGREEMENT = 0.7  # share of the rows that step the same way there
LEAST_STEP_RATIO = 1.7  # of the steps at its edges to the ordinary ones along the piece
STEP_REACH = 4  # cells on either side of a border that are compared: 2 mm
TAPE_RIM = 3  # cells
CUT_END = 2  # cells at each end that are compared with nothing
MARK_COLUMNS = (10, 54)  # a mark is 5 to 27 mm long
PAIR_ALONE = 17.0  # strength of a pair of edges that stands without the net, by pictures with known truth
PAIR_WITH_NET = 5.0  # and with some of the net's evidence between them
MARK_PLAY = 5  # cells by which a mark's edge may waver: 2.5 mm
MARK_BEND_COST = 1.0
LEAST_LINE_SPAN = 0.6  # a water line runs over at least this share of the length seen
LINE_WIDTHS_MM = (0.5, 3.5)  # widths of water line that are tried
FINER = 4  # the line's path is found to a quarter of a cell
STEEPEST = 2  # quarter cells of shift per cell of length: a water level leaves an almost straight line
BEND_COST = 0.3  # log-odds for a shift of one quarter cell
LINE_FROM_RIM_MM = 4.0
LINE_CANDIDATES = 3
LINE_NEUTRAL = 0.1  # likelihood that speaks neither for a line nor against it: the net is shy of lines unlike those it learned from
LEAST_LINE_TRUST = 0.15  # mean likelihood along the line
LEAST_LINE_PROMINENCE = 1.9  # likelihood times how far it stands out over the ordinary, by pictures with known truth
LINE_OFFSETS_MM = np.linspace(-3.5, 3.5, 57)  # of metal across that a line's look is read over
LINE_SHIFTS_MM = np.linspace(-1, 1, 33)  # by which its path may be moved
LINE_ROUNDS = 2  # the path is found anew once the look across is known, and the other way round
LINE_ALONG_MM = 3.0
LINE_INDEPENDENT = 1 / 12  # share of what is read across that stands for itself: neighbours are alike
LINE_ROWS_ALIKE = 4.0  # the same for the median look
LINE_SLOPE_RIDGE = 0.3
LINE_SIZE_MM = (0.7, 0.7)  # prior of half the width: median, and spread of the logarithm
LINE_EVEN_COST = 4.0  # prior against a deposit that ends at an edge
LINE_EDGE_MM = 0.12
LINE_CENTRE_MM = 0.12
LINE_CENTRE_SHARE = (
    0.5  # of it that the path is moved by: path and profile each know the middle to a tenth of a millimetre
)
LINE_BLUR_MM = 0.15  # standard deviation of camera, cells and path together, by pictures with known truth
LINE_SIGMA_SEEN = 1.05  # a line's half width in standard deviations of its deposit is the inverse, by the same
LINE_LEAST_SIGMA_MM = 0.3
LOOK_NOISE = np.array([1.5, 1.0, 1.0, 0.7])  # CIELAB and roughness of the median along a line
NET_WEIGHT_PATH = 0.3
SHIFT_COST = 0.4  # log-odds for a shift of 0.06 mm from one cell to the next
NET_WEIGHT = 1.0  # of the log-odds of the net against those of the colours, where edges are drawn
EVEN_STAIN_SHARE = 0.75  # one product over this share of the metal outside the marks is an overall stain
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
        left = _share_of_cells(kept, self.laid.cells) > 0.5
        return _stated(
            self.laid, kept.surface, self.laid.cells.seen & left, self.labels.shape, self.white_source, self.flags
        )


@dataclass(frozen=True, kw_only=True)
class Laid:
    """What was read on the metal laid flat, before it is told as bands and shares: all of it, whatever is left out later."""

    cells: Cells
    mark: np.ndarray  # (h, w) float32 over one half inside contact marks
    line: np.ndarray  # (h, w) float32 over one half inside the water line


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
    window[_to_pixels(mark, cells) & surface.metal] = 1
    window[_to_pixels(line, cells) & surface.metal] = 2  # a water line that crosses a mark stays a water line
    bands = []
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
    stain = _overall_stain(classes, cells, (mark > 0.5) | (line > 0.5))
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
                axial_mm=_extent(surface.axial, surface.metal) if surface.unit == "mm" else None,
                around_mm=_extent(surface.around, surface.metal) if surface.unit == "mm" else None,
                area_mm2=surface.seen_area.times(share) if surface.unit == "mm" else None,
            )
        )
    labels.flags.writeable = False
    return Bands(
        bands=tuple(bands),
        labels=labels,
        colour_shares=MappingProxyType(_shares(classes, cells, surface)),
        white_source=white_source,
        flags=flags,
        laid=laid,
    )


def _share_of_cells(kept: Kept, cells: Cells) -> np.ndarray:
    """(h, w) which share of each cell's place in the photo is left in; 0 where no pixel falls into it."""
    inside = (cells.row > -1) & (cells.column > -1)
    height, width = cells.seen.shape
    row = np.clip(np.rint(cells.row[inside]), 0, height - 1).astype(np.intp)
    column = np.clip(np.rint(cells.column[inside]), 0, width - 1).astype(np.intp)
    place, size = row * width + column, height * width
    left = np.bincount(place, kept.allowed[inside], size) / np.maximum(np.bincount(place, minlength=size), 1)
    return left.reshape(height, width)


# --- colour ---


@cache
def _linear_of_srgb() -> np.ndarray:
    """Linear light 0..1 of the 256 sRGB values (IEC 61966-2-1)."""
    value = np.arange(256) / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)


def cielab(linear_rgb: np.ndarray) -> np.ndarray:
    """CIELAB (D65, 2 degree observer) of linear sRGB 0..1, any shape (..., 3); what is over 1 is clipped."""
    flat = np.clip(linear_rgb, 0, 1).astype(np.float32).reshape(1, -1, 3)
    return cv2.cvtColor(flat, cv2.COLOR_LRGB2LAB).reshape(linear_rgb.shape)


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


def _shares(classes: np.ndarray, cells: Cells, surface: Surface) -> dict[str, float]:
    """Share of the examined metal's area by colour class."""
    examined = surface.examined
    if not examined.any():
        return {}
    rows = np.clip(np.rint(cells.row[examined]), 0, classes.shape[0] - 1).astype(np.intp)
    columns = np.clip(np.rint(cells.column[examined]), 0, classes.shape[1] - 1).astype(np.intp)
    area = np.bincount(classes[rows, columns], surface.area_per_px[examined], len(COLOUR_CLASSES))
    return {name: float(area[i] / area.sum()) for i, name in enumerate(COLOUR_CLASSES)}


def _overall_stain(classes: np.ndarray, cells: Cells, banded: np.ndarray) -> int | None:
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


# --- laying out ---


def lay_out(rgb: np.ndarray, surface: Surface, *, white_gain: np.ndarray | None = None) -> Cells:
    """The metal's mean colour in cells of the unrolled map.

    ``rgb`` (h, w, 3) uint8 is the surface's window of the photo. Cells that hold no pixel take the nearest cell's colour and
    count as not seen.
    """
    metal = surface.metal
    axial_low, axial_high = _extent(surface.axial, metal)
    around_low, around_high = _extent(surface.around, metal)
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
    colours = _linear_of_srgb()[rgb[some][inside]]
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


def _extent(values: np.ndarray, where: np.ndarray) -> tuple[float, float]:
    """Lowest and highest value, without the outermost 0.02 % on each side (stray pixels of an outline)."""
    low, high = np.percentile(values[where][::7] if where.sum() > 7000 else values[where], (0.02, 99.98))
    return float(low), float(high)


def _to_pixels(field: np.ndarray, cells: Cells) -> np.ndarray:
    """bool in the surface's window: where the map's field is over one half, between cells linearly."""
    padded = cv2.copyMakeBorder(field.astype(np.float32), 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    return cv2.remap(padded, cells.column + 1, cells.row + 1, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT) > 0.5


# --- the net ---


def features(linear: np.ndarray, spread: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """What the net reads: (11, h, w) float32.

    CIELAB at a common exposure; the same less its median along each row (takes out the shading round the pipe, so a mark
    across stands out) and along each column (so a line lengthwise stands out); roughness within the cell; seen or not.
    """
    exposure = 0.35 / max(float(np.percentile(linear[seen].mean(-1), 80)), 1e-4)
    lab = cielab(linear * exposure)
    stack = np.empty((11, *seen.shape), np.float32)
    stack[0:3] = ((lab - (50, 0, 0)) / (50, 30, 30)).transpose(2, 0, 1)
    stack[3:6] = ((lab - _median(lab, seen, 1)) / 20).transpose(2, 0, 1)
    stack[6:9] = ((lab - _median(lab, seen, 0)) / 20).transpose(2, 0, 1)
    stack[9] = np.clip(spread / (linear[..., 1] + 0.02), 0, 1) * 2
    stack[10] = seen
    return stack * seen


def _median(lab: np.ndarray, seen: np.ndarray, axis: int) -> np.ndarray:
    """Median along an axis over the seen cells, 0 where none is seen."""
    none = ~seen.any(axis=axis, keepdims=True)
    masked = np.where((seen | none)[..., None], lab, np.nan)
    median = np.nanmedian(masked, axis=axis, keepdims=True)
    return np.where(none[..., None], 0.0, median)


def likelihoods(cells: Cells) -> np.ndarray:
    """(3, h, w) float32, 0..1: how much each cell looks like a contact mark, like the water line, like tape or solder.

    The mean of the log-odds over the map and its three mirror images: a band has no side of its own.
    """
    height, width = cells.seen.shape
    rows = next(r for r in MAP_ROWS if r >= height)
    read = features(cells.linear, cells.spread, cells.seen)
    net = network("bands")
    odds = np.zeros((3, height, width), np.float32)
    for mirrored in (np.s_[:, :, :], np.s_[:, ::-1, :], np.s_[:, :, ::-1], np.s_[:, ::-1, ::-1]):
        batch = np.zeros((1, 11, rows, COLUMNS), np.float32)
        batch[0, :, :height, :width] = read[mirrored]
        odds += net(batch)[0][0, :, :height, :width][mirrored] / 4
    return special.expit(odds)


# --- from likelihood to bands ---


def _fit(likelihood: np.ndarray, cells: Cells) -> tuple[np.ndarray, np.ndarray]:
    """Fields (h, w) over one half inside the contact marks and the water line, 0 where nothing stands."""
    return _fit_marks(likelihood[0], likelihood[2], cells), _fit_line(likelihood[1], cells)


def _fit_marks(likelihood: np.ndarray, tape: np.ndarray, cells: Cells) -> np.ndarray:
    """Contact marks: a length of the pipe that two edges part from the metal on both sides.

    Two ways lead to a candidate: the net's likelihood, and the pair of edges across the pipe at which the colour steps there
    and back (``_steps``). A candidate stands where both agree, or where one of them is strong. Its edges are then drawn row by
    row between the colours inside and outside.
    """
    seen = cells.seen
    height, width = seen.shape
    field = np.zeros(likelihood.shape, np.float32)
    taped = ndimage.binary_dilation(tape > 0.5, np.ones((1, 2 * TAPE_RIM + 1)))  # cells at its rim are of both
    steps = _steps(cells, seen & ~taped)
    wide = max(1, int(seen.any(1).sum()))
    candidates: list[tuple[int, int]] = []
    pair = _strongest_pair(steps, width)
    if pair is not None:
        start, stop, strength = pair
        trust = float(likelihood[:, start:stop][seen[:, start:stop]].mean()) if seen[:, start:stop].any() else 0.0
        ends = [start, stop]
        step, agreement = min(steps.size[ends]), min(steps.agreement[ends])
        alone = strength >= PAIR_ALONE and step >= LEAST_STEP and agreement >= LEAST_AGREEMENT
        if alone or (strength >= PAIR_WITH_NET and trust >= 0.2 and step >= LEAST_STEP and agreement >= 0.85):
            candidates.append((start, stop))
    parts, count = ndimage.label(ndimage.binary_opening(likelihood > 0.5, np.ones((3, 3))))
    for part in range(1, count + 1):
        here = parts == part
        across = here.sum(0) >= LEAST_MARK_SPAN * wide
        if across.sum() * CELL_AXIAL_MM < LEAST_MARK_MM:
            continue
        rows = here.any(1)
        start = round(float(np.median(here[rows].argmax(1))))
        stop = width - round(float(np.median(here[rows, ::-1].argmax(1))))
        if any(start < other_stop and other_start < stop for other_start, other_stop in candidates):
            continue
        if tape[here].mean() > 0.5:
            continue
        if _stand_out(steps, start, stop):
            candidates.append((start, stop))
    for start, stop in candidates:
        field = np.maximum(field, _drawn_mark(start, stop, likelihood, cells))
    return field


@dataclass(frozen=True, kw_only=True)
class _Steps:
    """How the colour steps at each column border (0..w), NaN near the ends: medians over the rows."""

    vector: np.ndarray  # (w + 1, 4): CIELAB and roughness after less before
    size: np.ndarray  # (w + 1,) CIELAB distance
    agreement: np.ndarray  # (w + 1,) share of rows that step the same way


def _look(cells: Cells) -> np.ndarray:
    """(h, w, 4): CIELAB at a common exposure, and the roughness within the cell on a like scale."""
    exposure = 0.35 / max(float(np.percentile(cells.linear[cells.seen].mean(-1), 80)), 1e-4)
    rough = 30 * np.clip(cells.spread / (cells.linear[..., 1] + 0.02), 0, 1)
    return np.concatenate([cielab(cells.linear * exposure), rough[..., None]], -1)


def _steps(cells: Cells, bare: np.ndarray) -> _Steps:
    """Compare the 2 mm before with the 2 mm after each column border, row by row; ``bare`` (h, w) is metal without tape."""
    look = _look(cells)[cells.seen.mean(1) > 0.5]
    width = cells.seen.shape[1]
    vector, agreement = np.full((width + 1, 4), np.nan), np.full(width + 1, np.nan)
    if len(look) and width > 2 * STEP_REACH:
        total = np.concatenate([np.zeros((len(look), 1, 4)), np.cumsum(look, 1)], 1)
        middle = total[:, STEP_REACH:-STEP_REACH]
        step = (total[:, 2 * STEP_REACH :] - 2 * middle + total[:, : -2 * STEP_REACH]) / STEP_REACH
        median = np.median(step, 0)
        covered = np.convolve(bare.mean(0), np.ones(2 * STEP_REACH) / (2 * STEP_REACH), mode="valid")
        median[covered < 0.85] = np.nan  # tape or a gap: its rims are no edges of a mark
        median[:CUT_END] = np.nan  # nor is the cut end with its burr and glare
        median[len(median) - CUT_END :] = np.nan
        vector[STEP_REACH:-STEP_REACH] = median
        same_way = (step[..., :3] * np.nan_to_num(median[:, :3])).sum(-1) > 0
        agreement[STEP_REACH:-STEP_REACH] = same_way.mean(0)
    return _Steps(vector=vector, size=np.linalg.norm(vector[:, :3], axis=1), agreement=agreement)


def _strongest_pair(steps: _Steps, width: int) -> tuple[int, int, float] | None:
    """The two borders, 5 to 27 mm apart, where the colour steps furthest there and back: (start, stop, strength).

    Strength is minus the product of the two steps by the square of the piece's ordinary step, so 1 is ordinary.
    """
    known = np.flatnonzero(np.isfinite(steps.size))
    if len(known) < MARK_COLUMNS[0] + 2:
        return None
    vector = np.nan_to_num(steps.vector)
    ordinary = float(np.median((vector[known] ** 2).sum(1)))
    product = -vector @ vector.T / max(ordinary, 1e-6)
    apart = np.arange(width + 1)[None] - np.arange(width + 1)[:, None]
    product[(apart < MARK_COLUMNS[0]) | (apart > MARK_COLUMNS[1])] = -np.inf
    start, stop = (int(i) for i in np.unravel_index(int(product.argmax()), product.shape))
    return (start, stop, float(product[start, stop])) if product[start, stop] > 0 else None


def _stand_out(steps: _Steps, start: int, stop: int) -> bool:
    """Whether the colour steps at these two borders more than it does elsewhere along the pipe.

    A blotch or the end of a shadow fades and fails; an edge that lies at the piece's own end is not asked for.
    """
    at, elsewhere = [], np.isfinite(steps.size)
    for border in (start, stop):
        near = np.arange(max(0, border - 2), min(len(steps.size), border + 3))
        near = near[np.isfinite(steps.size[near])]
        elsewhere[max(0, border - STEP_REACH) : border + STEP_REACH + 1] = False
        if len(near):
            best = near[steps.size[near].argmax()]
            if steps.size[best] < LEAST_STEP or steps.agreement[best] < LEAST_AGREEMENT:
                return False
            at.append(float(steps.size[best]))
    if not at or elsewhere.sum() < 10:
        return True  # the mark fills the piece: nothing to compare with
    ordinary = float(np.sqrt(np.mean(np.square(steps.size[elsewhere]))))
    return float(np.sqrt(np.mean(np.square(at)))) >= LEAST_STEP_RATIO * ordinary


def _drawn_mark(start: int, stop: int, likelihood: np.ndarray, cells: Cells) -> np.ndarray:
    """Field of one mark: its two edges drawn row by row where the colour inside gives way to the colour outside.

    Evidence in each cell is the log-odds of two normal distributions with one covariance (linear discriminant: Fisher 1936),
    inside against the 8 mm outside, and the net's; edges are the paths that gather the most of it.
    """
    look, seen = _look(cells), cells.seen
    height, width = seen.shape
    inside, outside = np.zeros_like(seen), np.zeros_like(seen)
    margin = min(2, (stop - start) // 4)
    inside[:, max(0, start + margin) : stop - margin] = True
    outside[:, max(0, start - 18) : max(0, start - 2)] = True
    outside[:, stop + 2 : stop + 18] = True
    inside &= seen
    outside &= seen
    net = np.clip(special.logit(np.clip(likelihood, 1e-3, 1 - 1e-3)), -3, 3)
    odds = net
    if inside.sum() > 50 and outside.sum() > 50:
        # the net has as much say in where the edges run as it tells the mark from what lies beside it
        net = net * max(0.0, float(likelihood[inside].mean() - likelihood[outside].mean()))
        first, second = look[inside].mean(0), look[outside].mean(0)
        within = np.cov(look[inside].T) + np.cov(look[outside].T) + np.eye(4)
        axis = np.linalg.solve(within / 2, first - second)
        odds = np.clip((look - (first + second) / 2) @ axis, -3, 3) + NET_WEIGHT * net
    odds = np.where(seen, odds, 0.0)
    total = np.concatenate([np.zeros((height, 1)), np.cumsum(odds, 1)], 1)
    middle = (start + stop) // 2
    lowest, highest = max(0, start - MARK_PLAY), min(width, stop + MARK_PLAY)
    left = np.arange(lowest, min(start + MARK_PLAY, middle - 1) + 1)
    right = np.arange(max(stop - MARK_PLAY, middle + 1), highest + 1)
    # rows are the steps of the path: (1, places, rows); an edge may run out of the piece
    first_edge = left[_best_path((-total[:, left].T)[None], MARK_BEND_COST)[1]].astype(float)
    second_edge = right[_best_path(total[:, right].T[None], MARK_BEND_COST)[1]].astype(float)
    if start > STEP_REACH or first_edge.mean() > 1.5:
        first_edge = ndimage.gaussian_filter1d(first_edge, 1.5, mode="nearest")
    else:
        first_edge[:] = -1.0
    if stop < width - STEP_REACH or second_edge.mean() < width - 1.5:
        second_edge = ndimage.gaussian_filter1d(second_edge, 1.5, mode="nearest")
    else:
        second_edge[:] = width + 1.0
    columns = np.arange(width)[None]
    return np.clip(
        0.5 + np.minimum(columns - (first_edge[:, None] - 0.5), second_edge[:, None] - 0.5 - columns), 0, 1
    ).astype(np.float32)


def _fit_line(likelihood: np.ndarray, cells: Cells) -> np.ndarray:
    """The water line, or nothing: of up to three paths along the pipe that gather evidence, the one that stands out most.

    A highlight along the pipe may gather more of the net's evidence than the line, so the next paths are looked at too.
    """
    empty = np.zeros(likelihood.shape, np.float32)
    seen_columns = np.flatnonzero(cells.seen.any(0))
    rows_seen = np.flatnonzero(cells.seen.mean(1) > 0.3)
    if len(seen_columns) < 2 or len(rows_seen) == 0:
        return empty
    net = special.logit(np.clip(likelihood, 1e-4, 1 - 1e-4))
    odds = np.where(cells.seen, np.clip(net - special.logit(LINE_NEUTRAL), -4, 4), -0.5).astype(np.float32)
    rim = round(
        LINE_FROM_RIM_MM / CELL_AROUND_MM
    )  # nearer to the long edge of the metal it is that edge and its reflection
    odds[: rows_seen[0] + rim] = -4
    odds[rows_seen[-1] + 1 - rim :] = -4
    look = _look(cells)
    best, best_score = empty, LEAST_LINE_PROMINENCE
    for _ in range(LINE_CANDIDATES):
        if ((odds > 0) & cells.seen).any(0).sum() < 0.5 * LEAST_LINE_SPAN * len(seen_columns):
            break
        middle, half = _line_path(odds, seen_columns)
        if half == 0:
            break
        path = ndimage.gaussian_filter1d(middle / FINER - 0.5, 2.0, mode="nearest")
        for _ in range(LINE_ROUNDS):
            path = _traced(look, path, _deposit(look, path, cells.seen), odds)
        deposit = _deposit(look, path, cells.seen)
        path = path + LINE_CENTRE_SHARE * deposit.centre_mm / CELL_AROUND_MM
        field = _drawn_line(path, deposit.half_width_mm, len(odds))
        along = _straightened(likelihood, path, np.array([-0.25, 0.0, 0.25]))[..., 0]
        trust = float(along[:, cells.seen.any(0)].mean(1).max())
        stands = trust >= LEAST_LINE_TRUST and deposit.contrast >= LEAST_STEP
        score = trust * _prominence(field > 0.5, cells) if stands else 0.0
        if score >= best_score:
            best, best_score = field, score
        odds[np.abs(np.arange(len(odds))[:, None] - middle[None] / FINER) < (half / FINER + rim / 2)] = -4
    return best


def _line_path(odds: np.ndarray, seen_columns: np.ndarray) -> tuple[np.ndarray, int]:
    """Middle (columns,) and half width in fine rows of the path of one width that gathers the most evidence; 0 where none does.

    Evidence is the sum of log-odds between the line's edges over the whole length, which also holds where the line fades.
    """
    height, width = odds.shape
    fine = cv2.resize(odds, (width, FINER * height), interpolation=cv2.INTER_LINEAR)
    total = np.vstack([np.zeros((1, width), np.float32), np.cumsum(fine, 0) / FINER])  # evidence above each fine border
    halves = np.rint(np.arange(LINE_WIDTHS_MM[0], LINE_WIDTHS_MM[1], 0.125) / CELL_AROUND_MM * FINER / 2).astype(int)
    borders = np.arange(FINER * height + 1)
    top = np.maximum(borders[None] - halves[:, None], 0)
    bottom = np.minimum(borders[None] + halves[:, None], FINER * height)
    gain = total[bottom] - total[top]  # (widths, borders, columns)
    chosen, middle = _best_path(gain, BEND_COST)
    supported = gain[chosen, middle, np.arange(width)] > 0
    return middle, int(halves[chosen]) if supported[seen_columns].mean() >= LEAST_LINE_SPAN else 0


@dataclass(frozen=True, kw_only=True)
class _Deposit:
    """How a water line looks across: two films that meet under it, and on them a deposit.

    The deposit thins out from its middle like a normal distribution, and counts as line to one standard deviation, where the eye
    sees it end; or it is even and ends at an edge, and counts to half its height.
    """

    even: bool
    size_mm: float  # standard deviation, or half width
    centre_mm: float  # from the path it was read along
    blend_mm: float  # over which the films change
    weights: np.ndarray  # (5, 4) of ``_deposit_basis`` in CIELAB and roughness

    @property
    def contrast(self) -> float:
        """CIELAB distance of the deposit from the films under it, by the median along the line: lettering leaves gaps and has none."""
        return float(np.linalg.norm(self.weights[4, :3]))

    @property
    def half_width_mm(self) -> float:
        if self.even:
            return self.size_mm
        sharp = np.sqrt(max(self.size_mm**2 - LINE_BLUR_MM**2, LINE_LEAST_SIGMA_MM**2))
        return float(sharp) / LINE_SIGMA_SEEN

    def at(self, shift_mm: float) -> np.ndarray:
        """(n, 4) look at ``LINE_OFFSETS_MM`` of the line when it lies that far below the path."""
        offset = LINE_OFFSETS_MM - self.centre_mm - shift_mm
        return _deposit_basis(offset, self.even, self.size_mm, self.blend_mm) @ self.weights


def _deposit_basis(offset_mm: np.ndarray, even: bool, size_mm: float, blend_mm: float) -> np.ndarray:
    """(n, 5): the film above, the change to the film below, a slope in each, the deposit."""
    below = special.expit(2 * offset_mm / blend_mm)
    slope = np.clip(offset_mm, LINE_OFFSETS_MM[0], LINE_OFFSETS_MM[-1])
    if even:
        deposit = special.expit((size_mm - np.abs(offset_mm)) / LINE_EDGE_MM)
    else:
        deposit = np.exp(-0.5 * (offset_mm / size_mm) ** 2)
    return np.stack([np.ones_like(below), below, slope * (1 - below), slope * below, deposit], -1)


@cache
def _deposit_solvers() -> tuple[list[tuple[bool, float, float, float]], np.ndarray, np.ndarray, np.ndarray]:
    """What is tried (even, size, centre, blend), each one's basis (m, n + 5, 5), its pseudo-inverse, and what its prior costs.

    Slopes are held small (ridge regression), or they would stand for a wide deposit.
    """
    held = np.diag(np.sqrt(np.array([0, 0, LINE_SLOPE_RIDGE, LINE_SLOPE_RIDGE, 0]) * len(LINE_OFFSETS_MM) / 10))
    tried = [
        (even, float(size), centre, blend)
        for even, sizes in ((False, np.arange(0.24, 1.6, 0.03)), (True, np.arange(0.3, 1.75, 0.03)))
        for size in sizes
        for centre in (-0.2, -0.1, 0.0, 0.1, 0.2)
        for blend in (0.3, 0.6, 1.2)
    ]
    basis = np.stack(
        [
            np.vstack([_deposit_basis(LINE_OFFSETS_MM - centre, even, size, blend), held])
            for even, size, centre, blend in tried
        ]
    )
    cost = [
        (np.log(size / LINE_SIZE_MM[0]) / LINE_SIZE_MM[1]) ** 2 + (centre / LINE_CENTRE_MM) ** 2 + LINE_EVEN_COST * even
        for even, size, centre, _ in tried
    ]
    return tried, basis, np.linalg.pinv(basis), np.array(cost)


def _deposit(look: np.ndarray, middle: np.ndarray, seen: np.ndarray) -> _Deposit:
    """Fit to the median look along the path (rows of the map, by column); least squares, and a mild prior on width and place."""
    profile = np.median(_straightened(look, middle)[:, seen.any(0)], 1) / LOOK_NOISE
    padded = np.vstack([profile, np.zeros((5, 4))])
    tried, basis, inverse, cost = _deposit_solvers()
    weights = inverse @ padded
    left = ((padded - basis @ weights) ** 2).sum((1, 2)) / LINE_ROWS_ALIKE + cost
    best = int(left.argmin())
    even, size, centre, blend = tried[best]
    return _Deposit(even=even, size_mm=size, centre_mm=centre, blend_mm=blend, weights=weights[best] * LOOK_NOISE)


def _straightened(field: np.ndarray, middle: np.ndarray, offsets_mm: np.ndarray | None = None) -> np.ndarray:
    """The map (h, w, k) read at ``offsets_mm`` below the path ``middle`` (w,): (n, w, k)."""
    offsets = (LINE_OFFSETS_MM if offsets_mm is None else offsets_mm) / CELL_AROUND_MM
    row = (middle[None] + offsets[:, None]).astype(np.float32)
    column = np.repeat(np.arange(field.shape[1], dtype=np.float32)[None], len(offsets), 0)
    out = cv2.remap(field.astype(np.float32), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out.reshape(*row.shape, -1)


def _traced(look: np.ndarray, middle: np.ndarray, deposit: _Deposit, odds: np.ndarray) -> np.ndarray:
    """The path moved, column by column, to where the look across fits the deposit best, with the net's evidence between its edges.

    Misfit is weighed by the covariance of what the texture leaves over, over 3 mm along the line.
    """
    near = np.abs(LINE_OFFSETS_MM) < max(1.0, 1.6 * deposit.size_mm) + 0.5
    here = ndimage.gaussian_filter1d(_straightened(look, middle)[near], LINE_ALONG_MM / 2 / CELL_AXIAL_MM, axis=1)
    left = here - deposit.at(0.0)[near][:, None]
    covariance = np.einsum("ijk,ijl->kl", left, left) / left[..., 0].size + 0.3 * np.eye(4)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance)).T
    ordinary = ((left @ whiten) ** 2).mean((1, 2))
    misfit = np.stack(
        [
            ((((here - deposit.at(shift)[near][:, None]) @ whiten) ** 2).sum(2) / ordinary[:, None]).sum(0)
            for shift in LINE_SHIFTS_MM
        ]
    )
    fine_mm = np.arange(-4, 4.01, 0.0625)
    total = np.cumsum(_straightened(odds, middle, fine_mm)[..., 0], 0) * (0.0625 / CELL_AROUND_MM)
    upper = np.searchsorted(fine_mm, LINE_SHIFTS_MM - deposit.half_width_mm)
    lower = np.minimum(np.searchsorted(fine_mm, LINE_SHIFTS_MM + deposit.half_width_mm), len(fine_mm) - 1)
    gain = NET_WEIGHT_PATH * (total[lower] - total[upper]) - misfit / 2 * LINE_INDEPENDENT
    moved = LINE_SHIFTS_MM[_best_path(gain[None], SHIFT_COST)[1]]
    return middle + ndimage.gaussian_filter1d(moved, 1.5, mode="nearest") / CELL_AROUND_MM


def _drawn_line(middle: np.ndarray, half_width_mm: float, height: int) -> np.ndarray:
    """Field of a line of even width along the path."""
    rows, half = np.arange(height)[:, None], half_width_mm / CELL_AROUND_MM
    return np.clip(0.5 + half - np.abs(rows - middle[None]), 0, 1).astype(np.float32)


def _prominence(line: np.ndarray, cells: Cells) -> float:
    """How far the line stands out over the same path moved round the pipe.

    Both what the line itself shows (its colour less the mean of its two sides) and the step between its sides are compared with
    the root mean square of the moved ones; the larger ratio counts. 1 is ordinary.
    """
    look = _look(cells)[..., :3]
    height, width = line.shape
    columns = np.flatnonzero(line.any(0) & cells.seen.any(0))
    top = line[:, columns].argmax(0)
    bottom = height - line[::-1, columns].argmax(0)
    total = np.concatenate([np.zeros((1, width, 3)), np.cumsum(look, 0)])
    reach, gap = round(1.5 / CELL_AROUND_MM), 1

    def contrasts(move: int) -> np.ndarray | None:
        upper, lower = top + move, bottom + move
        inside = (upper >= reach + gap) & (lower <= height - reach - gap)
        if inside.mean() < 0.6:
            return None
        u, d, c = upper[inside], lower[inside], columns[inside]
        middle = (total[d, c] - total[u, c]) / (d - u)[:, None]
        above = (total[u - gap, c] - total[u - gap - reach, c]) / reach
        below = (total[d + gap + reach, c] - total[d + gap, c]) / reach
        return np.array(
            [np.linalg.norm(np.median(middle - (above + below) / 2, 0)), np.linalg.norm(np.median(above - below, 0))]
        )

    here = contrasts(0)
    if here is None:
        return 0.0
    apart = int(np.median(bottom - top)) + reach + 2
    elsewhere = [c for move in range(-height, height, 2) if abs(move) >= apart and (c := contrasts(move)) is not None]
    ordinary = np.sqrt(np.mean(np.square(elsewhere), 0)) if elsewhere else np.ones(2)
    return float((here / np.maximum(ordinary, 1.0)).max())


def _best_path(gain: np.ndarray, bend_cost: float) -> tuple[int, np.ndarray]:
    """The sheet and the path through its columns with the largest sum of gain less the cost of its shifts.

    ``gain`` is (sheets, places, columns); gives the sheet's number and (columns,) places.
    """
    best, came = gain[..., 0].copy(), np.zeros(gain.shape, np.int8)
    columns = gain.shape[-1]
    for column in range(1, columns):
        reach = np.full_like(best, -np.inf)
        for step in range(-STEEPEST, STEEPEST + 1):
            shifted = np.full_like(best, -np.inf)
            if step > 0:
                shifted[:, step:] = best[:, :-step]
            elif step < 0:
                shifted[:, :step] = best[:, -step:]
            else:
                shifted[:] = best
            shifted -= bend_cost * step * step
            better = shifted > reach
            reach[better] = shifted[better]
            came[..., column][better] = step
        best = reach + gain[..., column]
    sheet, place = (int(i) for i in np.unravel_index(int(best.argmax()), best.shape))
    path = np.empty(columns, np.intp)
    for column in range(columns - 1, -1, -1):
        path[column] = place
        place -= int(came[sheet, place, column])
    return sheet, path


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
    common = {
        "id": number,
        "kind": kind,
        "colour_class": colour,
        "area_px": float(pixels.sum()),
        "share_of_metal": area / total if total > 0 else 0.0,
        "confidence": "clear" if contrast >= FAINT_DELTA_E else "faint",
    }
    if surface.unit != "mm" or surface.mm_per_px is None:
        return Band(**common)
    edge_length = (
        2 * (surface.around[pixels].max() - surface.around[pixels].min())
        if kind == "contact_mark"
        else 2 * (surface.axial[pixels].max() - surface.axial[pixels].min())
    )
    budget = {
        source: 2 * contribution / surface.mm_per_px.value * area
        for source, contribution in surface.mm_per_px.budget.items()
    }
    budget["band edge"] = float(edge_length) / np.sqrt(2) * BAND_EDGE_MM[kind]
    return Band(
        **common,
        axial_mm=tuple(float(v) for v in np.percentile(surface.axial[pixels], (2.5, 97.5))),
        around_mm=tuple(float(v) for v in np.percentile(surface.around[pixels], (2.5, 97.5))),
        area_mm2=Measure(value=area, budget=budget),
    )
