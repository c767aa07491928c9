"""A ruler lying beside the piece: its row of graduation marks gives the scale, their perspective the tilt.

A row of marks is found as a chain of thin dark strokes, evenly spaced and parallel. From that first guess on, the plane's
pose predicts where every mark must lie; each mark is measured there at several depths, and the pose is fitted anew. The
frame is the ruler's: x along the row in steps of the graduation, y from the marks' feet towards their tips.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from analyzer.base.measured import MM_PER_INCH
from analyzer.scale.edges import LUMINANCE, green_crop, linear_crop
from analyzer.scale.plane_pose import (
    OWN,
    PLACE,
    TURN,
    CameraPrior,
    PlaneFit,
    fit_plane,
    most_likely,
    pose_parameters,
    project,
    project_with_slopes,
    start_with,
)

# Where no reason stands beside a figure: judgement while the room was built; which pictures served was not recorded.
SEARCH_SIDES_PX = (1600, 900)  # strokes are looked for on pictures no larger than this; the second for close-ups
STROKE_THRESHOLDS = (0.10, 0.05, 0.2)  # of the brightness around: ordinary, faint, coarse background
ENOUGH_MARKS = 40  # with these and their pattern read, no other row is looked for
LEAST_MARKS = 12  # fewer than this say too little about spacing and pattern
MOST_MARKS = 1200  # a metre in millimetres with some to spare; longer rows are woven, printed or dithered
TILT_SIGMA = 0.35  # people hold the phone roughly above: sine of the tilt, in each direction, from memory
# Steps between marks that rulers have: name, mm, after how many marks the pattern of long marks repeats.
GRADUATIONS = {"1 mm": 1.0, "0.5 mm": 0.5, "1/16 in": MM_PER_INCH / 16}


# Steps on the ruler, in its graduation, by which directions there are told: along a mark, and along the row.
ALONG_MARK, ALONG_ROW = (0.0, 0.5), (0.5, 0.0)
MOST_AT_TIPS = (
    4.0  # standard uncertainties by which one mark's end may pull: a long mark among the short ones is no error
)


@dataclass(frozen=True, kw_only=True)
class FoundRuler:
    """``fit`` is in millimetres; ``graduation`` names the step and ``pattern_seen`` tells whether the long marks prove it."""

    fit: PlaneFit
    graduation: str
    pattern_seen: bool
    marks: int
    marks_px: np.ndarray  # (N, 2) feet of the marks
    outline_px: np.ndarray  # (4, 2)
    width_mm: float
    material: str  # "steel", "wood" or "plastic", judged by colour and brushing


@dataclass(frozen=True, kw_only=True)
class _Strokes:
    centres: np.ndarray  # (N, 2)
    angles: np.ndarray  # (N,)
    lengths: np.ndarray  # (N,)


def find_ruler(rgb: np.ndarray, cameras: tuple[CameraPrior, ...]) -> FoundRuler | None:
    """The ruler's plane, or None where no row of graduation marks is seen."""
    best = None
    for side in SEARCH_SIDES_PX:
        shrink = min(1.0, side / max(rgb.shape[:2]))
        small = cv2.resize(rgb, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else rgb
        grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
        for threshold, among in _tries(grey):
            strokes = _strokes(grey, threshold, among)
            for chain in _chains(strokes):
                found = _follow(rgb, cameras, _scaled(strokes, chain, shrink))
                if found is not None and (best is None or _trust(found) > _trust(best)):
                    best = found
                if best is not None and best.pattern_seen and best.marks >= ENOUGH_MARKS:
                    return best
            if best is not None:
                return best
    return best


def _tries(grey: np.ndarray) -> Iterator[tuple[float, np.ndarray | None]]:
    """Ways to look for strokes, the usual one first.

    A dark line along the ruler's edge ties all marks into one comb: they come apart when only what runs in one direction
    is kept, at each of four directions.
    """
    for threshold in STROKE_THRESHOLDS:
        yield threshold, None
    directions = _directions(grey)
    for turn in np.arange(4) * np.pi / 4:
        yield STROKE_THRESHOLDS[0], np.cos(2 * (directions - turn)) > math.cos(math.radians(70))


def _directions(grey: np.ndarray) -> np.ndarray:
    """Direction of lines at each pixel, radians, by the structure tensor."""
    along_x, along_y = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    xx, yy, xy = (cv2.blur(part, (5, 5)) for part in (along_x * along_x, along_y * along_y, along_x * along_y))
    return 0.5 * np.arctan2(2 * xy, xx - yy) + np.pi / 2  # lines run across the slope


def _trust(ruler: FoundRuler) -> tuple[bool, int]:
    return ruler.pattern_seen, ruler.marks


def _strokes(grey: np.ndarray, threshold: float, among: np.ndarray | None = None, kernel: int = 9) -> _Strokes:
    """Thin dark strokes of a grey picture: centre, direction, length, by second moments of connected dark pixels.

    ``among``: only these pixels (bool, like ``grey``).
    """
    element = cv2.getStructuringElement(cv2.MORPH_RECT, (kernel, kernel))
    depth = cv2.morphologyEx(grey, cv2.MORPH_BLACKHAT, element)
    around = cv2.blur(grey, (41, 41))
    mask = (depth > np.maximum(5.0, threshold * around)).astype(np.uint8)
    if among is not None:
        mask &= among
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    sized = (boxes[:, cv2.CC_STAT_AREA] >= 8) & (boxes[:, cv2.CC_STAT_AREA] <= 1500)
    sized[0] = False
    y, x = np.nonzero(mask)
    label = labels[y, x]
    inside = sized[label]
    x, y, label = x[inside].astype(np.float64), y[inside].astype(np.float64), label[inside]
    weight = np.maximum(np.bincount(label, minlength=count), 1)
    mean_x, mean_y = np.bincount(label, x, count) / weight, np.bincount(label, y, count) / weight
    x, y = x - mean_x[label], y - mean_y[label]
    xx = np.bincount(label, x * x, count) / weight + 1 / 12  # a pixel's own extent
    yy = np.bincount(label, y * y, count) / weight + 1 / 12
    xy = np.bincount(label, x * y, count) / weight
    root = np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    length = np.sqrt(12 * ((xx + yy) / 2 + root))
    width = np.sqrt(12 * np.maximum((xx + yy) / 2 - root, 1e-6))
    kept = np.flatnonzero(sized & (length >= 6) & (length > 2 * width))
    if len(kept) > 6000:  # a woven or grained table: the most contrasting strokes are enough
        kept = kept[np.argsort(-length[kept])[:6000]]
    return _Strokes(
        centres=np.stack([mean_x[kept], mean_y[kept]], axis=1),
        angles=0.5 * np.arctan2(2 * xy, xx - yy)[kept],
        lengths=length[kept],
    )


def _chains(strokes: _Strokes, reach_px: float = 70.0, most: int = 4) -> list[np.ndarray]:
    """Longest chains of parallel strokes whose gaps to both neighbours are alike: indices into ``strokes``."""
    count = len(strokes.centres)
    if count < 5:
        return []
    along = np.stack([np.cos(strokes.angles), np.sin(strokes.angles)], axis=1)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    pairs = cKDTree(strokes.centres).query_pairs(reach_px, output_type="ndarray")
    i, j = np.concatenate([pairs, pairs[:, ::-1]]).T
    step = strokes.centres[j] - strokes.centres[i]
    shift, gap = np.sum(step * along[i], axis=1), np.sum(step * across[i], axis=1)
    turn = np.abs((strokes.angles[j] - strokes.angles[i] + np.pi / 2) % np.pi - np.pi / 2)
    longer = np.maximum(strokes.lengths[i], strokes.lengths[j])
    shorter = np.minimum(strokes.lengths[i], strokes.lengths[j])
    linked = (turn < math.radians(12)) & (np.abs(shift) < 0.6 * longer) & (np.abs(gap) > 2.5)
    linked &= (longer < 3.5 * shorter) & (np.abs(gap) < 3 * shorter)
    i, j, gap = i[linked], j[linked], gap[linked]
    neighbours, gaps = [], []
    for side in (1, -1):
        chosen = gap * side > 0
        first, second, distance = i[chosen], j[chosen], np.abs(gap[chosen])
        order = np.lexsort((distance, first))
        first, second, distance = first[order], second[order], distance[order]
        nearest = np.r_[True, first[1:] != first[:-1]] if len(first) else np.zeros(0, dtype=bool)
        neighbour, nearest_gap = np.full(count, -1), np.full(count, np.inf)
        neighbour[first[nearest]], nearest_gap[first[nearest]] = second[nearest], distance[nearest]
        neighbours.append(neighbour)
        gaps.append(nearest_gap)
    regular = (neighbours[0] >= 0) & (neighbours[1] >= 0)
    with np.errstate(invalid="ignore"):
        ratio = gaps[0] / gaps[1]
    regular &= (ratio > 0.75) & (ratio < 1.33)
    members = np.flatnonzero(regular)
    if len(members) == 0:
        return []
    rows = np.concatenate([members, members])
    columns = np.concatenate([neighbours[0][members], neighbours[1][members]])
    graph = coo_matrix((np.ones(len(rows)), (rows, columns)), shape=(count, count))
    _, group = connected_components(graph, directed=False)
    size = np.bincount(group[members])
    return [np.flatnonzero(group == g) for g in np.argsort(-size, kind="stable")[:most] if size[g] >= 5]


def _scaled(strokes: _Strokes, chain: np.ndarray, shrink: float) -> _Strokes:
    return _Strokes(
        centres=(strokes.centres[chain] + 0.5) / shrink - 0.5,
        angles=strokes.angles[chain],
        lengths=strokes.lengths[chain] / shrink,
    )


@dataclass(frozen=True, kw_only=True)
class _Readings:
    """Where marks were read: number of the mark, depth y on the ruler, place in the photo, contrast."""

    number: np.ndarray
    depth: np.ndarray
    place_px: np.ndarray
    contrast: np.ndarray

    def at(self, kept: np.ndarray) -> _Readings:
        """Those of the readings that ``kept``, an index or a mask, takes."""
        return _Readings(
            number=self.number[kept], depth=self.depth[kept], place_px=self.place_px[kept], contrast=self.contrast[kept]
        )

    def with_more(self, other: _Readings) -> _Readings:
        return _Readings(
            number=np.concatenate([self.number, other.number]),
            depth=np.concatenate([self.depth, other.depth]),
            place_px=np.concatenate([self.place_px, other.place_px]),
            contrast=np.concatenate([self.contrast, other.contrast]),
        )


NO_READINGS = _Readings(number=np.zeros(0, int), depth=np.zeros(0), place_px=np.zeros((0, 2)), contrast=np.zeros(0))


def _follow(rgb: np.ndarray, cameras: tuple[CameraPrior, ...], strokes: _Strokes) -> FoundRuler | None:
    """Follow the row that a chain of strokes belongs to; None where it is no graduation."""
    prior = cameras[0]
    begun = _begin(prior, strokes)
    if begun is None:
        return None
    fit, short, first, last = begun
    readings = NO_READINGS
    for round_number in range(5):
        before = (first, last)
        first, last = _within_picture(fit, first - 12, last + 12, rgb.shape)
        if last - first >= MOST_MARKS:
            return None
        bands = short * np.array([[0.12, 0.36], [0.36, 0.6], [0.6, 0.84]])
        readings = _read(rgb, fit, np.arange(first, last + 1), bands)
        first, last = _longest_run(readings, first, last)
        inside = (readings.number >= first) & (readings.number <= last)
        readings = readings.at(inside)
        if len(np.unique(readings.number)) < LEAST_MARKS:
            return None
        tips = _tips(rgb, fit, np.unique(readings.number), short)
        fitted = _fit_row(fit, (_held(prior) if round_number < 2 else prior,), readings, tips)
        if fitted is None:
            return None
        fit = fitted[0]
        if round_number >= 2 and before == (first, last):
            break
    lengths = _mark_lengths(rgb, fit, np.arange(first, last + 1), short)
    graduation, pattern_seen = _graduation(lengths)
    # Long marks reach further from the edge: they hold the tilt across the ruler.
    deep = _read(rgb, fit, np.arange(first, last + 1), short * np.array([[1.1, 1.35], [1.35, 1.6], [1.6, 1.85]]))
    reach = lengths[deep.number - first]
    deep_enough = deep.depth < 0.93 * reach
    readings = readings.with_more(deep.at(deep_enough))
    step_mm = GRADUATIONS[graduation]
    middle = np.median(readings.place_px, axis=0)
    tips = _tips(rgb, fit, np.unique(readings.number), short)
    fitted = _fit_row(fit, cameras, readings, tips)
    if fitted is None:
        return None
    fit = most_likely([_in_millimetres(one, step_mm) for one in fitted], cameras, middle)
    return _finish(rgb, fit, readings, graduation, pattern_seen, first, last, short)


def _begin(prior: CameraPrior, strokes: _Strokes) -> tuple[PlaneFit, float, int, int] | None:
    """First pose from the strokes alone, seen square on; length of the short marks in steps; first and last number."""
    if len(strokes.angles) > MOST_MARKS:
        return None
    turn = 0.5 * math.atan2(float(np.sum(np.sin(2 * strokes.angles))), float(np.sum(np.cos(2 * strokes.angles))))
    along = np.array([math.cos(turn), math.sin(turn)])
    own = np.stack([np.cos(strokes.angles), np.sin(strokes.angles)], axis=1)
    own *= np.sign(own @ along)[:, None]
    ends = [strokes.centres + side * own * strokes.lengths[:, None] / 2 for side in (1, -1)]
    scatters = []
    for points in ends:
        centre = np.median(points, axis=0)
        direction = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
        across = (points - centre) @ np.array([-direction[1], direction[0]])
        # Every fifth mark is longer: its tip stands out, its foot does not.
        scatters.append(np.mean(np.minimum(np.abs(across - np.median(across)), np.median(strokes.lengths) / 2)))
    feet = ends[int(np.argmin(scatters))]
    inward = -along if scatters[0] <= scatters[1] else along  # from the feet to the tips
    row = np.linalg.svd(feet - feet.mean(axis=0), full_matrices=False)[2][0]
    if row[1] * inward[0] - row[0] * inward[1] < 0:  # y must point to the tips when z points to the camera
        row = -row
    place = (feet - feet.mean(axis=0)) @ row
    order = np.argsort(place)
    place, feet, strokes = place[order], feet[order], _scaled(strokes, order, 1.0)
    gaps = np.diff(place)
    gap = float(np.median(gaps[gaps > 1.0])) if np.any(gaps > 1.0) else 0.0
    if gap < 2.0:
        return None
    local = np.array([np.median(gaps[max(i - 5, 0) : i + 6]) for i in range(len(gaps))])
    number = np.concatenate([[0], np.cumsum(np.rint(gaps / np.maximum(local, 1.0)))]).astype(int)
    short = float(np.quantile(strokes.lengths, 0.3)) / gap
    if not 0.8 < short < 8:
        return None
    rotation = np.array([[row[0], row[1], 0.0], [row[1], -row[0], 0.0], [0.0, 0.0, -1.0]]).T
    depth = prior.focal_px / gap
    origin = (feet[0] - prior.centre_px) / prior.focal_px
    start = pose_parameters(prior, rotation, np.array([*origin, 1.0]) * depth)
    readings = _Readings(
        number=np.tile(number, 3),
        depth=np.concatenate([np.full(len(number), share * short) for share in (0.2, 0.5, 0.8)]),
        place_px=np.concatenate(
            [
                feet + share * strokes.lengths[:, None] * np.sign(own[order] @ inward)[:, None] * own[order]
                for share in (0.2, 0.5, 0.8)
            ]
        ),
        contrast=np.ones(3 * len(number)),
    )
    tips = np.stack([number, np.full(len(number), short)], axis=1).astype(np.float64)
    tips_px = feet + float(np.quantile(strokes.lengths, 0.3)) * inward
    fit = _solve(start, _held(prior), readings, (tips, tips_px), sigma_px=1.0, loss="soft_l1")
    return fit, short, int(number[0]), int(number[-1])


def _tilt(parameters: np.ndarray) -> dict[str, np.ndarray]:
    normal = cv2.Rodrigues(parameters[TURN : TURN + 3])[0][:, 2]
    return {"camera tilt": normal[:2] / TILT_SIGMA}


def _tilt_slopes(parameters: np.ndarray) -> np.ndarray:
    """Derivative (2, P) of ``_tilt`` by the parameters."""
    slopes = np.zeros((2, len(parameters)))
    of_rotation = cv2.Rodrigues(np.asarray(parameters[TURN : TURN + 3], dtype=np.float64))[1]
    slopes[:, TURN : TURN + 3] = of_rotation[:, [2, 5]].T / TILT_SIGMA  # the rotation's third column, row by row
    return slopes


def _line(parameters: np.ndarray, model: np.ndarray, towards: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Where places on the ruler (N, 2) are seen (N, 2), and the direction (N, 2), of length 1, in which the ruler runs ``towards`` there."""
    at, beyond = project(parameters, model), project(parameters, model + towards)
    along = beyond - at
    return at, along / np.linalg.norm(along, axis=1, keepdims=True)


def _across(at: np.ndarray, along: np.ndarray, places_px: np.ndarray) -> np.ndarray:
    """Distance (N,) of places in the photo from the lines through ``at`` in direction ``along``, with its sign."""
    apart = places_px - at
    return apart[:, 0] * along[:, 1] - apart[:, 1] * along[:, 0]


def _across_slopes(
    parameters: np.ndarray, model: np.ndarray, towards: tuple[float, float], places_px: np.ndarray
) -> np.ndarray:
    """Derivative (N, P) of ``_across(*_line(parameters, model, towards), places_px)`` by the parameters."""
    places, slopes = project_with_slopes(parameters, np.concatenate([model, model + towards]))
    count = len(model)
    at, at_slopes = places[:count], slopes[:count]
    span, span_slopes = places[count:] - at, slopes[count:] - at_slopes
    length = np.linalg.norm(span, axis=1)[:, None]
    along, apart = span / length, places_px - at
    turned = np.stack([along[:, 1], -along[:, 0]], axis=1)  # across = apart . turned
    # Only what turns the direction moves it: the part of the span's change at right angles to it.
    turning = np.einsum("nk,nkp->np", turned, span_slopes) / length
    moved = np.einsum("nk,nkp->np", turned, at_slopes)
    forward = np.sum(apart * along, axis=1)[:, None]
    whole = np.zeros((count, len(parameters)))
    whole[:, :OWN] = -moved - forward * turning
    return whole


def _held(prior: CameraPrior) -> CameraPrior:
    """The same camera, held fast: rough readings must not bend it."""
    return replace(prior, focal_relative=1e-3, centre_sigma_px=0.1, distortion_sigma=1e-3)


def _solve(
    start: np.ndarray,
    prior: CameraPrior,
    readings: _Readings,
    tips: tuple[np.ndarray, np.ndarray],
    sigma_px: float,
    loss: str = "linear",
) -> PlaneFit:
    """Pose from readings of marks: each lies on the line x = its number, wherever along the mark it was read.

    ``tips``: places on the ruler (N, 2) and in the photo (N, 2) of the short marks' ends, which lie on one line along the row.
    """
    model = np.stack([readings.number, readings.depth], axis=1).astype(np.float64)

    def ends(parameters: np.ndarray) -> np.ndarray:
        return _across(*_line(parameters, tips[0], ALONG_ROW), tips[1]) / TIP_SIGMA_PX

    def residuals(parameters: np.ndarray) -> np.ndarray:
        return _across(*_line(parameters, model, ALONG_MARK), readings.place_px) / sigma_px

    def extra(parameters: np.ndarray) -> dict[str, np.ndarray]:
        return {"mark ends": np.clip(ends(parameters), -MOST_AT_TIPS, MOST_AT_TIPS), **_tilt(parameters)}

    def slopes(parameters: np.ndarray) -> dict[str, np.ndarray]:
        free = np.abs(ends(parameters)) < MOST_AT_TIPS
        of_ends = _across_slopes(parameters, tips[0], ALONG_ROW, tips[1]) * (free / TIP_SIGMA_PX)[:, None]
        return {
            "marker edges": _across_slopes(parameters, model, ALONG_MARK, readings.place_px) / sigma_px,
            "mark ends": of_ends,
            "camera tilt": _tilt_slopes(parameters),
        }

    return fit_plane(start, prior, residuals, extra, slopes=slopes, loss=loss)


def _fit_row(
    fit: PlaneFit, cameras: tuple[CameraPrior, ...], readings: _Readings, tips: tuple[np.ndarray, np.ndarray]
) -> list[PlaneFit] | None:
    """Fit the pose to the readings for each camera, outliers left out; None where the marks do not lie in steps."""
    kept = np.ones(len(readings.number), dtype=bool)
    sigma, fits = 0.5, [fit]
    for _ in range(2):
        if len(np.unique(readings.number[kept])) < LEAST_MARKS:
            return None
        part = _Readings(**{name: getattr(readings, name)[kept] for name in readings.__dataclass_fields__})
        starts = [fit.parameters if len(cameras) == 1 else start_with(fit.parameters, camera) for camera in cameras]
        fits = [_solve(start, camera, part, tips, sigma) for start, camera in zip(starts, cameras, strict=True)]
        fit = min(fits, key=lambda one: one.cost)
        apart = _apart(fit, readings)
        spread = 1.4826 * float(np.median(np.abs(apart[kept])))
        kept = np.abs(apart) < max(3.5 * spread, 0.2)
        # The readings of one mark share the mark's own fault, so three of them count as one.
        sigma = max(spread, 0.05) * math.sqrt(3.0)
    return fits


def _apart(fit: PlaneFit, readings: _Readings) -> np.ndarray:
    """Distance in pixels of each reading from its mark's line."""
    model = np.stack([readings.number, readings.depth], axis=1).astype(np.float64)
    return _across(*_line(fit.parameters, model, ALONG_MARK), readings.place_px)


def _within_picture(fit: PlaneFit, first: int, last: int, shape: tuple[int, ...]) -> tuple[int, int]:
    """The numbers of marks from first to last whose places lie in the picture."""
    numbers = np.arange(first, last + 1)
    with np.errstate(all="ignore"):
        places = project(fit.parameters, np.stack([numbers, np.full(len(numbers), 1.0)], axis=1).astype(np.float64))
    inside = np.all((places > 2) & (places < np.array([shape[1], shape[0]]) - 3), axis=1)
    if not np.any(inside):
        return first, last
    return int(numbers[inside][0]), int(numbers[inside][-1])


def _rectified(rgb: np.ndarray, fit: PlaneFit, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Green light (len(y), len(x)) of the ruler's plane at those coordinates; NaN outside the picture."""
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    places = project(fit.parameters, grid)
    low, high = places.min(axis=0) - 2, places.max(axis=0) + 2
    image, origin = green_crop(rgb, low[0], low[1], *(high - low))
    # what lies far outside is NaN wherever it lies; remap itself must not be asked for places beyond all bounds
    places = np.clip(np.nan_to_num(places - origin, nan=-2.0), -2.0, np.array(image.shape[::-1]) + 1.0)
    places = places.astype(np.float32).reshape(len(y), len(x), 2)
    return cv2.remap(
        image,
        np.ascontiguousarray(places[..., 0]),
        np.ascontiguousarray(places[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )


# The three: judgement while the room was built; which pictures served was not recorded.
SAMPLES = 24  # a step
TIP_SIGMA_PX = 1.0  # of the end of a short mark along it; printed ends are less exact than the marks' sides
AGREEMENT = 0.07  # of a step, between the readings of one mark at different depths


def _read(rgb: np.ndarray, fit: PlaneFit, numbers: np.ndarray, bands: np.ndarray) -> _Readings:
    """Read each numbered mark in each band of depths: the centre of what is darker than the face on both sides.

    A mark counts where at least two bands agree: a grain of the table seldom runs on straight.
    """
    offsets = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    x = (numbers[:, None] + offsets[None, :]).ravel()
    centres, contrasts = [], []
    for low, high in bands:
        strip = _rectified(rgb, fit, x, np.linspace(low, high, 6))
        centre, contrast = _dark_centres(strip.mean(axis=0).reshape(len(numbers), SAMPLES), offsets)
        centres.append(centre)
        contrasts.append(contrast)
    centre, contrast = np.array(centres), np.array(contrasts)
    found = np.isfinite(centre)
    read = found.sum(axis=0) >= 2
    middle = np.full(len(numbers), np.nan)
    middle[read] = np.nanmedian(centre[:, read], axis=0)
    with np.errstate(invalid="ignore"):
        found &= np.abs(centre - middle) < AGREEMENT
    read = found.sum(axis=0) >= 2
    strong = contrast.max(axis=0)
    usual = np.median(strong[read]) if np.any(read) else 0.0
    found &= (read & (strong > 0.25 * usual))[None, :]
    band, place = np.nonzero(found)
    depth = bands.mean(axis=1)[band]
    number = numbers[place]
    return _Readings(
        number=number,
        depth=depth,
        place_px=project(fit.parameters, np.stack([number + centre[found], depth], axis=1)),
        contrast=contrast[found],
    )


def _dark_centres(profile: np.ndarray, offsets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centre of the dark stroke in each profile (N, SAMPLES) and its contrast; NaN where there is none."""
    edge = SAMPLES // 6
    left, right = np.median(profile[:, :edge], axis=1), np.median(profile[:, -edge:], axis=1)
    face = left[:, None] + (right - left)[:, None] * (offsets - offsets[0]) / (offsets[-1] - offsets[0])
    with np.errstate(invalid="ignore", divide="ignore"):
        depth = (face - profile) / face
    middle = np.abs(offsets) < 0.42
    best = np.argmax(np.where(middle, np.nan_to_num(depth, nan=-1.0), -np.inf), axis=1)
    peak = depth[np.arange(len(depth)), best]
    near = np.abs(offsets[None, :] - offsets[best][:, None]) <= 0.25
    weight = np.where(near, np.maximum(np.nan_to_num(depth) - 0.25 * peak[:, None], 0.0), 0.0)
    total = weight.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        centre = (weight * offsets).sum(axis=1) / total
    noise = np.median(np.abs(np.diff(profile[:, :edge], axis=1)), axis=1) / np.maximum(left, 1e-6)
    found = np.isfinite(peak) & (peak > np.maximum(0.04, 3 * noise)) & (total > 0) & (np.abs(centre) < 0.4)
    return np.where(found, centre, np.nan), np.where(found, peak, 0.0)


def _longest_run(readings: _Readings, first: int, last: int) -> tuple[int, int]:
    """The longest stretch of numbers where most marks are read; glare may hide a few in between."""
    present = np.bincount(readings.number - first, minlength=last - first + 1) >= 2
    window = 9
    if len(present) < LEAST_MARKS:  # the run could not hold enough marks
        return first, first
    dense = np.convolve(present, np.ones(window), mode="same") >= 0.6 * window
    good = np.flatnonzero(present & dense)
    if len(good) == 0:
        return first, first
    runs = np.split(good, np.flatnonzero(np.diff(good) > 12) + 1)
    longest = max(runs, key=len)
    # The window thins out at the ends of the row: marks that follow without a gap belong to it.
    low, high = int(longest[0]), int(longest[-1])
    while low > 0 and present[low - 1]:
        low -= 1
    while high + 1 < len(present) and present[high + 1]:
        high += 1
    return first + low, first + high


def _tips(rgb: np.ndarray, fit: PlaneFit, numbers: np.ndarray, short: float) -> tuple[np.ndarray, np.ndarray]:
    """Ends of the short marks near depth ``short``: places on the ruler, all at that depth, and in the photo."""
    offsets = np.array([-0.36, -0.32, -0.06, 0.0, 0.06, 0.32, 0.36])
    x = (numbers[:, None] + offsets[None, :]).ravel()
    y = np.arange(0.3, 1.75, 0.03) * short
    strip = _rectified(rgb, fit, x, y).reshape(len(y), len(numbers), len(offsets))
    face = strip[..., [0, 1, 5, 6]].mean(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        dark = 1.0 - strip[..., 2:5].mean(axis=-1) / face
    dark = np.nan_to_num(dark, nan=-1.0)
    inked = np.median(dark[y < 0.7 * short], axis=0)
    over = dark > 0.5 * inked[None, :]
    places = []
    for column, ink in enumerate(inked):
        if ink < 0.05:
            continue
        last = np.flatnonzero(over[:, column] & ~np.roll(over[:, column], -1))
        last = last[(last < len(y) - 1) & (y[last] > 0.5 * short)]
        if len(last) == 0:
            continue  # a long mark: no end here
        first = int(last[0])
        high, low = dark[first, column], dark[first + 1, column]
        places.append((numbers[column], y[first] + (high - 0.5 * ink) / max(high - low, 1e-6) * (y[1] - y[0])))
    if not places:
        return np.zeros((0, 2)), np.zeros((0, 2))
    seen = np.array(places, dtype=np.float64)
    # Ends along one line are those of the short marks; the line may still be off and turned.
    order = np.argsort(seen[:, 0])
    seen = seen[order]
    line = (
        np.polynomial.polynomial.polyfit(seen[:, 0], seen[:, 1], 1) if len(seen) > 8 else [np.median(seen[:, 1]), 0.0]
    )
    for _ in range(4):
        apart = seen[:, 1] - np.polynomial.polynomial.polyval(seen[:, 0], line)
        near = np.abs(apart - np.median(apart)) < max(3 * 1.4826 * np.median(np.abs(apart - np.median(apart))), 0.08)
        if np.count_nonzero(near) < 8:
            return np.zeros((0, 2)), np.zeros((0, 2))
        line = np.polynomial.polynomial.polyfit(seen[near, 0], seen[near, 1], 1)
    seen = seen[near]
    return np.stack([seen[:, 0], np.full(len(seen), short)], axis=1), project(fit.parameters, seen)


def _mark_lengths(rgb: np.ndarray, fit: PlaneFit, numbers: np.ndarray, short: float) -> np.ndarray:
    """How far each mark reaches from the feet, in steps; NaN where it cannot be told."""
    offsets = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    x = (numbers[:, None] + offsets[None, :]).ravel()
    y = np.arange(0.2, 3.0, 0.06) * short
    strip = _rectified(rgb, fit, x, y).reshape(len(y), len(numbers), SAMPLES)
    core, face = np.abs(offsets) < 0.13, np.abs(offsets) > 0.3
    with np.errstate(invalid="ignore", divide="ignore"):
        dark = 1.0 - strip[..., core].mean(axis=-1) / strip[..., face].mean(axis=-1)
    foot = np.median(dark[y < 0.8 * short], axis=0)
    lengths = np.full(len(numbers), np.nan)
    for place in range(len(numbers)):
        if not foot[place] > 0.03:
            continue
        inked = dark[:, place] > 0.5 * foot[place]
        gone = np.flatnonzero(~inked[:-2] & ~inked[1:-1] & ~inked[2:])
        gone = gone[y[gone] > 0.5 * short]
        lengths[place] = y[gone[0]] if len(gone) else y[-1]
    return lengths


def _graduation(lengths: np.ndarray) -> tuple[str, bool]:
    """Which step the marks have, by after how many the long ones repeat; and whether the pattern proves it."""
    known = np.isfinite(lengths)
    numbers, values = np.flatnonzero(known), lengths[known]
    if len(values) < LEAST_MARKS:
        return "1 mm", False
    values = np.minimum(values, np.median(values) * 3)

    def explained(period: int) -> float:
        """Share of the spread of lengths that the place in the period explains, fairly for few marks."""
        group = numbers % period
        weight = np.bincount(group, minlength=period)
        means = np.bincount(group, values, period) / np.maximum(weight, 1)
        rest, whole = np.sum((values - means[group]) ** 2), np.sum((values - values.mean()) ** 2)
        used = np.count_nonzero(weight)
        if whole <= 0 or len(values) <= used:
            return 0.0
        return float(1.0 - (rest / (len(values) - used)) / (whole / (len(values) - 1)))

    five, ten, sixteen, eight, two = (explained(period) for period in (5, 10, 16, 8, 2))
    millimetre, inch = max(five, ten), max(sixteen, eight)
    if inch > millimetre + 0.15 and inch > 0.5:
        return "1/16 in", True
    if two > 0.3 and millimetre > 0.4:
        return "0.5 mm", True
    return "1 mm", millimetre > 0.4


def _in_millimetres(fit: PlaneFit, step_mm: float) -> PlaneFit:
    """The pose of a fit in steps of the graduation, in millimetres."""
    parameters = fit.parameters.copy()
    parameters[PLACE + 2] += math.log(step_mm)
    return replace(fit, parameters=parameters)


def _finish(
    rgb: np.ndarray,
    fit: PlaneFit,
    readings: _Readings,
    graduation: str,
    pattern_seen: bool,
    first: int,
    last: int,
    short: float,
) -> FoundRuler:
    step_mm = GRADUATIONS[graduation]
    numbers = np.arange(first, last + 1) * step_mm
    feet = project(fit.parameters, np.stack([numbers, np.zeros(len(numbers))], axis=1))
    width = _width(rgb, fit, numbers, short * step_mm)
    corners = np.array([[-6.0, -0.5], [6.0, -0.5], [6.0, width], [-6.0, width]])
    corners[:, 0] += numbers[[0, -1, -1, 0]]
    return FoundRuler(
        fit=fit,
        graduation=graduation,
        pattern_seen=pattern_seen,
        marks=len(np.unique(readings.number)),
        marks_px=feet,
        outline_px=project(fit.parameters, corners),
        width_mm=width,
        material=_material(rgb, fit, numbers, short * step_mm, width),
    )


def _material(rgb: np.ndarray, fit: PlaneFit, numbers: np.ndarray, short: float, width: float) -> str:
    """What the ruler is made of, by its face behind the marks: yellow is wood; grey brushed along its length is steel."""
    x = np.arange(numbers[0], numbers[-1], 0.1)
    y = np.arange(min(3.3 * short, 0.5 * width), width - 1.5, 0.1)
    if len(x) < 80 or len(y) < 20:
        return "plastic"
    grid = project(fit.parameters, np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    low, high = grid.min(axis=0) - 2, grid.max(axis=0) + 2
    image, origin = linear_crop(rgb, low[0], low[1], *(high - low))
    places = (grid - origin).astype(np.float32).reshape(len(y), len(x), 2)
    face = cv2.remap(
        image,
        np.ascontiguousarray(places[..., 0]),
        np.ascontiguousarray(places[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),) * 3,
    )
    seen = np.isfinite(face[..., 0])
    if np.count_nonzero(seen) < 1000:
        return "plastic"
    red, green, blue = np.median(face[seen], axis=0)
    if blue < 0.72 * green and red > green:
        return "wood"
    bright = face @ LUMINANCE

    def unevenness(lines: np.ndarray) -> float:
        """Relative change from one line to the next, of lines averaged over stretches along them."""
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            change = np.abs(np.diff(lines, axis=0)) / lines[1:]
        known = change[np.isfinite(change)]
        return float(np.median(known)) if len(known) else 0.0

    stretches = bright[:, : bright.shape[1] // 80 * 80].reshape(len(y), -1, 80).mean(axis=2)
    columns = bright[: len(y) // 20 * 20].reshape(-1, 20, len(x)).mean(axis=1).T
    streaks, grain = unevenness(stretches), unevenness(columns)
    return "steel" if streaks > 0.0075 and streaks > 0.8 * grain else "plastic"


def _width(rgb: np.ndarray, fit: PlaneFit, numbers: np.ndarray, short: float) -> float:
    """Where the ruler's other long edge lies, mm from the feet: the strongest edge all along, 9 to 45 mm away."""
    y = np.arange(2 * short, 45.0, 0.25)
    x = np.linspace(numbers[0], numbers[-1], 60)
    strip = _rectified(rgb, fit, x, y)
    with np.errstate(invalid="ignore", divide="ignore"):
        change = np.abs(np.log(strip[3:] + 0.02) - np.log(strip[:-3] + 0.02))
    seen = np.count_nonzero(np.isfinite(change), axis=1) > 12
    strength = np.zeros(len(change))
    strength[seen] = np.nanmedian(change[seen], axis=1)
    strength[y[: len(strength)] < 9.0] = 0
    if strength.max() < 0.05:
        return 25.0
    return float(y[int(np.argmax(strength)) + 1])
