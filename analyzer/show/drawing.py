"""Pictures of a result: the marked photo and the unrolled map. They draw what was found and compute nothing new.

Pits are drawn as their own outline in a light line with a dark border, so that they show on bright and on dark metal and to
colour-blind eyes alike, a doubtful one in white; bands as hatching; the examined metal as a dashed outline.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from matplotlib import font_manager
from PIL import Image, ImageDraw, ImageFont

from analyzer.base.measured import MM_PER_INCH
from analyzer.marks.bands import KINDS, Bands
from analyzer.marks.catalogue import Mound, PitCatalogue
from analyzer.photo.reading import Photo
from analyzer.piece.surface import Surface
from analyzer.piece.unroll import unrolled
from analyzer.ring.cut_ring import Ring
from analyzer.scale.calibration import Calibration

DRAWN_DEG = 80.0  # metal seen still more edge on is a few smeared pixels
MAP_PITCH = 1.5  # of the photo's pixels on the metal: oblique metal has them further apart
LIGHT, DARK = (255, 255, 255), (20, 20, 20)
PIT = (255, 214, 10)  # sunflower: 10:1 on black, and far in lightness from copper, patina and oxide
UNSURE = (255, 255, 255)
NOT_EXAMINED = 0.55  # brightness that is left of what was not examined
SURE_FROM = 0.5  # confidence below which a pit is drawn as doubtful
MARKER = (127, 229, 220)
BAND_COLOURS = {
    "contact_mark": (86, 180, 233),
    "water_line": (240, 130, 220),
    "overall_stain": (200, 200, 200),
    "other": (160, 220, 140),
}
# first and second of a colour-blind-safe set (Okabe and Ito 2008), lightened to stand on dark metal


def font(size: int) -> ImageFont.FreeTypeFont:
    """DejaVu Sans, which matplotlib brings along."""
    return ImageFont.truetype(font_manager.findfont("DejaVu Sans"), size)


def marked_photo(
    photo: Photo,
    surface: Surface,
    pits: PitCatalogue,
    bands: Bands,
    *,
    ring: Ring | None = None,
    numbers: bool = True,
    longest_px: int = 2400,
    whole: bool = False,
) -> np.ndarray:
    """(h, w, 3) uint8: the photo cut to the piece with a margin (``whole``: all of it), pits outlined and numbered, bands hatched,
    everything that was not examined dimmed.

    With ``ring`` (a cut end) both edges of its wall and the thinnest place instead of the metal's outline.
    """
    left, top, right, bottom = (0, 0, photo.width_px, photo.height_px) if whole else window(photo, surface)
    enlarge = float(np.clip(longest_px / max(right - left, bottom - top), 0.1, 3.0))
    size = (max(1, round((right - left) * enlarge)), max(1, round((bottom - top) * enlarge)))
    picture = cv2.resize(
        photo.rgb[top:bottom, left:right], size, interpolation=cv2.INTER_AREA if enlarge < 1 else cv2.INTER_CUBIC
    )
    if ring is None:
        picture = _dimmed(picture, surface, (left, top, right, bottom))
    line = max(1, round(max(size) / 900))
    band_labels = bands.labels[top:bottom, left:right]
    for place, kind in enumerate(KINDS, 1):
        mask = cv2.resize((band_labels == place).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        if mask.any():
            _hatch(picture, mask, BAND_COLOURS[kind], line, place)
    if ring is not None:
        _ring(picture, ring, (left, top), enlarge, line)
    elif len(surface.outline_px) > 2:
        _dashes(picture, ((surface.outline_px - (left, top)) * enlarge).astype(np.float32), line)
    labels = pits.labels[top:bottom, left:right]
    for pit in pits.pits:
        colour = PIT if pit.confidence >= SURE_FROM else UNSURE
        for contour in _contours(labels, pit.id, pit.x_px - left, pit.y_px - top, pit.equivalent_diameter_px):
            points = np.round((contour + 0.5) * enlarge - 0.5).astype(np.int32)
            cv2.polylines(picture, [points], True, DARK, 3 * line, cv2.LINE_AA)
            cv2.polylines(picture, [points], True, colour, line, cv2.LINE_AA)
    for mound in pits.mounds:
        points = np.round((triangle(mound) - (left, top)) * enlarge).astype(np.int32)
        cv2.polylines(picture, [points], True, DARK, 3 * line, cv2.LINE_AA)
        cv2.polylines(picture, [points], True, LIGHT, line, cv2.LINE_AA)
    if not numbers:
        return picture
    canvas = Image.fromarray(picture)
    draw = ImageDraw.Draw(canvas)
    letters = font(max(11, round(max(size) / 75)))
    for pit in pits.pits:
        radius = pit.equivalent_diameter_px / 2 * enlarge
        corner = (
            (pit.x_px - left) * enlarge + 0.75 * radius + 2,
            (pit.y_px - top) * enlarge - 0.75 * radius - letters.size,
        )
        draw.text(corner, str(pit.id), font=letters, fill=PIT, stroke_width=max(1, line), stroke_fill=DARK)
    return np.asarray(canvas)


def _dimmed(picture: np.ndarray, surface: Surface, place: tuple[int, int, int, int]) -> np.ndarray:
    """The picture of a part of the photo (left, top, right, bottom) with all that was not examined darkened."""
    left, top, right, bottom = place
    x0, y0 = surface.origin_px
    height, width = surface.metal.shape
    examined = np.zeros((bottom - top, right - left), np.uint8)
    rows, columns = slice(max(y0, top), min(y0 + height, bottom)), slice(max(x0, left), min(x0 + width, right))
    examined[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left] = surface.examined[
        rows.start - y0 : rows.stop - y0, columns.start - x0 : columns.stop - x0
    ]
    light = cv2.resize(examined, picture.shape[1::-1], interpolation=cv2.INTER_NEAREST)[:, :, None]
    return np.where(light > 0, picture, (picture * NOT_EXAMINED).astype(np.uint8))


def whole_photo(photo: Photo, calibration: Calibration, surface: Surface, *, longest_px: int = 1600) -> np.ndarray:
    """(h, w, 3) uint8: the whole photo with the marker that gave the scale (light line) and the metal (dashed)."""
    picture = reduced(photo.rgb, longest_px).copy()
    enlarge = picture.shape[1] / photo.width_px
    line = max(1, round(max(picture.shape[:2]) / 700))
    for outline in calibration.marker_outlines_px:
        points = np.round(np.asarray(outline, float) * enlarge).astype(np.int32)
        cv2.polylines(picture, [points], True, DARK, 4 * line, cv2.LINE_AA)
        cv2.polylines(picture, [points], True, MARKER, 2 * line, cv2.LINE_AA)
    if len(surface.outline_px) > 2:
        _dashes(picture, (surface.outline_px * enlarge).astype(np.float32), line)
    return picture


def seen_piece(photo: Photo, surface: Surface, *, longest_px: int = 1800) -> np.ndarray:
    """(h, w, 3) uint8: the photo cut to the piece with a margin, without marks."""
    left, top, right, bottom = window(photo, surface)
    return reduced(photo.rgb[top:bottom, left:right], longest_px)


def unrolled_map(
    photo: Photo, surface: Surface, pits: PitCatalogue, bands: Bands, *, units: str = "metric", longest_px: int = 2400
) -> np.ndarray:
    """(h, w, 3) uint8: the metal laid flat with the marks, a rule along the pipe and one round it."""
    with np.errstate(invalid="ignore"):  # NaN off the metal
        surface = replace(surface, metal=surface.metal & (surface.obliquity_deg <= DRAWN_DEG))
    step = max(_spans(surface)) / longest_px
    pitch = surface.mm_per_px.value if surface.mm_per_px is not None else 1.0
    # The map is laid no finer than the photo's own pixels and then enlarged: finer it would show the gaps between them.
    coarse = max(step, MAP_PITCH * pitch)
    flat, seen = unrolled(surface, photo.rgb, coarse)
    size = (round(flat.shape[1] * coarse / step), round(flat.shape[0] * coarse / step))

    def enlarged(mask: np.ndarray) -> np.ndarray:
        return cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_LINEAR) > 0.5

    flat = cv2.resize(np.where(seen[:, :, None], flat, 245).astype(np.uint8), size, interpolation=cv2.INTER_CUBIC)
    height, width = flat.shape[:2]
    line = max(1, round(max(width, height) / 1200))
    band_flat, _ = unrolled(surface, bands.labels, coarse)
    for place, kind in enumerate(KINDS, 1):
        mask = enlarged((np.round(band_flat) == place) & seen).astype(np.uint8)
        if mask.any():
            _hatch(flat, mask, BAND_COLOURS[kind], line, place)
    label_flat, _ = unrolled(surface, (pits.labels > 0).astype(np.uint8) * 255, coarse)
    mask = enlarged((label_flat > 127) & seen).astype(np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.polylines(flat, contours, True, DARK, 3 * line, cv2.LINE_AA)
    cv2.polylines(flat, contours, True, PIT, line, cv2.LINE_AA)
    return _with_rules(flat, surface, step, units)


def png(picture: np.ndarray) -> bytes:
    """PNG bytes of an RGB, 8- or 16-bit grey picture."""
    if picture.ndim == 3:
        picture = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".png", picture)
    if not done:
        raise ValueError("the picture could not be encoded")
    return data.tobytes()


def jpeg(picture: np.ndarray, *, quality: int = 88) -> bytes:
    """JPEG bytes without any of the photo's own record (no place, no time)."""
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=quality)
    return out.getvalue()


