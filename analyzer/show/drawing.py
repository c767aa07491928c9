"""Pictures of a result: the marked photo and the unrolled map. They draw what was found and compute nothing new.

Pits are drawn as their own outline in a light line with a dark border, so that they show on bright and on dark metal and to
colour-blind eyes alike, a doubtful one in white; bands as hatching; the examined metal as a dashed outline.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from matplotlib import font_manager
from PIL import Image, ImageDraw, ImageFont

from analyzer.base import display
from analyzer.base.measured import MM_PER_INCH
from analyzer.base.text import one_line
from analyzer.marks.bands import KINDS, Bands
from analyzer.marks.catalogue import Mound, PitCatalogue
from analyzer.marks.general_attack import GeneralAttack
from analyzer.photo.reading import Photo
from analyzer.piece.surface import Surface
from analyzer.piece.unroll import unrolled
from analyzer.result.examination import Examination
from analyzer.ring.cut_ring import Ring
from analyzer.scale.calibration import Calibration

# How things are drawn: judgements, but where a contrast is named.
DRAWN_DEG = 80.0  # metal seen still more edge on is a few smeared pixels
MAP_PITCH = 1.5  # of the photo's pixels on the metal: oblique metal has them further apart
LIGHT, DARK = (255, 255, 255), (20, 20, 20)
PIT = (255, 214, 10)  # sunflower: 10:1 on black, and far in lightness from copper, patina and oxide
UNSURE = (255, 255, 255)
NOT_EXAMINED = 0.55  # brightness that is left of what was not examined
SURE_FROM = 0.5  # confidence below which a pit is drawn as doubtful
MARKER = (127, 229, 220)
ATTACKED = (255, 150, 90)  # closely pocked metal: its own dash, so that nobody needs the colour
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
    """(h, w, 3) uint8: the photo cut to the piece with a margin (``whole``: all of it), pits outlined and numbered (on closely pocked metal not numbered), bands hatched,
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
    if pits.attack is not None and pits.attack.present:
        _attacked(picture, surface, pits.attack, (left, top), enlarge, 2 * line)
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
    if not numbers or pits.generally_attacked:  # hundreds side by side: nobody could read one
        return picture
    canvas = Image.fromarray(picture)
    draw = ImageDraw.Draw(canvas)
    letters = font(max(11, round(max(size) / 65)))
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


def _attacked(
    picture: np.ndarray,
    surface: Surface,
    attack: GeneralAttack,
    corner: tuple[int, int],
    enlarge: float,
    line: int,
) -> None:
    """Draw round the metal that is closely pocked, where it is metal that was examined."""
    places = (attack.places(surface.metal.shape) & surface.examined).astype(np.uint8)
    contours, _ = cv2.findContours(places, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    for contour in contours:
        outline = (
            contour[:, 0].astype(np.float32) + np.array(surface.origin_px, np.float32) - np.array(corner, np.float32)
        )
        if len(outline) > 2:
            _dashes(picture, (outline * enlarge).astype(np.float32), line, ATTACKED)


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
    photo: Photo,
    surface: Surface,
    pits: PitCatalogue,
    bands: Bands,
    *,
    units: str = "metric",
    longest_px: int = 2400,
    marks: bool = True,
) -> np.ndarray:
    """(h, w, 3) uint8: the metal laid flat with the marks, a rule along the pipe and one round it.

    Without ``marks`` only the metal and the rules: for who draws the pits over it by ``map_places``.
    """
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
    if not marks:
        return _with_rules(flat, surface, step, units)
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
    return _with_rules(_numbered(flat, surface, pits, step, line), surface, step, units)


