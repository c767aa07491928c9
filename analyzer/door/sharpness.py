"""Is the picture sharp, lit and free of noise, where it matters, and what size of pit does that let anyone see?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from analyzer.base.flags import Flag, raise_flag
from analyzer.photo.reading import Photo

FEWEST_PX = 3.0  # pixels across the smallest pit that is seen at all (sampling theory; DEVELOPERS.md)
BLUR_TO_DIAMETER = (
    2.4  # a pit narrower than this many sigmas (a Gaussian's full width at half height) loses half its contrast
)
SOFT_PX = 1.8  # sigma of the softest of the sharp photographs in the truth pictures and of the real windows is 1.7
BLURRED_PX = 3.0  # from here the flag
MOST_BLUR_PX = 3.2  # with a scale: beyond it nothing is counted
MOST_BLUR_WITHOUT_SCALE_PX = 1.9  # without one no size can be given below which pits are lost
MOST_NOISE = 8.0  # levels of 255; photographs of phones have 0.2 to 1.2
SMALLEST_USEFUL_MM = 1.0  # where nothing smaller than this would be seen, most pits of a tube are lost
SMALLEST_SIDE_PX = 200  # without a scale: a thumbnail


@dataclass(frozen=True, kw_only=True)
class Sharpness:
    """How well small things are seen on the metal. ``None``: could not be measured, which is not "sharp"."""

    blur_px: float | None  # sigma of the sharpest edges; at the marker where there is one, else on the metal
    measured_at: str  # "marker", "metal" or "whole picture"
    noise_levels: float  # of 255
    glare_share: float  # of the metal, burnt out
    dark_share: float  # of the metal, black
    smallest_seen_px: float | None  # diameter of the smallest pit that keeps half its contrast
    smallest_seen_mm: float | None  # the same on the metal; None without a scale


def measure_sharpness(
    photo: Photo, metal: np.ndarray, marker_outlines_px: Sequence[np.ndarray], mm_per_px: float | None
) -> Sharpness:
    """``metal`` is (H, W) bool, the rough place of the metal; ``marker_outlines_px`` polygons (N, 2) in photo pixels."""
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    marker = np.zeros(grey.shape, np.uint8)
    for outline in marker_outlines_px:
        cv2.fillPoly(marker, [np.round(np.asarray(outline)).astype(np.int32)], 1)
    places = (
        ("marker", cv2.dilate(marker, np.ones((9, 9), np.uint8)) > 0),
        ("metal", metal),
        ("whole picture", np.ones(grey.shape, bool)),
    )
    blur, measured_at = None, "whole picture"
    for where, place in places:
        if blur is None and place.any():
            box = _box(place)
            blur, measured_at = blur_px(grey[box], place[box]), where
    smallest = None
    if blur is not None:
        smallest = max(FEWEST_PX, BLUR_TO_DIAMETER * blur if blur > SOFT_PX else 0.0)
    inside = metal if metal.any() else np.ones(grey.shape, bool)
    box = _box(inside)
    return Sharpness(
        blur_px=blur,
        measured_at=measured_at,
        noise_levels=noise_levels(grey[box]),
        glare_share=float((photo.rgb[box].min(axis=2)[inside[box]] >= 250).mean()),
        dark_share=float((grey[box][inside[box]] <= 5).mean()),
        smallest_seen_px=smallest,
        smallest_seen_mm=None if smallest is None or mm_per_px is None else smallest * mm_per_px,
    )


def why_not_countable(sharpness: Sharpness, photo: Photo) -> str:
    """Words that end a sentence, or "" where pits can be counted."""
    scale = sharpness.smallest_seen_mm is not None
    if sharpness.noise_levels > MOST_NOISE:
        return f"noise covers it ({sharpness.noise_levels:.0f} levels of 255)"
    if sharpness.blur_px is None:
        return "no edge in it is clear enough to show that it is sharp"
    if sharpness.blur_px > (MOST_BLUR_PX if scale else MOST_BLUR_WITHOUT_SCALE_PX):
        return f"it is blurred over {sharpness.blur_px:.1f} pixels"
    if sharpness.smallest_seen_mm is not None and sharpness.smallest_seen_mm > SMALLEST_USEFUL_MM:
        return f"no pit under {sharpness.smallest_seen_mm:.1f} mm would be seen in it"
    if not scale and min(photo.width_px, photo.height_px) < SMALLEST_SIDE_PX:
        return f"it has only {photo.width_px} x {photo.height_px} pixels"
    if sharpness.glare_share > 0.5 or sharpness.dark_share > 0.6:
        return "most of the metal is burnt out or black"
    return ""


def noise_levels(grey: np.ndarray) -> float:
    """Standard deviation of the pixel noise, levels of 255: Immerkaer's mask (1996, Computer Vision and Image Understanding 64,
    300), whose response to noise of sigma has a spread of 6 sigma; the median of its size, so that edges do not count."""
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = cv2.filter2D(grey.astype(np.float32), cv2.CV_32F, mask)
    return float(np.median(np.abs(response))) / 0.6745 / 6


def _box(mask: np.ndarray) -> tuple[slice, slice]:
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)


def quality_flags(photo: Photo, *, metal: np.ndarray | None = None, mm_per_px: float | None = None) -> tuple[Flag, ...]:
    """Is the picture sharp, lit and big enough to measure on?

    ``metal`` (H, W) bool restricts the look to the metal; ``mm_per_px`` tells how many pixels a 0.3 mm pit has.
    Thresholds are from the rendered truth pictures of this project and from sampling theory (a pit needs three pixels
    across to be seen at all); see DEVELOPERS.md.
    """
    rows, columns = slice(None), slice(None)
    if metal is not None and metal.any():
        lines, places = np.flatnonzero(metal.any(axis=1)), np.flatnonzero(metal.any(axis=0))
        rows, columns = slice(lines[0], lines[-1] + 1), slice(places[0], places[-1] + 1)
        inside = metal[rows, columns]
    else:
        inside = np.ones(photo.rgb.shape[:2], bool)
    picture = photo.rgb[rows, columns]
    patch = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    flags: list[Flag] = []
    values = patch[inside]
    # All three channels at the top: no colour and no shading is left there. A warm metal clips in red alone long before.
    darkest = cv2.min(cv2.min(picture[..., 0], picture[..., 1]), picture[..., 2])
    glare = float((darkest[inside] >= 250).mean())
    dark = float((values <= 5).mean())
    if glare > 0.05:
        flags.append(raise_flag("glare", f"{100 * glare:.0f} %"))
    if dark > 0.25:
        flags.append(raise_flag("too_dark", f"{100 * dark:.0f} %"))
    blur = blur_px(patch, inside)
    if blur is not None and blur > BLURRED_PX:
        detail = f"{blur:.1f} pixels"
        if mm_per_px is not None:
            detail += f", {blur * mm_per_px:.2f} mm on the metal"
        flags.append(raise_flag("blurred", detail))
    if mm_per_px is not None and 0.3 / mm_per_px < 3.0:
        flags.append(raise_flag("too_few_pixels", f"{0.3 / mm_per_px:.1f}"))
    elif mm_per_px is None and min(photo.width_px, photo.height_px) < 480:
        flags.append(raise_flag("small_picture", f"{photo.width_px} x {photo.height_px} pixels"))
    return tuple(flags)


def blur_px(grey: np.ndarray, inside: np.ndarray) -> float | None:
    """Width (sigma, pixels) of the sharpest edges: how much a known second blur weakens them.

    For an edge blurred by a Gaussian of sigma s, a further blur of sigma r lowers its steepest slope by
    s / sqrt(s^2 + r^2); solved for s at the strongest edges. None where nothing has contrast.
    """
    second = 2.0
    picture = grey.astype(np.float32)
    first = cv2.GaussianBlur(picture, (0, 0), 0.7)  # keeps noise from posing as sharp edges
    again = cv2.GaussianBlur(first, (0, 0), second)

    def slope(image: np.ndarray) -> np.ndarray:
        return cv2.magnitude(cv2.Sobel(image, cv2.CV_32F, 1, 0), cv2.Sobel(image, cv2.CV_32F, 0, 1))

    before, after = slope(first), slope(again)
    usable = cv2.erode(inside.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    if usable.sum() < 500:
        return None
    strong = usable & (before > np.percentile(before[usable], 99.5)) & (before > 40)
    if strong.sum() < 30:
        return None
    ratio = float(np.median(after[strong] / before[strong]))
    if ratio >= 0.999:
        return 20.0
    return second * ratio / float(np.sqrt(1 - ratio * ratio))
