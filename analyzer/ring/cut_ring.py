"""The cut end of a tube seen from above: the wall all round, its minimum, and where.

The sawn face is a bright ring between what lies outside (table, the tube's own outside, shadow) and the bore. Its outer
contour is close to an ellipse and gives the scale where the tube's outside diameter is known. Its inner contour is whatever
corrosion has left of it and is followed degree by degree. Deposits on the bore are not metal and do not count as wall.

All contours are in the upright photo's frame, pixel centres at integers. Image angles are counter-clockwise from image +x
about the ring's centre, so 90 degrees points up in the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, TypedDict

import cv2
import numpy as np
from scipy import fft, ndimage, optimize, special

from analyzer.base.best_path import best_round
from analyzer.base.colour import linear
from analyzer.base.flags import Flag, InputError, SurfaceError, raise_flag
from analyzer.base.measured import Measure
from analyzer.house.tables import TYPES, Tube, types_of
from analyzer.photo.reading import Photo
from analyzer.piece.restrict import Kept
from analyzer.piece.ring_face import HEIGHT_OF_CUT_MM, LOSS_OUTSIDE
from analyzer.scale.calibration import Calibration

ANGLES = 720  # samples round the ring: every half degree, so that a pit of a few pixels is not skipped
STEP_PX = 0.25  # radial sampling
SMALLEST_RADIUS_PX = 40.0  # below it the wall of any water tube is under four pixels


@dataclass(frozen=True, kw_only=True)
class Ring:
    """The cut ring's figures. Millimetre fields are None without a scale; ``wall_px`` always stands.

    ``wall_mm`` is the metal every degree, (360,) float64, at image angles -180 .. 179, without deposits.
    """

    centre_px: tuple[float, float]
    outer_contour_px: np.ndarray  # (360, 2) float64, at image angles -180 .. 179
    inner_contour_px: np.ndarray  # (360, 2) float64
    wall_px: np.ndarray  # (360,) along the ring's radius
    mm_per_px: Measure | None  # at the cut plane
    scale_source: str  # "tube's outside diameter", "marker and height" or "none"
    wall_mm: np.ndarray | None
    minimum_mm: Measure | None
    minimum_image_angle_deg: float
    maximum_mm: Measure | None
    mean_mm: Measure | None
    outside_diameter_mm: Measure | None  # mean of the outer contour; equals the tube's own where that gave the scale
    ovality_percent: float  # (largest - smallest outside diameter) / mean
    loss_outside_mm: (
        np.ndarray | None
    )  # (360,) outer contour inside its own fitted circle or oval: thinning from outside
    loss_inside_mm: (
        np.ndarray | None
    )  # (360,) wall missing to the upper tenth of the wall that no outside loss explains
    edge_uncertainty_px: float  # of one contour at one degree
    flags: tuple[Flag, ...] = ()

    def restricted(self, kept: Kept) -> Ring:
        """The ring where its wall is left in, degree by degree; a degree that is left out holds NaN.

        The outline's own figures (scale, diameter, ovality) stay: they are the whole ring's. Raises InputError where nothing is left.
        """
        middle = 0.5 * (self.outer_contour_px + self.inner_contour_px)
        left = np.array([kept.holds(float(x), float(y)) for x, y in middle])
        if left.all():
            return self
        if not left.any():
            raise InputError(
                "No part of the cut ring's wall is left inside the outlines; draw them so that some of it is."
            )

        def part(values: np.ndarray) -> np.ndarray:
            return _read_only(np.where(left.reshape(-1, *[1] * (values.ndim - 1)), values, np.nan))

        def part_of_known(values: np.ndarray | None) -> np.ndarray | None:
            return None if values is None else part(values)

        wall = self.wall_px if self.wall_mm is None else self.wall_mm
        thinnest, thickest = (
            int(place) for place in (np.argmin(np.where(left, wall, np.inf)), np.argmax(np.where(left, wall, -1)))
        )
        changed: dict[str, Any] = {}
        if self.wall_mm is not None and self.minimum_mm and self.maximum_mm and self.mean_mm:
            changed = {
                "minimum_mm": _moved(self.minimum_mm, float(wall[thinnest])),
                "maximum_mm": _moved(self.maximum_mm, float(wall[thickest])),
                "mean_mm": _moved(self.mean_mm, float(wall[left].mean())),
            }
        still = left[round(self.minimum_image_angle_deg + 180) % 360]
        if still:  # found to half a degree on the whole ring
            changed.pop("minimum_mm", None)
        return replace(
            self,
            outer_contour_px=part(self.outer_contour_px),
            inner_contour_px=part(self.inner_contour_px),
            wall_px=part(self.wall_px),
            wall_mm=part_of_known(self.wall_mm),
            loss_outside_mm=part_of_known(self.loss_outside_mm),
            loss_inside_mm=part_of_known(self.loss_inside_mm),
            minimum_image_angle_deg=self.minimum_image_angle_deg if still else float(thinnest - 180),
            **changed,
        )


class _InMillimetres(TypedDict):
    """The fields of a ``Ring`` that need a scale."""

    minimum_mm: Measure | None
    maximum_mm: Measure | None
    mean_mm: Measure | None
    outside_diameter_mm: Measure | None
    wall_mm: np.ndarray | None
    loss_outside_mm: np.ndarray | None
    loss_inside_mm: np.ndarray | None


def _moved(measure: Measure, value: float) -> Measure:
    """The same kind of measure at another place: its edges are as unsure there, what hangs on the scale goes with the value."""
    edges = {source: part for source, part in measure.budget.items() if source.endswith("edge of the ring")}
    made = Measure.by_shares(value, measure.without(edges).shares)
    for source, part in edges.items():
        made = made.plus(source, part)
    return made.floored()


# ---------------------------------------------------------------- where the ring is


def _lightness_and_colour(light: np.ndarray) -> np.ndarray:
    """Linear light to lightness and two shares of colour, (.., 3): saw marks change the first, another material the other two."""
    total = light.sum(-1) + 0.05
    return np.stack(
        [np.sqrt(light.mean(-1)), (light[..., 0] - light[..., 1]) / total, (light[..., 2] - light[..., 1]) / total],
        axis=-1,
    )


def _candidates(
    rgb: np.ndarray, smallest_px: float, largest_px: float, keep_out: tuple[np.ndarray, ...], count: int = 6
) -> list[tuple[float, float, float, float]]:
    """Round edges of the picture as (support 0..1, x, y, radius), best first.

    Each pixel's gradient votes by how well its direction agrees with a circle's normal, whatever its sign (the surroundings of
    a ring may be brighter on one side and darker on the other); the vote over all centres is one convolution a radius. The disc's
    finder (``find_disc``) is another: it looks for the roundest thing of any size, with its edges thinned to a line.
    """
    scale = min(1.0, 45.0 / largest_px, 700.0 / max(rgb.shape[:2]))
    scale = max(scale, min(1.0, 14.0 / smallest_px))
    small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(np.sqrt(small.astype(np.float32) / 255.0), (0, 0), 0.8)
    gx, gy = cv2.Sobel(small, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(small, cv2.CV_32F, 0, 1) / 8
    xx, yy, xy = (gx * gx).sum(2), (gy * gy).sum(2), (gx * gy).sum(2)
    strength = xx + yy
    strength = strength + 4.0 * np.median(strength) + 1e-5
    if keep_out:
        mask = np.zeros(strength.shape, np.uint8)
        for outline in keep_out:
            cv2.fillPoly(mask, [np.round((np.asarray(outline) + 0.5) * scale - 0.5).astype(np.int32)], 1)
        mask = cv2.dilate(mask, np.ones((3, 3), np.uint8))
        xx, yy, xy = (np.where(mask > 0, 0.0, part) for part in (xx, yy, xy))
    xx, yy, xy = xx / strength, yy / strength, xy / strength
    height, width = xx.shape
    pad = int(math.ceil(largest_px * scale)) + 2
    shape = (fft.next_fast_len(height + 2 * pad, True), fft.next_fast_len(width + 2 * pad, True))
    parts = [fft.rfft2(part.astype(np.float32), shape) for part in (xx, yy, xy)]
    dy, dx = np.fft.fftfreq(shape[0]) * shape[0], np.fft.fftfreq(shape[1]) * shape[1]
    distance = np.hypot(dy[:, None], dx[None, :]).astype(np.float32) + np.float32(1e-6)
    cosine, sine = dx[None, :].astype(np.float32) / distance, dy[:, None].astype(np.float32) / distance
    best = np.zeros((height, width), np.float32)
    best_radius = np.zeros((height, width), np.float32)
    for radius in np.arange(smallest_px * scale, largest_px * scale + 0.75, 0.75):
        circle = np.maximum(np.float32(0.0), np.float32(1.0) - np.abs(distance - np.float32(radius)))
        circle /= circle.sum()
        kernels = (circle * cosine * cosine, circle * sine * sine, 2.0 * circle * cosine * sine)
        vote = sum(part * np.conj(fft.rfft2(kernel)) for part, kernel in zip(parts, kernels, strict=True))
        vote = fft.irfft2(vote, shape)[:height, :width]
        better = vote > best
        best[better], best_radius[better] = vote[better], radius
    found = []
    rows, columns = np.ogrid[:height, :width]
    for _ in range(count):
        y, x = np.unravel_index(int(best.argmax()), best.shape)
        if best[y, x] <= 0.0:
            break
        found.append(
            (float(best[y, x]), (x + 0.5) / scale - 0.5, (y + 0.5) / scale - 0.5, float(best_radius[y, x] / scale))
        )
        best[(rows - y) ** 2 + (columns - x) ** 2 < (0.5 * smallest_px * scale) ** 2] = 0.0
    return found


def _harmonics(order: int) -> np.ndarray:
    """(ANGLES, 1 + 2 * order): 1, cos, sin, cos 2, sin 2 ... of the image angle."""
    theta = np.arange(ANGLES) * (2.0 * np.pi / ANGLES)
    columns = [np.ones(ANGLES)]
    for k in range(1, order + 1):
        columns += [np.cos(k * theta), np.sin(k * theta)]
    return np.stack(columns, axis=1)


_THETA = np.arange(ANGLES) * (2.0 * np.pi / ANGLES)
_COS, _SIN = np.cos(_THETA), np.sin(_THETA)


def _unroll(image: np.ndarray, centre: tuple[float, float], radius: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """(len(offsets), ANGLES, channels): the picture at ``radius`` plus each offset, round the centre."""
    r = radius[None, :] + offsets[:, None]
    x = (centre[0] + r * _COS).astype(np.float32)
    y = (centre[1] - r * _SIN).astype(np.float32)
    return cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _edge_strength(strip: np.ndarray, window_px: float) -> np.ndarray:
    """(radii, ANGLES) 0..1: colour difference between both sides of each radius, coherent over seven degrees."""
    size = max(1, int(round(window_px / STEP_PX)))
    mean = ndimage.uniform_filter1d(strip, size, axis=0, mode="nearest")
    mean = ndimage.uniform_filter1d(mean, 15, axis=1, mode="wrap")
    half = max(1, (size + 1) // 2)
    difference = np.linalg.norm(np.roll(mean, -half, 0) - np.roll(mean, half, 0), axis=2)
    difference[:half], difference[-half:] = 0.0, 0.0
    return difference / (difference + 0.03)


def _once_each(starts: list[tuple[float, np.ndarray]]) -> list[tuple[float, np.ndarray]]:
    kept: list[tuple[float, np.ndarray]] = []
    for value, p in starts:
        if not any(np.array_equal(p, other) for _, other in kept):
            kept.append((value, p))
    return kept


def _fit_outline(
    image: np.ndarray, centre: tuple[float, float], radius: float, slack: float
) -> list[tuple[float, tuple[float, float], np.ndarray]]:
    """Oval edges near a circle as (support, centre, radius at each angle), from the smallest to the largest."""
    basis = _harmonics(2)
    span = slack * radius
    offsets = np.arange(-1.3 * span, 1.3 * span + STEP_PX, STEP_PX)
    strip = _unroll(image, centre, np.full(ANGLES, radius), offsets)
    columns = np.arange(ANGLES)

    def climb(start: np.ndarray, fields: list[np.ndarray]) -> tuple[float, np.ndarray]:
        parameters = start
        for field in fields:

            def loss(p: np.ndarray, field: np.ndarray = field) -> float:
                place = (basis @ p - radius - offsets[0]) / STEP_PX
                return -float(ndimage.map_coordinates(field, [place, columns], order=1, mode="constant").mean())

            simplex = np.vstack([parameters] + [parameters + step for step in np.diag([2.0, 3.0, 3.0, 2.0, 2.0])])
            result = optimize.minimize(
                loss,
                parameters,
                method="Nelder-Mead",
                options={"initial_simplex": simplex, "xatol": 0.1, "fatol": 3e-4, "maxiter": 160},
            )
            parameters = result.x
        return -float(result.fun), parameters

    window = float(np.clip(0.025 * radius, 2.0, 4.0))
    fields = [_edge_strength(strip, window), _edge_strength(strip, max(1.5, 0.5 * window))]
    coarse = _edge_strength(strip, 1.5 * window)
    starts: list[tuple[float, np.ndarray]] = []
    step = max(2.0, radius / 50.0)
    for start in np.arange(-span, span + step, step):
        # a quick look along the centre's shift first: the best of a small grid
        grid = []
        for shift_x in (-0.04, 0.0, 0.04):
            for shift_y in (-0.04, 0.0, 0.04):
                p = np.array([radius + start, shift_x * radius, shift_y * radius, 0.0, 0.0])
                place = (basis @ p - radius - offsets[0]) / STEP_PX
                grid.append((float(ndimage.map_coordinates(coarse, [place, columns], order=1).mean()), p))
        starts.append(max(grid, key=lambda item: item[0]))
        starts.append(grid[4])  # and the circle's own middle
    top = max(value for value, _ in starts)
    climbed = [climb(p, fields) for value, p in _once_each(starts) if value > 0.6 * top]
    # the ring's two edges are nearly parallel: look beside the strongest for the other one
    _, strongest = max(climbed, key=lambda item: item[0])
    beside = np.arange(-span, span + 0.5, 0.5)
    along = []
    for shift in beside:
        place = (basis @ strongest + shift - radius - offsets[0]) / STEP_PX
        along.append(float(ndimage.map_coordinates(fields[-1], [place, columns], order=1).mean()))
    for k in np.flatnonzero(np.array(along) >= ndimage.maximum_filter1d(np.array(along), 9)):
        if along[k] > 0.4 * max(along) and abs(beside[k]) > 1.5:
            climbed.append(climb(strongest + np.array([beside[k], 0, 0, 0, 0]), fields[1:]))
    ovals: list[tuple[float, np.ndarray]] = []
    for support, p in sorted(climbed, key=lambda item: -item[0]):
        if all(np.abs(basis @ (p - other)).mean() > max(2.0, 0.02 * radius) for _, other in ovals):
            ovals.append((support, p))
    ovals = ovals[:8]
    ovals.sort(key=lambda item: item[1][0])
    result = []
    for support, p in ovals:
        new_centre = (centre[0] + p[1], centre[1] - p[2])
        result.append((support, new_centre, basis @ np.array([p[0], 0.0, 0.0, p[3], p[4]])))
    return result


# ---------------------------------------------------------------- the two contours


def _separating_direction(inside: np.ndarray, outside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fisher's direction between two sides at each angle, (ANGLES, channels), and how many deviations apart they are.

    ``inside`` and ``outside`` are (samples, ANGLES, channels). The spread within each side (saw marks, glints, weave of a cloth)
    is taken over 60 degrees, the two levels over 12: what varies along the rim anyway does not steer the edge.
    """
    spread = np.full((ANGLES, 3, 3), 0.0)
    means = []
    for side in (inside, outside):
        mean = ndimage.uniform_filter1d(side.mean(0), 25, axis=0, mode="wrap")
        rest = side - mean[None]
        outer = np.einsum("sac,sad->acd", rest, rest) / side.shape[0]
        spread += 0.5 * ndimage.uniform_filter1d(outer, 121, axis=0, mode="wrap")
        means.append(mean)
    difference = means[0] - means[1]
    level = 0.5 * (means[0] + means[1]).mean(1)
    floor = (0.004 + 0.02 * level) ** 2  # sensor noise and compression, in linear light
    spread += floor[:, None, None] * np.eye(3)
    direction = np.linalg.solve(spread, difference[..., None])[..., 0]
    apart = np.sqrt(np.maximum(np.einsum("ac,ac->a", direction, difference), 0.0))
    return direction, apart