def _numbered(flat: np.ndarray, surface: Surface, pits: PitCatalogue, step: float, line: int) -> np.ndarray:
    """The map with each pit's number beside its mouth."""
    start = float(np.nanmin(surface.axial[surface.metal])), float(np.nanmin(surface.around[surface.metal]))
    canvas = Image.fromarray(flat)
    draw = ImageDraw.Draw(canvas)
    letters = font(max(11, round(max(flat.shape[:2]) / 80)))
    for pit in pits.pits:
        if pit.axial_mm is None or pit.around_mm is None:
            continue  # without a scale the map is in pixels and the pit's place on it is not kept
        x, y = (pit.axial_mm - start[0]) / step, (pit.around_mm - start[1]) / step
        radius = pit.equivalent_diameter_mm.value / 2 / step if pit.equivalent_diameter_mm else 0.0
        corner = (x + 0.75 * radius + 2, y - 0.75 * radius - letters.size)
        draw.text(corner, str(pit.id), font=letters, fill=PIT, stroke_width=max(1, line), stroke_fill=DARK)
    return np.asarray(canvas)


@dataclass(frozen=True, kw_only=True)
class MapPlaces:
    """Where things lie in the picture of ``unrolled_map`` with the same ``longest_px``."""

    circles_px: dict[int, tuple[float, float, float]]  # pit number: x, y, radius


def map_places(surface: Surface, pits: PitCatalogue, *, longest_px: int = 2400) -> MapPlaces:
    """Each pit's mouth in the picture of ``unrolled_map``, as a circle of its area; none without a scale."""
    with np.errstate(invalid="ignore"):
        surface = replace(surface, metal=surface.metal & (surface.obliquity_deg <= DRAWN_DEG))
    spans = _spans(surface)
    step = max(spans) / longest_px
    start = float(np.nanmin(surface.axial[surface.metal])), float(np.nanmin(surface.around[surface.metal]))
    size = _rule_size(longest_px)
    return MapPlaces(
        circles_px={
            pit.id: (
                5 * size + (pit.axial_mm - start[0]) / step,
                size + (pit.around_mm - start[1]) / step,
                pit.equivalent_diameter_mm.value / 2 / step if pit.equivalent_diameter_mm else 0.0,
            )
            for pit in pits.pits
            if pit.axial_mm is not None and pit.around_mm is not None
        }
    )


def _rule_size(longest_px: float) -> int:
    """Height of the letters along the map's rules, in its pixels."""
    return max(13, round(longest_px / 75))


def close_up(photo: Photo, pits: PitCatalogue, number: int, *, side_px: int = 360) -> tuple[np.ndarray, float]:
    """(side, side, 3) uint8 round one pit with its outline, and how many of its pixels one pixel of the photo makes."""
    pit = next(pit for pit in pits.pits if pit.id == number)
    half = max(24.0, 1.6 * pit.equivalent_diameter_px)
    left, top = (round(v - half) for v in (pit.x_px, pit.y_px))
    size = round(2 * half)
    padded = np.full((size, size, 3), 245, np.uint8)
    rows, columns = (
        slice(max(0, start), min(end, start + size)) for start, end in ((top, photo.height_px), (left, photo.width_px))
    )
    padded[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left] = photo.rgb[rows, columns]
    enlarge = side_px / size
    picture = cv2.resize(padded, (side_px, side_px), interpolation=cv2.INTER_CUBIC)
    colour = PIT if pit.confidence >= SURE_FROM else UNSURE
    for contour in _contours(pits.labels, pit.id, pit.x_px, pit.y_px, pit.equivalent_diameter_px):
        points = [np.round((contour + 0.5 - (left, top)) * enlarge - 0.5).astype(np.int32)]
        cv2.polylines(picture, points, True, DARK, 3, cv2.LINE_AA)
        cv2.polylines(picture, points, True, colour, 1, cv2.LINE_AA)
    return picture, enlarge


def ring_edges(ring: Ring) -> tuple[np.ndarray, np.ndarray]:
    """Outer and inner edge of the wall, (N, 2) x, y of the photo, without what was left out by hand."""
    outer, inner = (edge[np.isfinite(edge).all(axis=1)] for edge in (ring.outer_contour_px, ring.inner_contour_px))
    return outer, inner