def reduced(picture: np.ndarray, longest_px: int) -> np.ndarray:
    """The picture, made smaller where its longer side is above ``longest_px``."""
    share = longest_px / max(picture.shape[:2])
    if share >= 1:
        return picture
    return cv2.resize(
        picture,
        (max(1, round(picture.shape[1] * share)), max(1, round(picture.shape[0] * share))),
        interpolation=cv2.INTER_AREA,
    )


def window(photo: Photo, surface: Surface) -> tuple[int, int, int, int]:
    """left, top, right, bottom: the piece with a margin, in the upright photo."""
    x0, y0 = surface.origin_px
    height, width = surface.metal.shape
    margin = round(0.06 * max(height, width))
    return (
        max(0, x0 - margin),
        max(0, y0 - margin),
        min(photo.width_px, x0 + width + margin),
        min(photo.height_px, y0 + height + margin),
    )


def _contours(labels: np.ndarray, number: int, x: float, y: float, diameter: float) -> list[np.ndarray]:
    reach = int(2 * diameter + 6)
    top, left = max(0, int(y) - reach), max(0, int(x) - reach)
    part = (labels[top : int(y) + reach, left : int(x) + reach] == number).astype(np.uint8)
    found, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [contour[:, 0, :].astype(np.float32) + (left, top) for contour in found]


