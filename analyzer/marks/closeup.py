"""Pits by the picture's own contrast: for metal seen without a scale, and wherever the learned weights are missing.

Drawn, ground, rolled or worn metal has a lay: its streaks, grooves, ridges, reflections and shadows run one way, so near any
point the brightness changes along one direction only. A pit breaks the lay: at its rim and on its floor the brightness changes
in every direction, and it is darker than the metal on all sides. Both are measured without a length and without a colour:

- *breaks*: the smaller eigenvalue of the structure tensor of log brightness (Shi and Tomasi 1994: zero where all change runs one
  way), in units of its spread over the metal of the same picture;
- *darkness*: the least rise over line closings in all directions (Soille, Morphological Image Analysis, ch. 8): zero along
  anything that runs on in at least one direction, else the depth of the shade where the metal is brighter on all sides. The same
  measure on the inverted picture (bright spots, which are not pits) says how much of it the metal's own texture gives.

Without a scale nothing says how large a pit is in pixels, so all this is done on the picture and on halves of it (a small picture is
doubled first), and a place counts by the mean of its scores over the sizes that resolve it.

Places that stand out in either become candidates, each with the outline at a share of its own darkness; a linear score of a few
ratios (contrast to the ring round it, sharpness of its rim, size in pixels, breaks) sorts them. The score's weights are fitted on
drawn pictures by ``analyzer/training/closeup_weights.py``; no photograph of pitted metal had a part in them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import ndimage as ndi

SETTINGS_VERSION = "contrast-3"

# Where no reason stands beside a figure it was chosen on drawn pictures and while looking at open windows of real metal.
WORKING_SIDE_PX = 1000  # shorter side that the search works at; larger pictures are reduced first
WORKING_PIXEL_MM = 0.07  # with a scale: 0.3 mm are four pixels
SMALLEST_MM, LARGEST_MM = 0.25, 8.0  # equivalent diameters that are looked for where there is a scale
INTEGRATION_PX = (2.5, 5.0, 10.0)  # windows over which breaks of the lay are gathered
BREAK_LEVELS = (2.7, 5.0)  # in spreads of the picture's metal
LINE_SHARES = (0.5, 0.15)  # longest dark mark that counts as a spot, as shares of the shorter side
DARK_LEVELS = (1.5, 3.0)  # in units of what the brightest hundredth of the metal shows upside down
OUTLINE_SHARE = 0.35  # a mouth's outline lies at this share of its darkness
LARGE_PX = 45.0  # diameter above which a mark is no surer for being larger
LIKELY = 0.5  # a given likelihood above this is a place to look at
SMALLEST_PX = 6  # area of a candidate in working pixels

FEATURES = (
    "log_diameter", "log_contrast", "log_contrast_to_ring_scatter", "ring_share_darker", "log_rim", "log_rim_to_strong_edges",
    "log_sharpness", "rim_share_rising", "breaks", "log_darkness_long", "log_darkness_short", "solidity", "log_elongation",
    "log_weakest_side", "isotropy",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """A place that may be a pit: its outline within a window of the working picture, and what is measured on it."""

    window: tuple[slice, slice]
    mask: np.ndarray  # bool, the window's shape
    features: np.ndarray  # float, in the order of FEATURES
    diameter_px: float  # equivalent, working pixels


# Logistic weights, intercept first, then in the order of FEATURES: what the training script printed.
WITHOUT_SCALE = (
    -2.233, 1.292, 1.015, 0.99, 0.038, 0.134, 0.413, 0.582,
    0.174, 0.005, -0.532, 0.207, -3.052, -1.136, 0.295, 2.343,
)  # fmt: skip
WITH_SCALE = (
    -11.344, 1.384, 1.009, 0.759, -0.62, 0.863, 0.847, 0.402,
    0.773, 0.296, -0.065, 0.29, 4.363, -0.516, 0.223, 1.187,
)  # fmt: skip
THRESHOLD, THRESHOLD_WITH_SCALE = 1.1, -1.5
THRESHOLD_PER_LOG_AREA = 0.3  # a larger picture offers chance more places to look like a pit
REFERENCE_AREA_PX = 256**2
# Over several sizes, without a scale. Chosen on every other of 186 windows and 152 frames of real pitted steel, at half, same and
# double size; judged on the rest (DEVELOPERS.md).
SIZES = 3  # the picture, its half and its quarter
SMALLEST_SIDE_PX = 100  # shorter side of the smallest size looked at
DOUBLED_TO_PX = 240  # a picture whose shorter side is no longer than this is doubled first
THRESHOLD_OF_MEAN = 0.25  # in place of THRESHOLD
RESOLVED_PX = 8.0  # diameter from which a size ought to show the place too
NOT_SEEN = 2.0  # below the threshold: what a size counts that ought to show it and does not
SAME_PLACE = 0.4  # shared area over joined area
MOST_PLACES = 80  # the surest of all sizes are merged
LEAST_SOLIDITY = (
    0.45  # area by that of the hull: scratches that cross are a cross; no window's or frame's figure changes with it
)


def pit_regions(
    rgb: np.ndarray, metal: np.ndarray, *, pixel_mm: float | None = None, likelihood: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Outline the pits: (labels, score).

    ``rgb`` is (h, w, 3) uint8, ``metal`` (h, w) bool, ``pixel_mm`` the millimetres on the metal that a pixel covers, where known.
    ``labels`` is (h, w) int32 with the mouths 1..n (0 is no pit); ``score`` is (n,) float, larger is surer, and it is no
    probability. ``likelihood`` (h, w) in 0..1, if given, adds places to look at; it does not change what counts as a pit.
    """
    h, w = metal.shape
    small, on, factor = working_picture(rgb, metal, pixel_mm)
    if likelihood is not None and likelihood.shape != on.shape:
        likelihood = cv2.resize(likelihood.astype(np.float32), on.shape[::-1], interpolation=cv2.INTER_AREA)
    if pixel_mm is None:
        found = _over_sizes(small, on, likelihood)
    else:
        step = pixel_mm / factor
        every = candidates(small, on, pixel_mm=step, likelihood=likelihood)
        sized = [c for c in every if SMALLEST_MM <= c.diameter_px * step <= LARGEST_MM]
        found = select(sized, WITH_SCALE, THRESHOLD_WITH_SCALE)
    labels = np.zeros(on.shape, np.int32)
    for number, (candidate, _) in enumerate(found, 1):
        labels[candidate.window][candidate.mask] = number
    if labels.shape != (h, w):
        labels = cv2.resize(labels.astype(np.float32), (w, h), interpolation=cv2.INTER_NEAREST).astype(np.int32)
    labels[~metal] = 0
    kept = np.flatnonzero(np.bincount(labels.ravel(), minlength=len(found) + 1)[1:])  # a speck may fall between pixels
    new = np.zeros(len(found) + 1, np.int32)
    new[kept + 1] = np.arange(1, kept.size + 1)
    return new[labels], np.array([score for _, score in found])[kept] if found else np.zeros(0)