def thinnest_arrows(ring: Ring) -> tuple[np.ndarray, np.ndarray]:
    """Two lines, (2, 2) x, y of the photo each, that point at the ring's thinnest place from outside and from inside."""
    place = round(ring.minimum_image_angle_deg + 180) % 360  # the contours start at -180 degrees
    outer, inner = ring.outer_contour_px[place], ring.inner_contour_px[place]
    across = float(np.hypot(*(outer - inner)))
    away = (outer - inner) / max(across, 1e-6)
    reach = 0.08 * float(np.nanmax(ring.outer_contour_px) - np.nanmin(ring.outer_contour_px))
    return np.stack([outer + 0.2 * reach * away, outer + reach * away]), np.stack(
        [inner - 0.2 * reach * away, inner - reach * away]
    )


def round_close_up(photo: Photo, round_px: tuple[float, float, float], *, side_px: int = 220) -> np.ndarray:
    """(side, side, 3) uint8: something round (x, y, radius in the upright photo) with its outline."""
    x, y, radius = round_px
    half = round(1.4 * radius)
    left, top = max(0, round(x) - half), max(0, round(y) - half)
    part = photo.rgb[top : round(y) + half, left : round(x) + half]
    enlarge = side_px / max(part.shape[:2])
    size = (max(1, round(part.shape[1] * enlarge)), max(1, round(part.shape[0] * enlarge)))
    picture = cv2.resize(part, size, interpolation=cv2.INTER_AREA if enlarge < 1 else cv2.INTER_CUBIC)
    middle, reach = (round((x - left) * enlarge), round((y - top) * enlarge)), round(radius * enlarge)
    cv2.circle(picture, middle, reach, DARK, 4, cv2.LINE_AA)
    cv2.circle(picture, middle, reach, MARKER, 2, cv2.LINE_AA)
    return picture


def marked_ring(photo: Photo, ring: Ring, *, longest_px: int = 1300) -> tuple[np.ndarray, float]:
    """(h, w, 3) uint8: the cut ring on its own photo with both edges and the thinnest place, and its enlargement."""
    low, high = np.nanmin(ring.outer_contour_px, axis=0), np.nanmax(ring.outer_contour_px, axis=0)
    margin = 0.2 * float((high - low).max())
    left, top = (max(0, int(v - margin)) for v in low)
    right, bottom = (
        min(size, int(v + margin)) for v, size in zip(high, (photo.width_px, photo.height_px), strict=True)
    )
    enlarge = float(np.clip(longest_px / max(right - left, bottom - top), 0.1, 3.0))
    size = (max(1, round((right - left) * enlarge)), max(1, round((bottom - top) * enlarge)))
    picture = cv2.resize(photo.rgb[top:bottom, left:right], size, interpolation=cv2.INTER_AREA)
    _ring(picture, ring, (left, top), enlarge, max(1, round(max(size) / 900)))
    return picture, enlarge


def thinnest_close_up(photo: Photo, ring: Ring, *, side_px: int = 700) -> tuple[np.ndarray, float]:
    """(side, side, 3) uint8 round the ring's thinnest place with both edges, and its enlargement."""
    place = round(ring.minimum_image_angle_deg + 180) % 360  # the contours start at -180 degrees
    outer, inner = ring.outer_contour_px[place], ring.inner_contour_px[place]
    half = max(20, round(2.5 * float(np.hypot(*(outer - inner)))))
    x, y = (round(float(v)) for v in (outer + inner) / 2)
    left, top = max(0, x - half), max(0, y - half)
    part = photo.rgb[top : y + half, left : x + half]
    enlarge = side_px / max(part.shape[:2])
    size = (max(1, round(part.shape[1] * enlarge)), max(1, round(part.shape[0] * enlarge)))
    picture = cv2.resize(part, size, interpolation=cv2.INTER_CUBIC)
    _ring(picture, ring, (left, top), enlarge, 1)
    return picture, enlarge