def _refine_outer(
    image: np.ndarray, centre: tuple[float, float], radius: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The outer contour at sub-pixel in linear light: (smooth radius, measured radius, weight) at each angle.

    The half-way crossing between rim and surroundings along Fisher's direction; then an oval (harmonics to the second order,
    higher ones only as far as the picture insists) through all of them, robust against burr, shadow and the tube's own outside.
    """
    basis = _harmonics(4)
    offsets = np.arange(-8.0, 8.0 + STEP_PX, STEP_PX)
    smooth = radius
    for reach, blur, stiff in ((6.0, 31, 1e3), (4.5, 21, 1e3), (3.5, 11, 5.0), (2.5, 7, 3.0), (2.5, 5, 3.0)):
        strip = _unroll(image, centre, smooth, offsets)
        inside = strip[(offsets >= -4.0) & (offsets <= -1.0)]
        outside = strip[(offsets >= 1.0) & (offsets <= 4.0)]
        direction, apart = _separating_direction(inside, outside)
        value = np.einsum("rac,ac->ra", strip, direction)
        value = ndimage.uniform_filter1d(value, blur, axis=1, mode="wrap")
        high = ndimage.uniform_filter1d(np.einsum("rac,ac->ra", inside, direction).mean(0), 25, mode="wrap")
        low = ndimage.uniform_filter1d(np.einsum("rac,ac->ra", outside, direction).mean(0), 25, mode="wrap")
        level = (value - low) / np.maximum(high - low, 1e-9)
        place, sure = _crossing(level, offsets, reach)
        weight = np.where(sure, apart**2 / (apart**2 + 4.0), 0.0)
        penalty = np.diag([1e-6] * 5 + [stiff * 0.02 * ANGLES] * 4)
        coefficients = np.zeros(basis.shape[1])
        scale = 2.0
        for _ in range(15):
            residual = place - basis @ coefficients
            robust = weight / (1.0 + (residual / (1.5 * scale)) ** 2)
            gram = basis.T @ (basis * robust[:, None]) + penalty
            coefficients = np.linalg.solve(gram, basis.T @ (robust * place))
            residual = np.abs(place - basis @ coefficients)[weight > 0]
            scale = max(0.15, 1.4826 * float(np.median(residual))) if residual.size else 1.0
        measured = smooth + place
        smooth = smooth + basis @ coefficients
    return smooth, measured, weight


def _crossing(level: np.ndarray, offsets: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Where each column falls through one half (with growing offset), nearest to zero: (place, found)."""
    above = level >= 0.5
    falls = above[:-1] & ~above[1:]
    share = (level[:-1] - 0.5) / np.where(falls, level[:-1] - level[1:], 1.0)
    at = offsets[:-1, None] + share * (offsets[1] - offsets[0])
    distance = np.where(falls, np.abs(at), np.inf)
    best = distance.argmin(0)
    columns = np.arange(level.shape[1])
    found = distance[best, columns] <= reach
    return np.where(found, at[best, columns], 0.0), found