def working_picture(rgb: np.ndarray, metal: np.ndarray, pixel_mm: float | None) -> tuple[np.ndarray, np.ndarray, float]:
    h, w = metal.shape
    factor = WORKING_SIDE_PX / min(h, w) if pixel_mm is None else pixel_mm / WORKING_PIXEL_MM
    if factor >= 0.95:
        return rgb, metal, 1.0
    size = max(16, round(w * factor)), max(16, round(h * factor))
    on = cv2.resize(metal.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), on, factor


def _over_sizes(rgb: np.ndarray, metal: np.ndarray, likelihood: np.ndarray | None) -> list[tuple[Candidate, float]]:
    """The surest places that do not overlap, by the mean of their scores over several sizes of the working picture."""
    side = min(metal.shape)
    zooms = [0.5**k for k in range(SIZES) if k == 0 or side * 0.5**k >= SMALLEST_SIDE_PX]
    if side <= DOUBLED_TO_PX:
        zooms.insert(0, 2.0)
    room = max(float(np.log(max(metal.sum(), 1) / REFERENCE_AREA_PX)), 0.0)
    threshold = THRESHOLD_OF_MEAN + THRESHOLD_PER_LOG_AREA * room
    places: list[tuple[float, float, Candidate]] = []  # score, zoom, the candidate on the working picture
    for zoom in zooms:
        there, on, heat = rgb, metal, likelihood
        if zoom != 1:
            size = max(16, round(metal.shape[1] * zoom)), max(16, round(metal.shape[0] * zoom))
            there = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC)
            on = cv2.resize(metal.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
            heat = None if likelihood is None else cv2.resize(likelihood, size, interpolation=cv2.INTER_AREA)
        solidity = FEATURES.index("solidity")
        every = [c for c in candidates(there, on, likelihood=heat) if c.features[solidity] >= LEAST_SOLIDITY]
        if not every:
            continue
        scores = WITHOUT_SCALE[0] + np.stack([c.features for c in every]) @ np.array(WITHOUT_SCALE[1:])
        for k in np.argsort(-scores, kind="stable")[:MOST_PLACES]:
            moved = _moved(every[k], zoom, metal.shape)
            if moved.mask.sum() >= 4:
                places.append((float(scores[k]), zoom, moved))
    places.sort(key=lambda place: -place[0])
    places = places[:MOST_PLACES]
    merged = []
    for score, zoom, place in places:
        scores_there = [score]
        for other in zooms:
            if other == zoom:
                continue
            same = next((s for s, z, c in places if z == other and _shared(place, c) > SAME_PLACE), None)
            if same is not None:
                scores_there.append(same)
            elif place.diameter_px * other >= RESOLVED_PX:
                scores_there.append(threshold - NOT_SEEN)
        merged.append((place, float(np.mean(scores_there))))
    return _apart(merged, threshold)


def _moved(candidate: Candidate, zoom: float, shape: tuple[int, ...]) -> Candidate:
    """A candidate of the picture at ``zoom`` on the picture itself, of ``shape``."""
    if zoom == 1:
        return candidate
    window = []
    for place, length in zip(candidate.window, shape, strict=True):
        first = min(round(place.start / zoom), length - 1)
        window.append(slice(first, min(max(round(place.stop / zoom), first + 1), length)))
    size = window[1].stop - window[1].start, window[0].stop - window[0].start
    how = cv2.INTER_LINEAR if zoom < 1 else cv2.INTER_AREA
    mask = cv2.resize(candidate.mask.astype(np.float32), size, interpolation=how) > 0.5
    diameter = 2 * float(np.sqrt(mask.sum() / np.pi))
    return replace(candidate, window=(window[0], window[1]), mask=mask, diameter_px=diameter)


def _shared(one: Candidate, other: Candidate) -> float:
    """Shared area over joined area."""
    here, there = [], []
    for a, b in zip(one.window, other.window, strict=True):
        first, last = max(a.start, b.start), min(a.stop, b.stop)
        if first >= last:
            return 0.0
        here.append(slice(first - a.start, last - a.start))
        there.append(slice(first - b.start, last - b.start))
    both = float((one.mask[tuple(here)] & other.mask[tuple(there)]).sum())
    return both / (float(one.mask.sum()) + float(other.mask.sum()) - both)


class _Maps:
    """The evidence over one working picture."""

    def __init__(self, rgb: np.ndarray, metal: np.ndarray, lengths: tuple[float, ...]) -> None:
        self.metal = metal
        self.shade = cv2.GaussianBlur(_log_brightness(rgb, metal), (0, 0), 1.0)
        self.gx = cv2.Scharr(self.shade, cv2.CV_32F, 1, 0, scale=1 / 32)
        self.gy = cv2.Scharr(self.shade, cv2.CV_32F, 0, 1, scale=1 / 32)
        slope = np.hypot(self.gx, self.gy)[metal]
        self.usual_slope, self.strong_slope = (max(float(np.percentile(slope, q)), 1e-4) for q in (50, 90))
        self.breaks = [_breaks(self.gx, self.gy, metal, integration) for integration in INTEGRATION_PX]
        self.darkness = [darkness(self.shade, length) for length in lengths]
        bright = [darkness(-self.shade, length) for length in lengths]
        self.bright_level = [float(np.percentile(b[metal], 99)) for b in bright]


def candidates(
    rgb: np.ndarray, metal: np.ndarray, *, pixel_mm: float | None = None, likelihood: np.ndarray | None = None
) -> list[Candidate]:
    """All places of a working picture that may be pits, overlapping ones included."""
    if metal.sum() < 64:
        return []
    if pixel_mm is None:
        lengths = tuple(share * min(metal.shape) for share in LINE_SHARES)
    else:
        lengths = LARGEST_MM / pixel_mm, LARGEST_MM / 4 / pixel_mm
    maps = _Maps(rgb, metal, lengths)
    most = 40 + round(150e-6 * metal.sum())
    seen: set[tuple[int, ...]] = set()
    out: list[Candidate] = []
    for level in BREAK_LEVELS:
        region = np.zeros(metal.shape, np.uint8)
        for z, integration in zip(maps.breaks, INTEGRATION_PX, strict=True):
            held: np.ndarray = cv2.erode((z > level).astype(np.uint8), _disc(round(0.9 * integration)))
            region |= held
        region = ndi.binary_fill_holes(_closed(region.astype(bool) & metal, 2))
        _gather(out, seen, maps, region, 0, 0.15, most)
    for k in range(len(lengths)):
        for level in DARK_LEVELS:
            region = ndi.binary_fill_holes((maps.darkness[k] > level * max(maps.bright_level[k], 0.03)) & metal)
            _gather(out, seen, maps, region, k, 0.05, most)
    if likelihood is not None:
        _gather(out, seen, maps, (likelihood > LIKELY) & metal, 0, 0.15, most)
    return out


def _gather(
    out: list[Candidate], seen: set[tuple[int, ...]], maps: _Maps, region: np.ndarray, k: int, grow: float, most: int
) -> None:
    """Outline and measure the connected parts of ``region``, the darkest and largest first."""
    parts, n = ndi.label(region, np.ones((3, 3)))
    if n == 0:
        return
    weight = np.bincount(parts.ravel(), weights=maps.darkness[k].ravel(), minlength=n + 1)[1:]
    area = np.bincount(parts.ravel(), minlength=n + 1)[1:]
    windows = ndi.find_objects(parts)
    for i in np.argsort(-weight, kind="stable")[:most]:
        if area[i] < SMALLEST_PX:
            continue
        window = _grown(windows[i], int(np.sqrt(area[i] / np.pi)) + 6, region.shape)
        mouth = _outlined(parts[window] == i + 1, maps.darkness[k][window], maps.metal[window], grow)
        if mouth is None:
            continue
        y, x = np.nonzero(mouth)
        key = (y.size, window[0].start + int(y.min()), window[1].start + int(x.min()), int(np.ptp(y)), int(np.ptp(x)))
        if y.size < SMALLEST_PX or key in seen:
            continue
        seen.add(key)
        diameter = 2 * np.sqrt(y.size / np.pi)
        tight = slice(key[1], key[1] + key[3] + 1), slice(key[2], key[2] + key[4] + 1)
        around = _grown(tight, max(2, round(0.2 * diameter)) + 4, region.shape)
        mask = np.zeros(tuple(s.stop - s.start for s in around), bool)
        mask[y + window[0].start - around[0].start, x + window[1].start - around[1].start] = True
        features = _features(mask, around, maps, diameter)
        if features is not None:
            out.append(Candidate(window=around, mask=mask, features=features, diameter_px=diameter))


def _outlined(part: np.ndarray, darkness: np.ndarray, metal: np.ndarray, grow: float) -> np.ndarray | None:
    """The mouth: what is darker than a share of the part's own darkness, in and close round the part; bright floors closed."""
    diameter = 2 * np.sqrt(part.sum() / np.pi)
    zone = (cv2.dilate(part.astype(np.uint8), _disc(max(1, round(grow * diameter)))) > 0) & metal
    mouth = zone & (darkness > OUTLINE_SHARE * np.percentile(darkness[part], 90))
    mouth = ndi.binary_fill_holes(_closed(mouth, max(1, round(0.05 * diameter)))) & metal
    pieces, n = ndi.label(mouth)
    if n == 0:
        return None
    shared = np.bincount(pieces[part], minlength=n + 1)
    shared[0] = 0
    return pieces == shared.argmax() if shared.any() else None


def _features(mask: np.ndarray, window: tuple[slice, slice], maps: _Maps, diameter: float) -> np.ndarray | None:
    m = mask.astype(np.uint8)
    shade = maps.shade[window]
    wide = cv2.dilate(m, _disc(max(2, round(0.2 * diameter)) + 1))
    ring = (wide > 0) & (cv2.dilate(m, _disc(1)) == 0) & maps.metal[window]
    if ring.sum() < 8:
        return None
    inside, outside = shade[mask], shade[ring]
    soft = cv2.GaussianBlur(cv2.copyMakeBorder(m.astype(np.float32), 3, 3, 3, 3, cv2.BORDER_REPLICATE), (0, 0), 1.0)
    nx = cv2.Sobel(soft, cv2.CV_32F, 1, 0)[3:-3, 3:-3]
    ny = cv2.Sobel(soft, cv2.CV_32F, 0, 1)[3:-3, 3:-3]
    padded = cv2.copyMakeBorder(m, 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    square = np.ones((3, 3), np.uint8)
    rim = ((cv2.dilate(padded, square) > 0) & (cv2.erode(padded, square) == 0))[1:-1, 1:-1]
    gx, gy = maps.gx[window], maps.gy[window]
    rise = -(gx * nx + gy * ny)[rim] / (np.hypot(nx, ny)[rim] + 1e-9)
    side = (np.arctan2(ny[rim], nx[rim]) * 4 / np.pi + 8.5).astype(int) % 8
    count = np.bincount(side, minlength=8)
    sides = np.bincount(side, weights=rise, minlength=8)[count > 0.05 * side.size] / count[count > 0.05 * side.size]
    weakest = float(np.partition(sides, 1)[1]) if sides.size > 1 else float(rise.mean())  # one side may lie in a shadow
    whole = cv2.dilate(m, _disc(1)) > 0
    xx, yy, xy = float((gx[whole] ** 2).sum()), float((gy[whole] ** 2).sum()), float((gx[whole] * gy[whole]).sum())
    odd = np.hypot((xx - yy) / 2, xy)
    contrast = float(outside.mean() - inside.mean())
    contour = max(cv2.findContours(m, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    hull = cv2.contourArea(cv2.convexHull(contour)) + len(contour) / 2 + 1
    y, x = np.nonzero(mask)
    small, large = np.linalg.eigvalsh(np.cov(np.stack([x, y])) + np.eye(2) / 12)
    mean_rise = float(rise.mean())
    dark = [
        float(np.percentile(d[window][mask], 90)) / max(b, 0.02)
        for d, b in zip(maps.darkness, maps.bright_level, strict=True)
    ]
    return np.array(
        [
            np.log(min(diameter, LARGE_PX)),
            np.log(max(contrast, 0.01)),
            np.log(max(contrast / np.sqrt(outside.var() + 0.02**2), 0.05)),
            float((outside < np.median(inside)).mean()),
            np.log(max(mean_rise / maps.usual_slope, 0.05)),
            np.log(max(mean_rise / maps.strong_slope, 0.02)),
            np.log(max(mean_rise * min(diameter, 20) / max(contrast, 0.01), 0.01)),
            float((rise > maps.usual_slope).mean()),
            min(float(maps.breaks[0][window][mask].max()), 12.0),
            np.log(max(dark[0], 0.1)),
            np.log(max(dark[1], 0.1)),
            y.size / max(hull, y.size),
            0.5 * np.log(large / small),
            np.log(max(weakest / maps.strong_slope, 0.02)),
            ((xx + yy) / 2 - odd) / ((xx + yy) / 2 + odd + 1e-12),
        ]
    )


def select(found: list[Candidate], weights: tuple[float, ...], threshold: float) -> list[tuple[Candidate, float]]:
    """The surest candidates that do not overlap, surest first."""
    if not found:
        return []
    scores = weights[0] + np.stack([c.features for c in found]) @ np.array(weights[1:])
    return _apart(list(zip(found, scores.tolist(), strict=True)), threshold)


def _apart(found: list[tuple[Candidate, float]], threshold: float) -> list[tuple[Candidate, float]]:
    """Of candidates with their scores those from the threshold on that do not overlap a surer one, surest first."""
    if not found:
        return []
    shape = [max(c.window[axis].stop for c, _ in found) for axis in (0, 1)]
    taken = np.zeros(shape, np.int32)
    out: list[tuple[Candidate, float]] = []
    for candidate, score in sorted(found, key=lambda one: -one[1]):
        if score < threshold:
            break
        mask, place = candidate.mask, taken[candidate.window]
        shared = np.bincount(place[mask])[1:]
        area = mask.sum()
        if any(n > 0.1 * min(area, out[k][0].mask.sum()) for k, n in enumerate(shared) if n):
            continue  # the same place, a part of it, or a surer pit with its surroundings
        free = mask & (place == 0)
        out.append((replace(candidate, mask=free), score))
        place[free] = len(out)
    return out


def _log_brightness(rgb: np.ndarray, metal: np.ndarray) -> np.ndarray:
    """Natural log of brightness, (h, w) float32: a difference is a ratio of light. Off the metal the nearest metal goes on."""
    grey = rgb.astype(np.float32) @ np.array([0.299, 0.587, 0.114], np.float32)
    shade = np.log((grey + 8) / 263)  # 8 of 255 keeps the sensor's noise in the dark from looking like contrast
    if not metal.all():
        near = ndi.distance_transform_edt(~metal, return_distances=False, return_indices=True)
        shade = shade[tuple(near)]
    return shade


def least_change(gx: np.ndarray, gy: np.ndarray, integration: float) -> np.ndarray:
    """Smaller eigenvalue of the structure tensor of the slopes ``gx, gy``, over a Gaussian window of ``integration`` pixels."""
    xx, yy, xy = (cv2.GaussianBlur(a, (0, 0), integration) for a in (gx * gx, gy * gy, gx * gy))
    return np.maximum((xx + yy) / 2 - np.sqrt(((xx - yy) / 2) ** 2 + xy * xy), 0)


def _breaks(gx: np.ndarray, gy: np.ndarray, metal: np.ndarray, integration: float) -> np.ndarray:
    """How far the breaks of the lay stand out of the picture's metal, in spreads of the quieter side, (h, w) float32."""
    texture = 0.5 * np.log(least_change(gx, gy, integration) + 1e-7)
    values = texture[metal]
    middle = float(np.median(values))
    spread = max(middle - float(np.percentile(values, 15.87)), 0.15)
    h, w = texture.shape
    k = max(1, min(h, w) // 32)
    coarse = cv2.resize(np.where(metal, texture, np.float32(middle)), (w // k, h // k), interpolation=cv2.INTER_AREA)
    coarse[coarse > middle + 2.5 * spread] = middle  # a pit must not raise the level that it is measured against
    ground = np.clip(cv2.GaussianBlur(coarse, (0, 0), min(coarse.shape) / 8), middle - 0.7, middle + 0.7)
    return (texture - cv2.resize(ground, (w, h))) / spread


def darkness(shade: np.ndarray, length: float) -> np.ndarray:
    """Least rise over line closings in twelve directions: shade against brighter metal on all sides, (h, w) float32."""
    h, w = shade.shape
    k = max(1, int(length // 48))  # a long line needs no fine steps
    coarse = shade if k == 1 else cv2.resize(shade, (max(1, w // k), max(1, h // k)), interpolation=cv2.INTER_AREA)
    # mirrored past the picture's edge, so that a pit that the edge cuts is still closed in
    edge = int(length / k / 2) + 1
    coarse = cv2.copyMakeBorder(coarse, edge, edge, edge, edge, cv2.BORDER_REFLECT)
    lowest: np.ndarray = np.full(coarse.shape, np.inf, coarse.dtype)
    for step in range(12):
        lowest = np.minimum(lowest, cv2.morphologyEx(coarse, cv2.MORPH_CLOSE, line(length / k, np.pi * step / 12)))
    lowest = lowest[edge:-edge, edge:-edge]
    if k > 1:
        lowest = cv2.resize(lowest, (w, h), interpolation=cv2.INTER_LINEAR)
    return np.maximum(lowest - shade, 0)


def line(length: float, angle: float) -> np.ndarray:
    n = max(3, int(length) | 1)
    c = n // 2
    dx, dy = round(np.cos(angle) * c), round(np.sin(angle) * c)
    kernel = np.zeros((n, n), np.uint8)
    cv2.line(kernel, (c - dx, c - dy), (c + dx, c + dy), 1)
    return kernel


def _disc(radius: int) -> np.ndarray:
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))


def _closed(mask: np.ndarray, radius: int) -> np.ndarray:
    """Closing that goes on past the picture's edge."""
    padded = cv2.copyMakeBorder(mask.astype(np.uint8), radius, radius, radius, radius, cv2.BORDER_REPLICATE)
    return cv2.morphologyEx(padded, cv2.MORPH_CLOSE, _disc(radius))[radius:-radius, radius:-radius] > 0


def _grown(window: tuple[slice, slice], margin: int, shape: tuple[int, ...]) -> tuple[slice, slice]:
    ys, xs = window
    return (
        slice(max(ys.start - margin, 0), min(ys.stop + margin, shape[0])),
        slice(max(xs.start - margin, 0), min(xs.stop + margin, shape[1])),
    )