@dataclass(frozen=True, kw_only=True)
class Foot:
    """What stands under a picture that leaves the program."""

    name: str  # of the photo's file
    sha256: str
    legend: tuple[tuple[str, tuple[int, int, int]], ...]  # words, colour of their sign
    mm_per_px: float | None  # of the picture; None: no bar
    units: str = "metric"


def foot_of(
    examination: Examination, units: str, *, bar: bool = True, whole: bool = False, longest_px: int = 2400
) -> Foot:
    """The foot of the marked photo (``bar``; ``whole`` as there) or of the map, which has rules of its own."""
    surface, pits, bands = examination.standing_surface, examination.standing_pits, examination.standing_bands
    legend: list[tuple[str, tuple[int, int, int]]] = []
    if surface.view == "end":
        if examination.standing_ring is not None:
            legend = [("edges of the wall", PIT), ("thinnest place", MARKER)]
    else:
        if pits.pits:
            legend.append(("pit", PIT))
        if bar and any(pit.confidence < SURE_FROM for pit in pits.pits):
            legend.append(("doubtful pit", UNSURE))
        if bar and pits.mounds:
            legend.append(("mound (triangle)", LIGHT))
        legend += [
            (display.BAND_WORDS[kind] + " (hatched)", BAND_COLOURS[kind])
            for kind in KINDS
            if any(band.kind == kind for band in bands.bands)
        ]
        if bar and pits.generally_attacked:
            legend.append(("closely pocked metal (dashed)", ATTACKED))
        if bar:
            legend.append(("metal looked at (dashed)", LIGHT))
    mm_per_px = None
    if bar and surface.mm_per_px is not None:
        photo = examination.photo
        left, top, right, bottom = (0, 0, photo.width_px, photo.height_px) if whole else window(photo, surface)
        enlarge = float(np.clip(longest_px / max(right - left, bottom - top), 0.1, 3.0))
        mm_per_px = surface.mm_per_px.value / enlarge
    photo = examination.photo
    return Foot(name=photo.name, sha256=photo.sha256, legend=tuple(legend), mm_per_px=mm_per_px, units=units)


def with_foot(picture: np.ndarray, foot: Foot) -> np.ndarray:
    """The picture with a strip below: scale bar, legend, the photo's file name and hash.

    Where the picture is too narrow for a word of them, white stands to its right: nothing is cut off, and a place keeps its pixel.
    """
    height, width = picture.shape[:2]
    # Of one size with the letters of the page where the picture is printed as high as pages have room for it.
    size = max(11, round(max(width, 1.3 * height) / 52))
    letters, small = font(size), font(max(9, round(0.85 * size)))
    rows: list[list[tuple[str, tuple[int, int, int] | None, float]]] = [[]]
    entries: list[tuple[str, tuple[int, int, int] | None]] = list(foot.legend)
    bar_px, bar_words = _bar(foot, width)
    name = one_line(foot.name, longest=200)
    hashed = [f"SHA-256 {foot.sha256}"]
    if small.getlength(hashed[0]) > width - 2 * size:
        half = len(foot.sha256) // 2
        hashed = [f"SHA-256 {foot.sha256[:half]}", f"{foot.sha256[half:]}"]
    longest = [bar_px + 0.7 * size + letters.getlength(bar_words), *map(small.getlength, hashed)]
    longest += [1.8 * size + letters.getlength(words) for words, _ in entries]
    width = max(width, round(max(longest) + 2 * size))
    room = float(width - 2 * size)
    used = 0.0
    if bar_px:
        used = bar_px + size + letters.getlength(bar_words) + 2 * size
    for words, colour in entries:
        wide = 1.8 * size + letters.getlength(words) + 1.5 * size
        if used + wide > room and (rows[-1] or used):
            rows.append([])
            used = 0.0
        rows[-1].append((words, colour, used))
        used += wide
    named = [name, *hashed]
    if small.getlength("   ".join(named)) <= room:
        named = ["   ".join(named)]
    while max(small.getlength(line) for line in named) > room and small.size > 6:
        small = font(int(small.size) - 1)
    strip = Image.new("RGB", (width, round(size * (1.7 * len(rows) + 1.2 * len(named) + 1.2))), "white")
    draw = ImageDraw.Draw(strip)
    for place, row in enumerate(rows):
        middle = size * (1.2 + 1.7 * place)
        if place == 0 and bar_px:
            draw.rectangle([size, middle - size * 0.2, size + bar_px, middle + size * 0.2], fill=DARK)
            draw.text((size + bar_px + size * 0.7, middle), bar_words, font=letters, fill=DARK, anchor="lm")
        for words, colour, at in row:
            x = size + at
            _sign(draw, words, colour, (x, middle - size * 0.45, x + 1.2 * size, middle + size * 0.45))
            draw.text((x + 1.8 * size, middle), words, font=letters, fill=DARK, anchor="lm")
    for place, line in enumerate(reversed(named)):
        at = strip.height - size * (0.8 + 1.2 * place)
        draw.text((size, at), line, font=small, fill=(90, 98, 106), anchor="lm")
    beside = ((0, 0), (0, width - picture.shape[1]), (0, 0))
    return np.vstack([np.pad(picture, beside, constant_values=255), np.asarray(strip)])