def pit_outlines(pits: PitCatalogue) -> dict[int, np.ndarray]:
    """Each pit's outline, (N, 2) x, y in the upright photo, by its number."""
    outlines = {}
    for pit in pits.pits:
        found = _contours(pits.labels, pit.id, pit.x_px, pit.y_px, pit.equivalent_diameter_px)
        if found:
            outlines[pit.id] = max(found, key=len)
    return outlines


def band_outlines(bands: Bands) -> list[tuple[str, np.ndarray]]:
    """(kind, (N, 2) x, y in the upright photo) of every patch of a mark or line that is more than a speck."""
    outlines = []
    for place, kind in enumerate(KINDS, 1):
        found, _ = cv2.findContours((bands.labels == place).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        areas = [cv2.contourArea(contour) for contour in found]
        for contour, area in zip(found, areas, strict=True):
            if area >= max(50.0, 0.02 * max(areas)):
                outlines.append((kind, cv2.approxPolyDP(contour, 1.0, True)[:, 0, :].astype(np.float32)))
    return outlines


def triangle(mound: Mound) -> np.ndarray:
    """(3, 2): the mark of a mound, point up, in the upright photo."""
    angles = np.radians([-90, 30, 150])
    radius = np.sqrt(mound.area_px / np.pi)
    return np.stack([mound.x_px + radius * np.cos(angles), mound.y_px + radius * np.sin(angles)], axis=1)


def size_classes(diameters: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """(counts, edges) for a histogram; class width by Freedman and Diaconis (1981), at least 0.1."""
    values = np.asarray(diameters, float)
    low, high = float(np.floor(values.min() * 10) / 10), float(np.ceil(values.max() * 10) / 10)
    spread = np.subtract(*np.percentile(values, [75, 25]))
    width = max(0.1, np.round(2 * spread / np.cbrt(len(values)), 1), (high - low) / 30)
    return np.histogram(values, np.arange(low, high + width * 0.999, width))


def _hatch(picture: np.ndarray, mask: np.ndarray, colour: tuple[int, int, int], line: int, kind: int) -> None:
    """Slanted lines over the mask, each kind at its own slant, and its outline."""
    rows, columns = np.ogrid[: mask.shape[0], : mask.shape[1]]
    gap = 14 * line
    slant = (rows + columns) if kind % 2 else (rows - columns)
    stripes = ((slant % gap) < line) & (mask > 0)
    picture[stripes] = (0.45 * picture[stripes] + 0.55 * np.array(colour)).astype(np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    cv2.polylines(picture, contours, True, DARK, 3 * line, cv2.LINE_AA)
    cv2.polylines(picture, contours, True, colour, 2 * line, cv2.LINE_AA)


def _ring(picture: np.ndarray, ring: Ring, origin: tuple[int, int], enlarge: float, line: int) -> None:
    """Both edges of the wall and, across its thinnest place, a line that reaches beyond it."""
    edges = [(contour - origin) * enlarge for contour in (ring.outer_contour_px, ring.inner_contour_px)]
    for edge in edges:
        seen = np.isfinite(edge).all(axis=1)  # where part of the ring was left out by hand there is none
        points = np.round(np.where(seen[:, None], edge, 0)).astype(np.int32)
        ends = np.roll(points, -1, axis=0)
        pairs = [np.stack(pair) for pair in zip(points[seen & np.roll(seen, -1)], ends[seen & np.roll(seen, -1)])]
        cv2.polylines(picture, pairs, False, DARK, 3 * line, cv2.LINE_AA)
        cv2.polylines(picture, pairs, False, PIT, line, cv2.LINE_AA)
    place = round(ring.minimum_image_angle_deg + 180) % 360  # the contours start at -180 degrees
    outer, inner = edges[0][place], edges[1][place]
    away = (outer - inner) / max(float(np.hypot(*(outer - inner))), 1e-6)
    for end, reach in ((outer, 1), (inner, -1)):
        near, far = (np.round(end + reach * away * distance * line).astype(int) for distance in (6, 40))
        cv2.arrowedLine(picture, far.tolist(), near.tolist(), DARK, 5 * line, cv2.LINE_AA, tipLength=0.3)
        cv2.arrowedLine(picture, far.tolist(), near.tolist(), MARKER, 2 * line, cv2.LINE_AA, tipLength=0.3)


def _dashes(picture: np.ndarray, outline: np.ndarray, line: int) -> None:
    closed = np.vstack([outline, outline[:1]])
    lengths = np.r_[0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    dash = 12 * line
    for start in np.arange(0, lengths[-1], 2 * dash):
        at = np.linspace(start, min(start + dash, lengths[-1]), 4)
        points = np.stack([np.interp(at, lengths, closed[:, k]) for k in (0, 1)], axis=1)
        cv2.polylines(picture, [np.round(points).astype(np.int32)], False, DARK, 3 * line, cv2.LINE_AA)
        cv2.polylines(picture, [np.round(points).astype(np.int32)], False, LIGHT, line, cv2.LINE_AA)


def _spans(surface: Surface) -> tuple[float, float]:
    axial, around = surface.axial[surface.metal], surface.around[surface.metal]
    return float(axial.max() - axial.min()), float(around.max() - around.min())


def _with_rules(flat: np.ndarray, surface: Surface, step: float, units: str) -> np.ndarray:
    """A white border with divided rules: along the pipe below, round it at the left."""
    height, width = flat.shape[:2]
    size = max(13, round(max(height, width) / 75))
    letters = font(size)
    margin_left, margin_bottom, margin_top = 5 * size, 4 * size, size
    canvas = Image.new("RGB", (width + margin_left + 2 * size, height + margin_top + margin_bottom), "white")
    canvas.paste(Image.fromarray(flat), (margin_left, margin_top))
    draw = ImageDraw.Draw(canvas)
    if surface.unit == "mm":
        unit, factor = ("mm", 1.0) if units == "metric" else ("in", 1 / MM_PER_INCH)
    else:
        unit, factor = "px", 1.0
    start_axial = float(np.nanmin(surface.axial[surface.metal]))
    start_around = float(np.nanmin(surface.around[surface.metal]))
    for along in (True, False):
        start, length = (start_axial, width) if along else (start_around, height)
        span = length * step * factor
        tick = _round_step(span / 8)
        first = np.ceil(start * factor / tick) * tick
        for value in np.arange(first, start * factor + span + 1e-9, tick):
            at = (value / factor - start) / step
            text = f"{value + 0.0:.10g}".replace("-0", "0") if abs(value) < tick / 2 else f"{value:.10g}"
            if along:
                x, y = margin_left + at, margin_top + height
                draw.line([(x, y), (x, y + size // 2)], fill=DARK, width=2)
                draw.text((x, y + size * 0.6), text, font=letters, fill=DARK, anchor="ma")
            else:
                x, y = margin_left, margin_top + at
                draw.line([(x - size // 2, y), (x, y)], fill=DARK, width=2)
                draw.text((x - size * 0.7, y), text, font=letters, fill=DARK, anchor="rm")
    draw.text(
        (margin_left + width / 2, margin_top + height + 2.4 * size),
        f"along the pipe, {unit}",
        font=letters,
        fill=DARK,
        anchor="ma",
    )
    label = Image.new("L", (height, 2 * size), 0)
    ImageDraw.Draw(label).text((height / 2, size), f"round the pipe, {unit}", font=letters, fill=255, anchor="mm")
    turned = label.rotate(90, expand=True)
    canvas.paste(Image.new("RGB", turned.size, DARK), (0, margin_top), turned)
    return np.asarray(canvas)


def _round_step(rough: float) -> float:
    """The 1-2-5 step next above."""
    power = 10 ** np.floor(np.log10(rough))
    return float(power * next(m for m in (1, 2, 5, 10) if m * power >= rough))