def _inner(
    image: np.ndarray,
    centre: tuple[float, float],
    outer: np.ndarray,
    deepest_px: float,
    blur_px: float,
    edge_seen: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Depth in pixels below the smooth outer contour at which metal ends and begins at each angle, and how sure the end is (0..1).

    First the strongest closed edge inside the outer contour gives a rough wall; then each pixel's likelihood of being sawn metal
    is learned from this picture's own rim (colour as it varies round the ring) and the cheapest closed path divides metal from
    the rest; last, a blurred step in linear light places it between pixels.
    """
    depth = np.arange(0.0, deepest_px + 6.0, STEP_PX)
    strip = _unroll(image, centre, outer, -depth)  # (depth, angle, channel), linear light
    rough = _rough_wall(strip, depth, deepest_px)
    wall = rough
    for _ in range(3):
        metal = _metal_likelihood(strip, depth, wall)
        wall = _divide(metal, depth, deepest_px)
    across = np.arange(-5.0, deepest_px + 6.0, STEP_PX)
    wide = _unroll(image, centre, outer, -across)
    wall, sure = _half_way(wide, across, wall)
    # a glint or a chip of half a degree is no pit: two and a half degrees have to agree
    wall = ndimage.median_filter(wall, 5, mode="wrap")
    begin = _lost_outside(wide, across, wall, edge_seen)
    thin = _thin_places(wide, across, wall, blur_px)
    return np.where(begin > 0, wall, thin), begin, sure


def _rough_wall(strip: np.ndarray, depth: np.ndarray, deepest_px: float) -> np.ndarray:
    strength = _edge_strength(np.sqrt(np.maximum(strip, 0.0)), 2.0)
    cost = 1.0 - strength
    cost[(depth < 2.0) | (depth > deepest_px)] = 2.0
    return depth[best_round(-cost, (0.0, 0.05, 0.1))]


def _features(strip: np.ndarray) -> np.ndarray:
    """Colour of each pixel as logarithms of linear light: brightness and two colour ratios, (.., 3)."""
    light = np.log(np.maximum(strip, 0.0) + 0.01)
    green = light[..., 1]
    return np.stack([light.mean(-1), light[..., 0] - green, light[..., 2] - green], axis=-1)


def _metal_likelihood(strip: np.ndarray, depth: np.ndarray, wall: np.ndarray) -> np.ndarray:
    """(depth, angle) -4..4: log of how much better sawn metal explains a pixel than what lies beyond the present wall.

    Metal follows the rim's own colour as it varies round the ring; what lies beyond is either like the bore nearby or anything
    else (a pit's lit floor, a deposit, the table seen through the tube).
    """
    features = _features(strip)
    d = depth[:, None]
    typical = float(np.median(wall))
    rim = (d >= min(1.0, 0.3 * typical)) & (d <= np.minimum(np.maximum(0.45 * wall, 2.0), wall - 0.75)[None])
    bore = (d > wall[None] + 1.5) & (d < wall[None] + 1.5 + max(6.0, 0.5 * typical))
    metal = _log_density(features, rim)
    anything = -math.log(4.6 * 2.0 * 2.0) - 1.0  # even over the range of the three features, at odds of one to three
    other = np.logaddexp(_log_density(features, bore), anything)
    return np.clip(metal - other, -4.0, 4.0)


def _log_density(features: np.ndarray, chosen: np.ndarray, *, follow: bool = True) -> np.ndarray:
    """Log density of each pixel under Student's t (12 degrees) whose centre and spread follow the chosen pixels round the ring,
    or are the same all round."""
    degrees, sectors = 12.0, 61 if follow else ANGLES
    if not chosen.any():
        return np.full(chosen.shape, -20.0)
    # Start from what most of the ring agrees on: medians along 45 degrees, spread by the median deviation of the whole ring.
    count = chosen.sum(0)
    column = (features * chosen[..., None]).sum(0) / np.maximum(count, 1)[:, None]
    column[count == 0] = np.median(column[count > 0], axis=0)
    if follow:
        middle = np.stack([ndimage.median_filter(column[:, c], 91, mode="wrap") for c in range(3)], axis=-1)
    else:
        middle = np.median(column, axis=0)[None]
    rest = features - middle[None]
    scale = 1.4826 * np.median(np.abs(rest[chosen]), axis=0) + np.array([0.08, 0.04, 0.06])
    trust = 1.0 / (1.0 + ((rest / scale) ** 2).sum(-1) ** 2 / 81.0)
    for _ in range(3):
        weight = trust * chosen
        total = weight.sum()
        if total <= 0.0:
            return np.full(chosen.shape, -20.0)
        everywhere = (features * weight[..., None]).sum((0, 1)) / total
        count = ndimage.uniform_filter1d(weight.sum(0), sectors, mode="wrap")[:, None]
        mean = ndimage.uniform_filter1d((features * weight[..., None]).sum(0), sectors, axis=0, mode="wrap")
        mean = (mean + everywhere) / (count + 1.0)
        rest = features - mean[None]
        outer = np.einsum("da,dac,dae->ace", weight, rest, rest)
        spread_all = outer.sum(0) / total
        spread = ndimage.uniform_filter1d(outer, sectors, axis=0, mode="wrap")
        spread = (spread + 4.0 * spread_all) / (count + 4.0)[..., None] + np.diag([0.08, 0.04, 0.06]) ** 2
        inverse = np.linalg.inv(spread)
        distance = np.einsum("dac,ace,dae->da", rest, inverse, rest)
        trust = 1.0 / (1.0 + (distance / 9.0) ** 2)
    log_determinant = np.log(np.linalg.det(spread))
    constant = math.lgamma((degrees + 3) / 2) - math.lgamma(degrees / 2) - 1.5 * math.log(degrees * math.pi)
    return constant - 0.5 * log_determinant[None] - 0.5 * (degrees + 3.0) * np.log1p(distance / degrees)


def _divide(metal: np.ndarray, depth: np.ndarray, deepest_px: float) -> np.ndarray:
    """The wall that best divides metal from the rest, as one closed path."""
    gain = np.cumsum(metal, axis=0) * STEP_PX
    cost = -gain
    cost[(depth < 0.25) | (depth > deepest_px)] = cost.max() + 10.0
    return depth[best_round(-cost, (0.0, 0.5, 1.0, 1.5, 2.0, 2.5))]


def _half_way(strip: np.ndarray, depth: np.ndarray, wall: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The half-way crossing from sawn metal to what lies beyond it, near the dividing path: (wall_px, sureness)."""
    columns = np.arange(ANGLES)
    d = depth[:, None]
    for reach in (2.5, 2.0):
        metal = _near(strip, (d >= np.maximum(0.75, wall - 4.0)[None]) & (d <= np.maximum(wall - 1.25, 1.0)[None]), 5)
        beyond = _near(strip, (d >= (wall + 1.25)[None]) & (d <= (wall + 3.5)[None]), 5)
        difference = metal - beyond
        floor = (0.004 + 0.01 * (metal + beyond)) ** 2
        direction = difference / floor
        offsets = np.arange(-reach - 0.5, reach + 0.5 + STEP_PX, STEP_PX)
        place = (wall[None] + offsets[:, None] - depth[0]) / STEP_PX
        at = np.broadcast_to(columns, place.shape)
        local = np.stack(
            [ndimage.map_coordinates(strip[..., c], [place, at], order=1, mode="nearest") for c in range(3)], axis=-1
        )
        size = np.maximum(np.einsum("ac,ac->a", difference, direction), 1e-9)
        value = np.einsum("rac,ac->ra", local - beyond[None], direction) / size[None]
        shift, found = _crossing(value, offsets, reach)
        wall = np.maximum(wall + np.where(found, shift, 0.0), 0.0)
    apart = np.sqrt(size)
    return wall, np.where(found, apart / (apart + 5.0), 0.0)


OUTSIDE_LOSS_PX = (
    3.0  # chips and burr of a saw cut move the outer edge by two pixels; more, over eight degrees, is metal lost
)


def _lost_outside(strip: np.ndarray, across: np.ndarray, wall: np.ndarray, edge_seen: np.ndarray) -> np.ndarray:
    """Depth below the smooth outer contour at which metal begins; 0 except where metal was clearly lost from outside.

    Where a broad piece is missing the rim's own colour there is not known, so the whole ring's is held against the surroundings.
    Where an edge shows at the smooth contour itself (``edge_seen``, 0..1 by angle) nothing is lost.
    """
    features = _features(strip)
    d = across[:, None]
    rim = _log_density(features, (d >= 1.0) & (d <= np.maximum(0.6 * wall, 2.0)[None]), follow=False)
    around = _log_density(features, np.broadcast_to((d <= -1.5) & (d >= -5.0), rim.shape))
    metal = np.clip(rim - around, -4.0, 4.0)
    gain = np.cumsum(np.where(d >= 0.0, metal, 0.0), axis=0) * STEP_PX
    gain = np.where((d >= 0.0) & (d < wall[None] - 1.0), gain, np.inf)
    bare = ndimage.uniform_filter1d(edge_seen, 17, mode="wrap") < 0.5
    begin = np.where((gain.min(0) < -2.0) & bare, across[gain.argmin(0)], 0.0)
    begin = ndimage.median_filter(begin, 17, mode="wrap")
    lost = ndimage.maximum_filter1d((begin > OUTSIDE_LOSS_PX).astype(float), 17, mode="wrap") > 0
    if not lost.any():
        return np.zeros(ANGLES)
    reach = float(across[-1])
    place, _ = _half_way(strip[::-1], reach - across[::-1], reach - np.maximum(begin, 0.5))
    return np.where(lost, np.clip(reach - place, 0.0, wall), 0.0)


# Both: judgement while the room was built; which pictures served was not recorded.
THIN_PX = (
    2.5,
    4.5,
)  # below the first the model of a blurred line alone counts, above the second the half-way crossing alone


def _thin_places(strip: np.ndarray, depth: np.ndarray, wall: np.ndarray, blur_px: float) -> np.ndarray:
    """Wall where it is hardly thicker than the blur, from the picture's own model of a ring.

    Across a ring the light is that of the surroundings, then of sawn metal, then of the bore, each step blurred alike. The outer
    step's place is known; the inner one's is the place that leaves the smallest difference from the picture. The metal's level
    comes from the rim nearby, because a line thinner than the blur never reaches it: a faint line reads as a thin wall.
    """
    which = np.flatnonzero(wall < THIN_PX[1])
    if not len(which):
        return wall
    sigma = math.sqrt(2.0) * blur_px
    d = depth[:, None]
    narrow = ndimage.uniform_filter1d(strip, 3, axis=1, mode="wrap")
    outside = _near(narrow, (d <= -1.25) & (d >= -4.0), 5)
    fitted = wall
    for reach in (2.5, 1.5):
        metal = _near(narrow, (d >= 1.0) & (d <= np.minimum(0.5 * fitted, fitted - 1.25)[None]), 41)
        bore = _near(narrow, (d >= (fitted + 1.25)[None]) & (d <= (fitted + 3.5)[None]), 3)
        floor = 0.004 + 0.02 * (metal + bore)
        base = outside[None] + (metal - outside)[None] * (0.5 * (1.0 + special.erf(d / sigma)))[..., None]
        shifts = np.arange(-reach, reach + 1e-9, 0.1)
        losses = np.empty((len(shifts), len(which)))
        at, step, unsure = fitted[which], (bore - metal)[None, which], floor[None, which]
        rows = depth <= at.max() + 2.0 * reach + 2.0
        near = (np.abs(d[rows] - at[None]) <= reach + 1.5)[..., None]
        seen, begin = narrow[rows][:, which], base[rows][:, which]
        for k, shift in enumerate(shifts):
            place = np.maximum(at + shift, 0.0)
            model = begin + step * (0.5 * (1.0 + special.erf((d[rows] - place[None]) / sigma)))[..., None]
            losses[k] = (np.minimum(((seen - model) / unsure) ** 2, 400.0) * near).sum((0, 2))
        fitted = fitted.copy()
        fitted[which] = np.maximum(at + shifts[losses.argmin(0)], 0.0)
    share = np.clip((THIN_PX[1] - wall) / (THIN_PX[1] - THIN_PX[0]), 0.0, 1.0)
    return share * fitted + (1.0 - share) * wall


def _near(strip: np.ndarray, chosen: np.ndarray, sectors: int) -> np.ndarray:
    """(ANGLES, channels): mean of the chosen samples over some half degrees; where there are none, over the whole ring."""
    weight = np.broadcast_to(chosen, strip.shape[:2]).astype(float)
    total = ndimage.uniform_filter1d((strip * weight[..., None]).sum(0), sectors, axis=0, mode="wrap")
    count = ndimage.uniform_filter1d(weight.sum(0), sectors, mode="wrap")[:, None]
    everywhere = (strip * weight[..., None]).sum((0, 1)) / max(weight.sum(), 1.0)
    return (total + 0.2 * everywhere) / (count + 0.2)


def _blur(image: np.ndarray, centre: tuple[float, float], measured: np.ndarray, weight: np.ndarray) -> float:
    """Standard deviation of the picture's blur, px, from how fast the ring's outer edge falls."""
    offsets = np.arange(-5.0, 5.0 + STEP_PX, STEP_PX)
    strip = _unroll(image, centre, measured, offsets).sum(2)
    high = strip[(offsets >= -4.0) & (offsets <= -2.0)].mean(0)
    low = strip[(offsets >= 2.0) & (offsets <= 4.0)].mean(0)
    level = (strip - low) / np.where(np.abs(high - low) > 1e-6, high - low, 1.0)
    good = (weight > 0.5) & (high > low + 0.05)
    if good.sum() < 30:
        return 1.0
    widths = []
    for column in level[:, good].T:
        upper, lower = np.flatnonzero(column >= 0.75), np.flatnonzero(column <= 0.25)
        upper, lower = upper[offsets[upper] < 2.5], lower[offsets[lower] > -2.5]
        if len(upper) and len(lower) and lower[0] > 0:
            first = lower[0]
            before = upper[upper < first]
            if len(before):
                widths.append(offsets[first] - offsets[before[-1]])
    if len(widths) < 20:
        return 1.0
    # 25 to 75 % of a Gaussian step lie 1.349 deviations apart; a quarter step goes to the grid on average
    return float(np.clip((np.median(widths) - STEP_PX) / 1.349, 0.5, 2.5))


def _overexposed(
    rgb_window: np.ndarray, inside: tuple[float, float], outer: np.ndarray, wall: np.ndarray
) -> np.ndarray:
    """(ANGLES,) bool: sawn metal that the sensor shows as white, over a few degrees at least."""
    share = np.array([0.3, 0.45, 0.6])
    places = outer[None] - share[:, None] * wall[None]
    x = (inside[0] + places * _COS).astype(np.float32)
    y = (inside[1] - places * _SIN).astype(np.float32)
    level = cv2.remap(rgb_window, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).min(2).astype(float)
    white = ndimage.uniform_filter1d((np.median(level, axis=0) >= WHITE_LEVEL).astype(float), 21, mode="wrap")
    return white > 0.5


WHITE_LEVEL = 225  # of 255 in the darkest channel: tone curves flatten below 255, and copper is never so pale by itself
# Light one and a half to four times above white (half a stop to two stops) puts the half-way crossing 0.43 to 1.15 deviations of
# the blur outside the true edge; from half to a quarter of white light then falls within 0.46 deviations or so (normal law).
SPREAD_SHIFT, SPREAD_SHIFT_UNSURE, HALF_TO_QUARTER = 0.8, 0.35, 0.46


def _spread_of_white(strip: np.ndarray, depth: np.ndarray, edge: np.ndarray, outward: bool, white: np.ndarray) -> float:
    """How far white has spread over one edge, px, from how steeply light falls beyond it; 0 where nothing is overexposed."""
    columns = np.flatnonzero(white)
    if len(columns) < 20:
        return 0.0
    run = np.arange(-1.0, 4.0, STEP_PX)  # from metal into what lies beyond
    sign = -1.0 if outward else 1.0
    place = (edge[columns][None] + sign * run[:, None] - depth[0]) / STEP_PX
    at = np.broadcast_to(columns, place.shape)
    light = ndimage.map_coordinates(strip.mean(2), [place, at], order=1, mode="nearest")
    floor = np.minimum.accumulate(light, axis=0)[-1]
    level = (light - floor) / np.maximum(light[:3].mean(0) - floor, 1e-3)
    crossings = []
    for threshold in (0.5, 0.25):
        below = level <= threshold
        first = np.maximum(below.argmax(0), 1)
        k = np.arange(len(columns))
        before, after = level[first - 1, k], level[first, k]
        part = np.clip((before - threshold) / np.maximum(before - after, 1e-6), 0.0, 1.0)
        crossings.append(np.where(below.any(0), run[first - 1] + part * STEP_PX, np.nan))
    with np.errstate(invalid="ignore"):
        fall = float(np.nanmedian(crossings[1] - crossings[0]))
    return SPREAD_SHIFT * float(np.clip(fall / HALF_TO_QUARTER, 0.4, 1.6)) if math.isfinite(fall) else 0.0


# ---------------------------------------------------------------- pixels to millimetres in the plane of the cut


@dataclass(frozen=True, kw_only=True)
class _Plane:
    """The plane of the cut, parallel to the marker's: pixels to plane coordinates, true to shape, in pixels at the centre."""

    matrix: np.ndarray | None  # camera matrix
    distortion: np.ndarray | None
    rotation: np.ndarray | None  # plane to camera
    centre_px: tuple[float, float]
    depth_per_unit: float  # camera depth of the centre for a plane at unit distance; 1 without a pose

    def flatten(self, points_px: np.ndarray) -> np.ndarray:
        """(N, 2) pixels to (N, 2) plane coordinates, x right and y up, such that one unit is one pixel at the ring's centre."""
        if self.rotation is None or self.matrix is None or self.distortion is None:
            return (np.asarray(points_px) - self.centre_px) * (1.0, -1.0)
        focal = math.sqrt(self.matrix[0, 0] * self.matrix[1, 1])
        camera = self.matrix, self.distortion, self.rotation
        rays, _ = _plane_rays(np.asarray(points_px), *camera)
        middle, _ = _plane_rays(np.array([self.centre_px]), *camera)
        return (rays - middle) * focal / self.depth_per_unit


def _plane_rays(
    points_px: np.ndarray, matrix: np.ndarray, distortion: np.ndarray, rotation: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Where the lines of sight meet a plane at unit distance, in axes turned upright to the photo: ((N, 2), camera depth (N,))."""
    flat = cv2.undistortPoints(np.asarray(points_px, np.float64)[:, None], matrix, distortion)[:, 0]
    rays = np.concatenate([flat, np.ones((len(flat), 1))], axis=1)
    # axes of the plane: x along the photo's x as far as the plane allows, z towards the camera
    normal = rotation[:, 2] if rotation[2, 2] < 0 else -rotation[:, 2]
    x_axis = np.array([1.0, 0.0, 0.0]) - normal[0] * normal
    x_axis /= np.linalg.norm(x_axis)
    y_axis = np.cross(normal, x_axis)
    depth = -(rays @ normal)
    return np.stack([rays @ x_axis, rays @ y_axis], axis=1) / depth[:, None], 1.0 / depth


# A judgement, no source.
SURE_NORMAL_DEG = 2.0  # a plane known better than this is believed; else the ring's own roundness helps to choose


def _plane_of(calibration: Calibration, centre_px: tuple[float, float], outer_px: np.ndarray) -> _Plane:
    """The plane of the cut: parallel to the marker's where its tilt is sure, else the likeliest by the ring's own roundness.

    A disc or a ruler tells its plane's tilt poorly, and two tilts of a disc look alike; then the one under which the ring is
    roundest counts, seen straight from above among them.
    """
    straight = _Plane(matrix=None, distortion=None, rotation=None, centre_px=centre_px, depth_per_unit=1.0)
    rotations = [calibration.rotation] + ([calibration.other_pose[0]] if calibration.other_pose is not None else [])
    tilted = []
    for rotation in rotations:
        if rotation is None:
            continue
        _, depth = _plane_rays(np.array([centre_px]), calibration.camera_matrix, calibration.distortion, rotation)
        tilted.append(
            _Plane(
                matrix=calibration.camera_matrix,
                distortion=calibration.distortion,
                rotation=rotation,
                centre_px=centre_px,
                depth_per_unit=float(depth[0]),
            )
        )
    unsure = calibration.normal_uncertainty_deg
    if len(tilted) == 1 and unsure is not None and unsure <= SURE_NORMAL_DEG:
        return tilted[0]
    return min([*tilted, straight], key=lambda plane: _ovality(plane.flatten(outer_px)))


def _ovality(outer: np.ndarray) -> float:
    """(Largest - smallest diameter) / mean of a contour about its origin."""
    radius = np.hypot(*outer.T)
    across = radius + np.roll(radius, ANGLES // 2)
    return float((across.max() - across.min()) / across.mean())


def _perimeter(points: np.ndarray) -> float:
    return float(np.linalg.norm(np.roll(points, -1, 0) - points, axis=1).sum())


# Where less of the edge holds (wood of the ring's own colour), a ring is still taken where the picture has a round edge as plain as
# a ring's: rings with known truth have a vote of 0.86 to 0.99, nine pictures of other views up to 0.66 with 0.20 of the edge held.
ROUND_ENOUGH, FAINT_ENOUGH = 0.75, 0.3
FAINT_EDGE_PX = 1.0  # standard uncertainty of each edge on such a ring: from one picture, a judgement
FIRM_ENOUGH = (
    0.5  # share of the outer edge that holds; rings with known truth hold from 0.56 up, grain of all sizes up to 0.52
)

# A judgement, no source.
LARGEST_LIFT = 1.45  # a ring's scale against the marker's: the cut at most a third of the way to the camera


def expected_radii(photo: Photo, calibration: Calibration, tube: Tube | None) -> tuple[float, float]:
    """Smallest and largest radius in pixels at which the ring's outer edge is looked for."""
    side = min(photo.height_px, photo.width_px)
    if calibration.mm_per_px_marker is None:
        return max(SMALLEST_RADIUS_PX, 0.05 * side), 0.49 * side
    if tube is not None:
        smallest = largest = tube.outside_diameter_mm
    else:
        smallest, largest = 9.5, 54.0  # 1/4 to 2 in tube
    per_mm = 0.5 / calibration.mm_per_px_marker.value
    low, high = 0.93 * smallest * per_mm, LARGEST_LIFT * largest * per_mm
    return min(low, 0.4 * side), min(high, 0.49 * side)


def _deepest_wall(tube: Tube | None) -> float:
    """The thickest wall looked for, as a share of the outside radius."""
    if tube is None:
        return 0.24  # 1/4 and 3/8 K have 0.19, with their tolerance
    walls = [tube.wall_mm] if tube.wall_mm is not None else [*(tube.wall_range_mm or ())]
    if (
        tube.size is not None and tube.type in TYPES
    ):  # the type may have been told wrongly: look as deep as the size allows
        walls += [other.wall_mm for other in types_of(tube.size)]
    wall = max((wall for wall in walls if wall is not None), default=0.12 * tube.outside_diameter_mm)
    return min(0.6, 1.25 * wall / (0.5 * tube.outside_diameter_mm) + 0.02)


@dataclass(frozen=True, kw_only=True)
class _Outline:
    centre_px: tuple[float, float]
    radius: np.ndarray  # (ANGLES,)
    measured: np.ndarray
    weight: np.ndarray
    firm: float  # share of the edge that holds within a pixel


def _find_outline(photo: Photo, calibration: Calibration, tube: Tube | None) -> _Outline:
    smallest, largest = expected_radii(photo, calibration, tube)
    candidates = _candidates(photo.rgb, smallest, largest, calibration.marker_outlines_px)
    best: tuple[float, tuple[float, float], np.ndarray, float] | None = None
    top = candidates[0][0] if candidates else 0.0
    best_support = 0.0
    for support, x, y, radius in candidates[:4]:
        if support < (0.6 if best is None or best[0] < 0.25 else 0.85) * top:
            continue
        left, upper, window = _window(photo.rgb, x, y, 1.5 * radius)
        # found in a small picture among all radii: look again at its own size, and for a larger circle round the same middle (the
        # strongest may be the bore's far end)
        for low, high in ((0.8, 1.25), (1.12, 1.5)):
            if high > 1.3 and radius * 1.12 > largest:
                continue
            left, upper, window = _window(photo.rgb, x, y, 2.0 * radius)
            shut = tuple(outline - (left, upper) for outline in calibration.marker_outlines_px)
            again = _candidates(window, low * radius, min(high * radius, 1.05 * largest), shut, count=1)
            if not again:
                continue
            value, new_x, new_y, new_radius = again[0]
            new_x, new_y = new_x + left, new_y + upper
            if high < 1.3 or (value > 0.7 * support and math.hypot(new_x - x, new_y - y) < 0.2 * radius):
                x, y, radius = new_x, new_y, new_radius
        left, upper, window = _window(photo.rgb, x, y, 1.5 * radius)
        ovals = _fit_outline(_lightness_and_colour(linear(window)), (x - left, y - upper), radius, 0.16)
        strongest = max((oval[0] for oval in ovals), default=0.0)
        light = linear(window)
        edges = [_held(light, middle, outline, value) for value, middle, outline in ovals if value >= 0.6 * strongest]
        if not edges:
            continue
        # the outer edge is the outermost of those that hold nearly as well as the best
        firmest = max(edge[0] for edge in edges)
        held = [edge for edge in edges if edge[0] > 0.85 * firmest]
        largest_held = max(float(edge[2].mean()) for edge in held)
        same = [edge for edge in held if edge[2].mean() > 0.98 * largest_held]
        hold, middle, outline, value = max(same, key=lambda edge: edge[0])
        # a ring has a second edge close inside; a coin or a cap has none as strong
        radii = [(edge[3], float(edge[2].mean() / outline.mean())) for edge in edges]
        inside = max((v for v, share in radii if 0.6 < share < 0.99), default=0.3)
        score = hold * inside
        if best is None or score > best[0]:
            best_support = support
            best = (score, (middle[0] + left, middle[1] + upper), outline, hold)
    faint = best is not None and best[3] < FIRM_ENOUGH
    if best is None or best[3] < FAINT_ENOUGH or (faint and best_support < ROUND_ENOUGH):
        raise SurfaceError(
            f"No cut ring is seen in {photo.name}; stand the ring upright on a plain table, take the photo from straight above "
            "with the cut face sharp, or choose another view."
        )
    _, centre, outline, firm = best
    for _ in range(2):
        left, upper, window = _window(photo.rgb, *centre, 1.3 * float(outline.mean()))
        profile, measured, weight = _refine_outer(linear(window), (centre[0] - left, centre[1] - upper), outline)
        # move the centre so that the first harmonics vanish
        basis = _harmonics(1)
        first = np.linalg.lstsq(basis, profile, rcond=None)[0]
        if math.hypot(first[1], first[2]) < 0.02:
            break
        points = _points(centre, profile)
        centre = (centre[0] + float(first[1]), centre[1] - float(first[2]))
        outline = _radius_about(centre, points)
    return _Outline(centre_px=centre, radius=profile, measured=measured, weight=weight, firm=firm)


def _held(
    light: np.ndarray, centre: tuple[float, float], radius: np.ndarray, support: float
) -> tuple[float, tuple[float, float], np.ndarray, float]:
    """An oval edge, refined: (how firmly it holds 0..1, centre, radius, support).

    It holds where it is measured within a pixel of the oval; an oval that leans from one edge to another fails there.
    """
    refined, measured, weight = _refine_outer(light, centre, radius)
    return float((weight * (np.abs(measured - refined) < 1.0)).mean()), centre, refined, support


def _window(rgb: np.ndarray, x: float, y: float, reach: float) -> tuple[int, int, np.ndarray]:
    """The part of the picture round a place: (left, top, view)."""
    left, top = max(0, int(x - reach)), max(0, int(y - reach))
    return left, top, rgb[top : int(y + reach) + 2, left : int(x + reach) + 2]


def _points(centre: tuple[float, float], radius: np.ndarray) -> np.ndarray:
    return np.stack([centre[0] + radius * _COS, centre[1] - radius * _SIN], axis=1)


def _radius_about(centre: tuple[float, float], points: np.ndarray) -> np.ndarray:
    """Radius at each of the ANGLES of a closed contour about another centre."""
    dx, dy = points[:, 0] - centre[0], centre[1] - points[:, 1]
    angle = np.arctan2(dy, dx) % (2.0 * np.pi)
    order = np.argsort(angle)
    return np.interp(_THETA, angle[order], np.hypot(dx, dy)[order], period=2.0 * np.pi)


# Standard uncertainties of a contour, px. Taken from rings with known truth; tests/test_ring.py checks them against others.
OUTER_SHARED_PX, INNER_SHARED_PX = 0.3, 0.35  # shared by the whole ring: burr, chips and glare shift an edge all round
OUTER_LOCAL_PX, INNER_LOCAL_PX = 0.4, 0.6  # at one degree
UNSURE, UNSURE_LOCAL_PX = (
    0.6,
    2.0,
)  # where metal and bore hardly differ: below this sureness, the inner edge at one degree


def _edges_unsure(spread: tuple[float, float]) -> tuple[float, float]:
    """Shared standard uncertainty of the outer and inner edge, px, with what the spread of white adds."""
    part = SPREAD_SHIFT_UNSURE / SPREAD_SHIFT
    return math.hypot(OUTER_SHARED_PX, part * spread[0]), math.hypot(INNER_SHARED_PX, part * spread[1])


def measure_ring(
    photo: Photo, calibration: Calibration, surface: object | None = None, tube: Tube | None = None
) -> Ring:
    """Measure the wall round a cut ring that stands upright, seen from above.

    With a known tube the scale at the cut comes from its outside diameter (a perimeter, so that a squashed ring counts too), else
    from the marker and an assumed height of the cut (flag ``ring_height_assumed``), else there is none and figures stay in pixels.
    ``surface`` is not needed. Raises SurfaceError where no ring is seen.
    """
    outline = _find_outline(photo, calibration, tube)
    centre, mean_radius = outline.centre_px, float(outline.radius.mean())
    deepest_px = _deepest_wall(tube) * mean_radius
    left, top, window = _window(photo.rgb, *centre, 1.2 * mean_radius)
    light = linear(window)
    inside = (centre[0] - left, centre[1] - top)
    blur_px = _blur(light, inside, outline.measured, outline.weight)
    end_px, begin_px, sure = _inner(light, inside, outline.radius, deepest_px, blur_px, outline.weight)
    wall_px = end_px - begin_px
    flags: list[Flag] = []
    white = _overexposed(window, inside, outline.radius - begin_px, wall_px)
    outer_radius_px, spread = outline.radius - begin_px, (0.0, 0.0)
    if white.mean() > 0.1:
        across = np.arange(-6.0, deepest_px + 6.0, STEP_PX)
        strip = _unroll(light, inside, outline.radius, -across)
        spread = (
            _spread_of_white(strip, across, begin_px, True, white),
            _spread_of_white(strip, across, end_px, False, white),
        )
        weight = ndimage.uniform_filter1d(white.astype(float), 21, mode="wrap")
        outer_radius_px = outer_radius_px - spread[0] * weight
        wall_px = np.maximum(wall_px - (spread[0] + spread[1]) * weight, 0.0)
        flags.append(raise_flag("ring_overexposed", f" over {100 * white.mean():.0f} % of its length"))

    if (wall_px < 1.0).mean() > 0.3:
        raise SurfaceError(
            f"What looks like a ring in {photo.name} has no wall round a third of it; take the photo from straight above with the cut "
            "face sharp, or choose another view."
        )
    unsure = sure < UNSURE
    if unsure.mean() > 0.05:
        flags.append(raise_flag("ring_edge_unsure", f"over {100 * unsure.mean():.0f} % of its length"))
    faint = outline.firm < FIRM_ENOUGH
    if faint:
        flags.append(raise_flag("ring_faint"))
    if wall_px.mean() < 4.0:
        flags.append(raise_flag("ring_few_pixels", f"{wall_px.mean():.1f}"))

    outer_points = _points(centre, outer_radius_px)
    inner_points = _points(centre, outer_radius_px - wall_px)
    plane = _plane_of(calibration, centre, outer_points)
    outer_flat, inner_flat = plane.flatten(outer_points), plane.flatten(inner_points)
    whole_flat = plane.flatten(
        _points(centre, outer_radius_px + begin_px)
    )  # as the tube was before any loss from outside
    mm_per_px, scale_source = _scale_at_cut(
        calibration, tube, centre, plane, _perimeter(whole_flat), mean_radius, _edges_unsure(spread)[0]
    )
    if scale_source == "marker and height":
        flags.append(raise_flag("ring_height_assumed"))
    true_wall_px = np.linalg.norm(outer_flat - inner_flat, axis=1)

    half = slice(None, None, 2)

    def by_degree(values: np.ndarray) -> np.ndarray:
        return np.roll(values[half], 180, axis=0)

    place = int(true_wall_px.argmin())
    angle = (place * 360.0 / ANGLES + 180.0) % 360.0 - 180.0
    outer_radius = np.hypot(*outer_flat.T)
    ovality = 100.0 * _ovality(whole_flat)
    measure = _InMillimetres(
        minimum_mm=None,
        maximum_mm=None,
        mean_mm=None,
        outside_diameter_mm=None,
        wall_mm=None,
        loss_outside_mm=None,
        loss_inside_mm=None,
    )
    if mm_per_px is not None:
        k = mm_per_px.value
        relative = mm_per_px.shares
        wall_mm = by_degree(true_wall_px) * k

        def of(value: float, outer_px: float, inner_px: float) -> Measure:
            made = Measure.by_shares(value, relative)
            return (
                made.plus("outer edge of the ring", outer_px * k).plus("inner edge of the ring", inner_px * k).floored()
            )

        outer_unsure, inner_unsure = _edges_unsure(spread)
        if faint:
            outer_unsure, inner_unsure = (math.hypot(part, FAINT_EDGE_PX) for part in (outer_unsure, inner_unsure))

        def at(angle_index: int) -> tuple[float, float]:
            local = UNSURE_LOCAL_PX if unsure[angle_index] else INNER_LOCAL_PX
            return math.hypot(outer_unsure, OUTER_LOCAL_PX), math.hypot(inner_unsure, local)

        sound = float(np.quantile(true_wall_px, 0.9))
        outside_loss = np.maximum(np.hypot(*whole_flat.T) - outer_radius, 0.0)
        measure = _InMillimetres(
            wall_mm=_read_only(wall_mm),
            minimum_mm=of(float(true_wall_px.min()) * k, *at(place)),
            maximum_mm=of(float(true_wall_px.max()) * k, *at(int(true_wall_px.argmax()))),
            mean_mm=of(float(true_wall_px.mean()) * k, outer_unsure, inner_unsure),
            outside_diameter_mm=of(_perimeter(whole_flat) / math.pi * k, 2 * outer_unsure, 0.0),
            loss_outside_mm=_read_only(by_degree(outside_loss) * k),
            loss_inside_mm=_read_only(by_degree(np.maximum(sound - true_wall_px - outside_loss, 0.0)) * k),
        )
        flags += _type_doubt(tube, measure["maximum_mm"])
    return Ring(
        centre_px=(float(centre[0]), float(centre[1])),
        outer_contour_px=_read_only(by_degree(outer_points)),
        inner_contour_px=_read_only(by_degree(inner_points)),
        wall_px=_read_only(by_degree(wall_px)),
        mm_per_px=mm_per_px,
        scale_source=scale_source,
        minimum_image_angle_deg=float(angle),
        ovality_percent=ovality,
        edge_uncertainty_px=OUTER_LOCAL_PX,
        flags=tuple(flags),
        **measure,
    )


def _type_doubt(tube: Tube | None, thickest: Measure | None) -> list[Flag]:
    """Whether the thickest wall of the ring contradicts the type that was told, by the tolerances of ASTM B88.

    Thicker than the type allows it cannot be. Thinner it may have become all round, but where another type of the size fits the
    type is asked about.
    """
    if tube is None or thickest is None or tube.size is None or tube.type not in TYPES or tube.wall_mm is None:
        return []
    low, high = thickest.interval_95

    def fits(other: Tube) -> bool:
        assert other.wall_mm is not None and other.wall_tolerance_mm is not None
        return low <= other.wall_mm + other.wall_tolerance_mm and high >= other.wall_mm - other.wall_tolerance_mm

    others = [f"type {other.type}" for other in types_of(tube.size) if other.type != tube.type and fits(other)]
    if fits(tube) or (high < tube.wall_mm and not others):
        return []
    named = f"; {' or '.join(others)} would fit" if others else ""
    return [
        raise_flag(
            "tube_type_doubtful",
            f" ({low:.2f} to {high:.2f} mm where type {tube.type} has {tube.wall_mm:.2f} mm{named})",
        )
    ]


def _scale_at_cut(
    calibration: Calibration,
    tube: Tube | None,
    centre: tuple[float, float],
    plane: _Plane,
    perimeter: float,
    radius: float,
    edge_unsure_px: float,
) -> tuple[Measure | None, str]:
    """Millimetres by pixel at the ring's centre in the plane of the cut, and where they come from."""
    if tube is not None:
        value = math.pi * tube.outside_diameter_mm / perimeter
        tolerance = tube.outside_diameter_tolerance_mm or 0.005 * tube.outside_diameter_mm
        shares = {
            "tube's outside diameter": tolerance / math.sqrt(3.0) / tube.outside_diameter_mm,
            "outer edge of the ring (scale)": edge_unsure_px / radius,
            "loss outside": LOSS_OUTSIDE,
        }
        return Measure.by_shares(value, shares), "tube's outside diameter"
    if calibration.mm_per_px_marker is None:
        return None, "none"
    focal = math.sqrt(calibration.camera_matrix[0, 0] * calibration.camera_matrix[1, 1])
    above = HEIGHT_OF_CUT_MM[0] - calibration.marker_plane_height_mm
    if calibration.rotation is not None and calibration.translation_mm is not None:
        distance = abs(float(calibration.rotation[:, 2] @ calibration.translation_mm))
        value = (distance - above) * plane.depth_per_unit / focal
    else:
        distance = calibration.mm_per_px_marker.value * focal
        value = (distance - above) / focal
    relative = calibration.relative_uncertainty_at(*centre) or dict(calibration.relative_uncertainty)
    made = Measure.by_shares(value, relative).plus(
        "height of the cut", HEIGHT_OF_CUT_MM[1] / focal * plane.depth_per_unit
    )
    return made, "marker and height"


def _read_only(values: np.ndarray) -> np.ndarray:
    values = np.ascontiguousarray(values, dtype=np.float64)
    values.setflags(write=False)
    return values