def _sign(
    draw: ImageDraw.ImageDraw, words: str, colour: tuple[int, int, int] | None, box: tuple[float, float, float, float]
) -> None:
    """A sign of the legend in the form that the thing has in the picture, so that two of one colour are told apart."""
    left, top, right, bottom = box
    thick = max(2, round((bottom - top) / 5))
    if "triangle" in words:
        draw.polygon([((left + right) / 2, top), (right, bottom), (left, bottom)], fill=colour, outline=DARK, width=2)
    elif "dashed" in words:
        middle, step = (top + bottom) / 2, (right - left) / 5
        draw.rectangle([left - 2, middle - thick, right + 2, middle + thick], fill=DARK)
        for k in (0, 2, 4):
            draw.rectangle(
                [left + k * step, middle - thick / 2, left + (k + 1) * step, middle + thick / 2], fill=colour
            )
    elif words.endswith("pit"):
        draw.ellipse([left, top, right, bottom], outline=DARK, width=thick + 2)
        draw.ellipse([left + 1, top + 1, right - 1, bottom - 1], outline=colour, width=thick)
    else:
        draw.rectangle([left, top, right, bottom], fill=colour, outline=DARK, width=2)


def _bar(foot: Foot, width: int) -> tuple[int, str]:
    """Length of the scale bar in the picture's pixels and its words; 0 where there is no scale."""
    if foot.mm_per_px is None:
        return 0, ""
    unit, per_mm = ("mm", 1.0) if foot.units == "metric" else ("in", 1 / MM_PER_INCH)
    length = _round_step(0.5 * 0.2 * width * foot.mm_per_px * per_mm)
    return round(length / per_mm / foot.mm_per_px), f"{length:g} {unit} (median scale of the metal)"


def with_bar(picture: np.ndarray, mm_per_px: float | None, units: str) -> np.ndarray:
    """A close-up with a scale bar in its corner; as it is where there is no scale."""
    foot = Foot(name="", sha256="", legend=(), mm_per_px=mm_per_px, units=units)
    length, words = _bar(foot, 2 * picture.shape[1])
    if not length:
        return picture
    canvas = Image.fromarray(picture)
    draw = ImageDraw.Draw(canvas)
    size = max(12, picture.shape[1] // 20)
    base = picture.shape[0] - size * 0.7
    draw.rectangle([0, base - 1.9 * size, length + 1.6 * size, picture.shape[0]], fill=(255, 255, 255))
    draw.rectangle([0.8 * size, base - 0.2 * size, 0.8 * size + length, base + 0.1 * size], fill=DARK)
    draw.text((0.8 * size, base - 0.4 * size), words.split(" (")[0], font=font(size), fill=DARK, anchor="ld")
    return np.asarray(canvas)


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


def pit_parts(pits: PitCatalogue) -> dict[int, list[np.ndarray]]:
    """Each pit's outlines by its number, (N, 2) x, y in the upright photo; a pit in several parts has several."""
    return {pit.id: _contours(pits.labels, pit.id, pit.x_px, pit.y_px, pit.equivalent_diameter_px) for pit in pits.pits}


def pit_outlines(pits: PitCatalogue) -> dict[int, np.ndarray]:
    """Each pit's longest outline, (N, 2) x, y in the upright photo, by its number."""
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
        seen = np.asarray(np.isfinite(edge).all(axis=1))  # where part of the ring was left out by hand there is none
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


def _dashes(picture: np.ndarray, outline: np.ndarray, line: int, colour: tuple[int, int, int] = LIGHT) -> None:
    closed = np.vstack([outline, outline[:1]])
    lengths = np.r_[0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    dash = 12 * line
    for start in np.arange(0, lengths[-1], 2 * dash):
        at = np.linspace(start, min(start + dash, lengths[-1]), 4)
        points = np.stack([np.interp(at, lengths, closed[:, k]) for k in (0, 1)], axis=1)
        cv2.polylines(picture, [np.round(points).astype(np.int32)], False, DARK, 3 * line, cv2.LINE_AA)
        cv2.polylines(picture, [np.round(points).astype(np.int32)], False, colour, line, cv2.LINE_AA)


def _spans(surface: Surface) -> tuple[float, float]:
    axial, around = surface.axial[surface.metal], surface.around[surface.metal]
    return float(axial.max() - axial.min()), float(around.max() - around.min())


def _with_rules(flat: np.ndarray, surface: Surface, step: float, units: str) -> np.ndarray:
    """A white border with divided rules: along the pipe below, round it at the left."""
    height, width = flat.shape[:2]
    size = _rule_size(max(height, width))
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


def unmarked_sheet(photo: Photo) -> np.ndarray:
    """(h, w, 3) uint8: the whole photo as it is, with its pixels along all four edges, so that places in it can be told in words."""
    size = max(13, round(max(photo.width_px, photo.height_px) / 110))
    letters, margin = font(size), 4 * size
    canvas = Image.new("RGB", (photo.width_px + 2 * margin, photo.height_px + 2 * margin), "white")
    canvas.paste(Image.fromarray(photo.rgb), (margin, margin))
    draw = ImageDraw.Draw(canvas)
    step = int(_round_step(max(photo.width_px, photo.height_px) / 30))
    for along, length in ((True, photo.width_px), (False, photo.height_px)):
        for value in range(0, length, step):
            tick = size if value % (5 * step) == 0 else size // 2
            for near, side in ((margin - 1, -1), (margin + (photo.height_px if along else photo.width_px), 1)):
                start, end = (margin + value, near), (margin + value, near + side * tick)
                draw.line([start, end] if along else [start[::-1], end[::-1]], fill=DARK, width=2)
                if value % (5 * step) == 0:
                    place = (margin + value, near + side * 1.2 * size)
                    anchor = ("md" if side < 0 else "ma") if along else ("rm" if side < 0 else "lm")
                    draw.text(place if along else place[::-1], str(value), font=letters, fill=DARK, anchor=anchor)
    named = one_line(f"{photo.name}   SHA-256 {photo.sha256}   pixels of the upright photo", longest=300)
    draw.text((margin, canvas.height - 0.9 * size), named, font=font(max(9, round(0.7 * size))), fill=DARK, anchor="lm")
    return np.asarray(canvas)


def _round_step(rough: float) -> float:
    """The 1-2-5 step next above."""
    power = 10 ** np.floor(np.log10(rough))
    return float(power * next(m for m in (1, 2, 5, 10) if m * power >= rough))
