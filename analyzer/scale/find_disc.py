"""A disc of known diameter, such as a coin: found as the roundest thing in the picture, its pose from its outline.

The outline of a disc seen aslant is an ellipse. Two planes, tilted to opposite sides of the line of sight, give the same
ellipse; the disc's side wall, which shows on the side near the camera, tells them apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import ndimage

from analyzer.scale.edges import LINEAR
from analyzer.scale.plane_pose import OWN, TURN, CameraPrior, PlaneFit, fit_plane, most_likely, pose_parameters, project

# The first two: judgements, no source.
SEARCH_SIDE_PX = 420  # circles are looked for on a picture of this size
RADIUS_SHARES = (0.022, 0.17)  # of the longer side: smaller has too few pixels, larger leaves no room for the piece
LEAST_ROUNDNESS = 4.5  # votes for a centre in standard deviations of those by chance; grain and pits stay below 4
RAYS = 360
# From here on a round thing is a cut ring, not a disc: on eight pictures d and e with truth coins reach 0.45, four rings of five have
# from 0.57.
HOLLOW = 0.6
EDGE_SHARE = 3  # hundredths of the radius over which a sharp edge is read at most; a ring's wall is wider
# A rounded edge, its light and a shadow move long stretches of the outline together: on pictures with truth the tilt
# scatters two and a half times as much as the rays do.
LEAST_CHI_SQUARE = 6.0
THICKNESS_MM = (1.8, 0.4)  # of common coins, with its standard uncertainty: see data/coins.csv
COMMON_DIAMETER_MM = 23.0  # where the proportion of thickness to diameter is wanted before the pose is known
# The two: judgements, no source.
WALL_SIGMA_MM = 0.4
# How fast a wrong side of the tilt becomes unlikely with the evidence: likeliest on 26 pictures d, e, h with truth, four of them on
# the wrong side.
SIDE_SURENESS = 1.5
LARGEST_TILT_DEG = (
    60.0  # half of the pixels are lost across (1 - cos), and the far end is out of focus: common practice, no source
)
RIM_SHARE = 0.08  # a coin's edge is rounded: its widest place lies below its face by this share of the thickness
TILT_SIGMA = 0.3  # people hold the phone roughly above: sine of the tilt in each direction, from memory


@dataclass(frozen=True, kw_only=True)
class FoundDisc:
    """``fit`` is the likelier pose, ``other`` the one tilted to the opposite side."""

    fit: PlaneFit
    other: PlaneFit
    outline_px: np.ndarray  # (RAYS, 2)
    radius_px: float
    side_evidence: float  # for ``fit`` against ``other``; under 0.5 it is a guess
    other_chance: float  # that ``other`` is right, by that evidence
    rival: float = 0.0  # score of the second roundest thing as a share of this one's


def find_disc(
    rgb: np.ndarray,
    cameras: tuple[CameraPrior, ...],
    diameter_mm: float,
    thickness_mm: tuple[float, float] = THICKNESS_MM,
) -> FoundDisc | None:
    """The disc's plane (that of its widest outline), or None where nothing round enough is seen.

    ``thickness_mm``: value and standard uncertainty.
    """
    best, best_score, rival = None, 0.0, 0.0
    for x, y, radius, roundness in _circles(rgb):
        outline = _outline(rgb, np.array([x, y]), radius)
        if outline is None or outline.hollow > HOLLOW:
            continue
        score = roundness * outline.support * math.exp(-3.0 * max(0.0, outline.hollow - 0.3))
        if score > best_score:
            best, best_score, rival = outline, score, best_score
        else:
            rival = max(rival, score)
    if best is None:
        return None
    return replace(_pose(rgb, cameras, diameter_mm, thickness_mm, best), rival=rival / best_score)


@dataclass(frozen=True, kw_only=True)
class RoundThing:
    """Something round in the picture, of which no size is known."""

    outline_px: np.ndarray  # (N, 2)
    centre_px: tuple[float, float]
    radius_px: float  # mean of the half axes
    hollow: float  # see _Outline


def round_things(rgb: np.ndarray) -> tuple[RoundThing, ...]:
    """What is round enough to be a disc or a ring, the roundest first; four at most."""
    found = []
    for x, y, radius, _ in _circles(rgb):
        outline = _outline(rgb, np.array([x, y]), radius)
        if outline is not None:
            found.append(
                RoundThing(
                    outline_px=outline.points_px,
                    centre_px=(float(outline.centre[0]), float(outline.centre[1])),
                    radius_px=float(np.mean(outline.ellipse[2:4])),
                    hollow=outline.hollow,
                )
            )
    return tuple(found)


def _circles(rgb: np.ndarray, most: int = 4) -> list[tuple[float, float, float, float]]:
    """Places (x, y, radius, roundness), best first, where edges point to a common centre (Hough voting along gradients)."""
    height, width = rgb.shape[:2]
    shrink = min(1.0, SEARCH_SIDE_PX / max(height, width))
    small = cv2.resize(rgb, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else rgb
    image = np.log(cv2.GaussianBlur(small, (0, 0), 1.0).astype(np.float32) + 20)  # ratios, not differences
    along_x, along_y = cv2.Sobel(image, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(image, cv2.CV_32F, 0, 1) / 8
    strongest = np.argmax(along_x**2 + along_y**2, axis=2)[..., None]
    along_x = np.take_along_axis(along_x, strongest, 2)[..., 0]
    along_y = np.take_along_axis(along_y, strongest, 2)[..., 0]
    slope = np.sqrt(along_x**2 + along_y**2)
    unit_x, unit_y = along_x / (slope + 1e-9), along_y / (slope + 1e-9)
    rows, columns = slope.shape
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    ahead = cv2.remap(slope, x + unit_x, y + unit_y, cv2.INTER_LINEAR)
    behind = cv2.remap(slope, x - unit_x, y - unit_y, cv2.INTER_LINEAR)
    edge = (slope >= ahead) & (slope >= behind) & (slope > 0.015) & (slope > 0.8 * cv2.blur(slope, (31, 31)))
    edge[:2] = edge[-2:] = False
    edge[:, :2] = edge[:, -2:] = False
    y, x = np.nonzero(edge)
    if len(x) < 30:
        return []
    unit_x, unit_y = unit_x[y, x], unit_y[y, x]
    weight = np.minimum(slope[y, x] / np.median(slope[y, x]), 3.0).astype(np.float64)
    longer = max(rows, columns)
    radii = longer * RADIUS_SHARES[0] * 1.05 ** np.arange(60)
    radii = radii[radii < longer * RADIUS_SHARES[1]]
    votes = []
    for radius in radii:
        plane = np.zeros(rows * columns)
        for side in (1, -1):  # the disc may be brighter or darker than the table
            to_x, to_y = np.rint(x + side * radius * unit_x), np.rint(y + side * radius * unit_y)
            inside = (to_x >= 0) & (to_x < columns) & (to_y >= 0) & (to_y < rows)
            place = (to_y[inside] * columns + to_x[inside]).astype(np.int64)
            plane += np.bincount(place, weight[inside], minlength=rows * columns)
        votes.append(plane.reshape(rows, columns).astype(np.float32))
    stacked = np.array(votes)
    wide = stacked.copy()
    wide[1:] += stacked[:-1]
    wide[:-1] += stacked[1:]
    for place, radius in enumerate(radii):
        blur = max(1.0, 0.06 * radius)  # an ellipse's edges miss its centre by about this much
        area = 4 * math.pi * blur**2
        size = int(2 * radius) | 1
        chance = cv2.blur(wide[place], (size, size)) * area
        seen = cv2.GaussianBlur(wide[place], (0, 0), blur) * area
        circumference = 2 * math.pi * radius
        wide[place] = (seen - chance) / np.sqrt((chance + 0.15 * circumference) * circumference)
    found = []
    y, x = np.ogrid[0:rows, 0:columns]
    for _ in range(most):
        place, row, column = np.unravel_index(int(np.argmax(wide)), wide.shape)
        roundness, radius = float(wide[place, row, column]), float(radii[place])
        if roundness < LEAST_ROUNDNESS:
            break
        found.append(((column + 0.5) / shrink - 0.5, (row + 0.5) / shrink - 0.5, radius / shrink, roundness))
        wide[:, (y - row) ** 2 + (x - column) ** 2 < (0.5 * radius) ** 2] = -np.inf
    return found


@dataclass(frozen=True, kw_only=True)
class _Outline:
    """An ellipse's edge read along rays: ``points_px`` (N, 2), N of RAYS; ``hollow`` is how unlike a band
    near the edge is to both the middle and the table: large for a cut ring, small for a disc."""

    centre: np.ndarray
    ellipse: np.ndarray  # centre x, y, half axes a, b, turn
    points_px: np.ndarray
    scatter_px: float
    support: float  # share of rays where the edge was read
    hollow: float


def _polar(rgb: np.ndarray, ellipse: np.ndarray, scales: np.ndarray, rays: int = RAYS) -> tuple[np.ndarray, np.ndarray]:
    """Log linear light (rays, scales, 3) along rays of an ellipse and the places (rays, scales, 2); NaN outside the picture."""
    angle = np.arange(rays) * 2 * math.pi / rays
    rim = _on_ellipse(ellipse, angle)
    places = ellipse[:2] + scales[None, :, None] * (rim - ellipse[:2])[:, None, :]
    return _log_light(rgb, places), places


def _log_light(rgb: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Logarithm of linear light (n, m, 3) at places (n, m, 2), for ratios of light count; NaN outside the picture."""
    low = np.maximum(np.floor(places.min(axis=(0, 1))).astype(int) - 2, 0)
    high = np.minimum(np.ceil(places.max(axis=(0, 1))).astype(int) + 3, [rgb.shape[1], rgb.shape[0]])
    if np.any(high - low < 3):
        return np.full((*places.shape[:2], 3), np.nan, dtype=np.float32)
    crop = np.log(LINEAR[rgb[low[1] : high[1], low[0] : high[0]]] + np.float32(0.02))
    shifted = (places - low).astype(np.float32)
    return cv2.remap(
        crop,
        np.ascontiguousarray(shifted[..., 0]),
        np.ascontiguousarray(shifted[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(float("nan"),) * 3,
    )


def _on_ellipse(ellipse: np.ndarray, angle: np.ndarray) -> np.ndarray:
    """Points (N, 2) of the ellipse at its parameter ``angle``."""
    x, y, a, b, turn = ellipse
    along, across = a * np.cos(angle), b * np.sin(angle)
    return np.stack(
        [x + along * math.cos(turn) - across * math.sin(turn), y + along * math.sin(turn) + across * math.cos(turn)],
        axis=-1,
    )


def _contrast(values: np.ndarray, half: int) -> np.ndarray:
    """How unlike the mean of ``half`` samples inside is to that outside, at each step along each ray (rays, steps)."""
    total = np.cumsum(np.nan_to_num(values), axis=1)
    total = np.concatenate([np.zeros_like(total[:, :1]), total], axis=1)
    steps = values.shape[1]
    contrast = np.zeros(values.shape[:2], dtype=np.float32)
    middle = np.arange(half, steps - half)
    inside = total[:, middle] - total[:, middle - half]
    outside = total[:, middle + half] - total[:, middle]
    contrast[:, half : steps - half] = np.linalg.norm(inside - outside, axis=2) / half
    contrast[np.any(~np.isfinite(values), axis=2)] = 0
    return contrast


def _outline(rgb: np.ndarray, centre: np.ndarray, radius: float) -> _Outline | None:
    """The ellipse whose edge is strongest and outermost near a circle; None where no closed edge is read."""
    ellipse = np.array([*centre, radius, radius, 0.0])
    scales = np.linspace(0.72, 1.32, 150)
    values, places = _polar(rgb, ellipse, scales)
    contrast = _contrast(values, 5)
    fitted = _best_ellipse(contrast, places)
    if fitted is None:
        return None
    for _ in range(2):
        fitted = _outermost(rgb, fitted)
    edges = _edge_ellipse(rgb, fitted)
    if edges is None:
        return None
    fitted = edges
    points, finite, scatter = np.empty((0, 2)), np.zeros(0, bool), 0.0
    for _ in range(3):
        points = _boundary(rgb, fitted)
        finite = np.all(np.isfinite(points), axis=1)
        # A shadow can shift a third of the rays outwards: the ellipse that most rays agree on comes first.
        agreed = _consensus(points[finite], np.flatnonzero(finite), np.ones(np.count_nonzero(finite)), RAYS)
        again = _fit_ellipse(points, fitted if agreed is None else agreed)
        if again is None:
            return None
        fitted, kept, scatter = again
    # The outline with the wall is no exact ellipse: what lies near it is handed on, the pose sorts the rest out.
    # A shadow beside a disc is round as well, and both together may look like one larger ellipse. What lies further out of
    # the face's own edge than the wall can reach is such a shadow.
    points = points[finite]
    slant = math.acos(min(edges[2:4]) / max(edges[2:4])) + math.radians(4.0)
    reach = max(edges[2:4]) * (0.025 + 2 * THICKNESS_MM[0] / COMMON_DIAMETER_MM * math.tan(slant))
    off = _off_ellipse(points, edges)
    points = points[(off > -0.03 * max(edges[2:4])) & (off < reach)]
    a, b = max(fitted[2:4]), min(fitted[2:4])
    if b / a < 0.6 or len(points) < RAYS // 3:
        return None
    scales = np.arange(0.5, 1.3, 0.01)
    values, _ = _polar(rgb, fitted, scales)
    with np.errstate(all="ignore"):
        profile = np.nan_to_num(np.nanmedian(values, axis=0))
    inner, outer = profile[scales < 0.8].mean(axis=0), profile[scales > 1.22].mean(axis=0)
    unlike = np.minimum(np.linalg.norm(profile - inner, axis=1), np.linalg.norm(profile - outer, axis=1))
    # An edge between two colours passes through what lies between them and is unlike both, the more the further they are apart:
    # only what is wider than an edge counts.
    band = ndimage.grey_opening(unlike, EDGE_SHARE)[(scales > 0.86) & (scales < 1.1)]
    return _Outline(
        centre=fitted[:2],
        ellipse=fitted,
        points_px=points,
        scatter_px=scatter,
        support=len(points) / RAYS,
        hollow=float(band.max() / math.sqrt(3)),
    )


def _edge_ellipse(rgb: np.ndarray, ellipse: np.ndarray) -> np.ndarray | None:
    """The ellipse through the strongest edges near one; they follow the face's rounded edge rather than the outline."""
    for reach, half in ((0.05, 0.02), (0.03, 0.014)):
        step = max(0.35 / ellipse[2], reach / 60)
        scales = np.arange(1 - reach - half, 1 + reach + half, step)
        values, places = _polar(rgb, ellipse, scales)
        samples = max(2, int(round(half / step)))
        contrast = _contrast(values, samples)
        best = np.argmax(contrast, axis=1)
        rays = np.arange(len(contrast))
        points = places[rays, best].copy()
        points[(best <= samples) | (best >= len(scales) - samples - 1) | (contrast[rays, best] <= 0)] = np.nan
        again = _fit_ellipse(points, ellipse)
        if again is None:
            return None
        ellipse = again[0]
    return ellipse


def _best_ellipse(contrast: np.ndarray, places: np.ndarray) -> np.ndarray | None:
    """Ellipse through most of the strong edges along the rays: consensus of samples of five (RANSAC, fixed seed)."""
    rays = len(contrast)
    first = np.argmax(contrast, axis=1)
    second = contrast.copy()
    for row, place in enumerate(first):
        second[row, max(place - 6, 0) : place + 7] = 0
    second = np.argmax(second, axis=1)
    ray = np.tile(np.arange(rays), 2)
    step = np.concatenate([first, second])
    points, strength = places[ray, step], contrast[ray, step]
    good = strength > 0
    return _consensus(points[good], ray[good], np.sqrt(strength[good]), rays)


def _consensus(points: np.ndarray, ray: np.ndarray, strength: np.ndarray, rays: int) -> np.ndarray | None:
    """The ellipse near which most strength lies: (centre x, y, half axes, turn), from samples of five points."""
    if len(points) < rays // 3:
        return None
    middle = points.mean(axis=0)
    size = float(np.linalg.norm(points - middle, axis=1).mean()) * 1.3
    x, y = ((points - middle) / size).T
    design = np.stack([x * x, x * y, y * y, x, y], axis=1)
    generator = np.random.default_rng(20240101)  # a fixed seed: the same picture gives the same outline
    best, best_score = None, 0.0
    chance = strength / strength.sum()
    for _ in range(300):
        pick = generator.choice(len(points), 5, replace=False, p=chance)
        try:
            conic = np.linalg.solve(design[pick], np.ones(5))
        except np.linalg.LinAlgError:
            continue
        if 4 * conic[0] * conic[2] - conic[1] ** 2 <= 0:
            continue
        value = design @ conic - 1.0
        slope = np.hypot(2 * conic[0] * x + conic[1] * y + conic[3], conic[1] * x + 2 * conic[2] * y + conic[4])
        near = np.abs(value) < 0.006 * slope
        score = float(np.bincount(ray[near], strength[near], minlength=rays).clip(0, 2).sum())
        if score > best_score:
            ellipse = _conic_to_ellipse(conic)
            if ellipse is None or min(ellipse[2:4]) < 0.6 * max(ellipse[2:4]) or np.hypot(*ellipse[:2]) > 0.35:
                continue
            best, best_score = ellipse, score
    if best is None:
        return None
    return np.array([*(best[:2] * size + middle), best[2] * size, best[3] * size, best[4]])


def _conic_to_ellipse(conic: np.ndarray) -> np.ndarray | None:
    """Centre, half axes and turn of A x2 + B xy + C y2 + D x + E y = 1."""
    a, b, c, d, e = conic
    matrix = np.array([[a, b / 2], [b / 2, c]])
    centre = np.linalg.solve(matrix, [-d / 2, -e / 2])
    level = 1 + centre @ matrix @ centre
    values, vectors = np.linalg.eigh(matrix / level)
    if np.any(values <= 0):
        return None
    return np.array(
        [*centre, 1 / math.sqrt(values[0]), 1 / math.sqrt(values[1]), math.atan2(vectors[1, 0], vectors[0, 0])]
    )


def _outermost(rgb: np.ndarray, ellipse: np.ndarray) -> np.ndarray:
    """The ellipse scaled to the outermost edge that runs all round: a coin's rim has edges within its outline."""
    scales = np.linspace(0.8, 1.2, 161)
    values, _ = _polar(rgb, ellipse, scales)
    contrast = _contrast(values, 5)
    profile = np.quantile(contrast, 0.35, axis=0)  # an edge that is there on two rays in three
    inner = (profile >= np.roll(profile, 1)) & (profile >= np.roll(profile, -1))
    peaks = np.flatnonzero(inner & (profile > 0.5 * profile.max()) & (scales > 0.85) & (scales < 1.15))
    if len(peaks) == 0:
        return ellipse
    scaled = ellipse.copy()
    scaled[2:4] *= scales[peaks[-1]]
    return scaled


def _boundary(rgb: np.ndarray, ellipse: np.ndarray) -> np.ndarray:
    """Where each ray leaves the disc: (RAYS, 2), NaN where it does not.

    Rim and table are two classes of colour, learnt from the band inside and the band outside the ellipse; along a ray the
    place that parts the two best is the boundary. The dark line of a rounded edge and a shadow on the table change the
    brightness within a class and count little.
    """
    step = max(0.5 / ellipse[2], 0.0015)
    scales = np.arange(0.90, 1.16, step)
    values, places = _polar(rgb, ellipse, scales)
    finite = np.all(np.isfinite(values), axis=2)
    rim = values[:, (scales > 0.93) & (scales < 0.99)][finite[:, (scales > 0.93) & (scales < 0.99)]]
    table = values[:, (scales > 1.05)][finite[:, (scales > 1.05)]]
    if len(rim) < 500 or len(table) < 500:
        return np.full((len(values), 2), np.nan)
    evidence = _log_density(values, rim) - _log_density(values, table)
    evidence = np.clip(np.nan_to_num(evidence), -4.0, 4.0)
    # Neighbouring rays are read together against grain: three degrees.
    evidence = cv2.blur(np.concatenate([evidence[-2:], evidence, evidence[:2]]), (1, 3))[2:-2]
    gathered = np.cumsum(evidence, axis=1)
    best = np.argmax(gathered, axis=1)
    rays = np.arange(len(values))
    inside = (best > 2) & (best < len(scales) - 3) & finite.all(axis=1)
    after = np.clip(best + 1, 0, len(scales) - 1)
    high, low = evidence[rays, best], evidence[rays, after]
    share = np.clip(high / np.maximum(high - low, 1e-6), 0.0, 1.0)
    points = places[rays, best] + share[:, None] * (places[rays, after] - places[rays, best])
    points[~inside] = np.nan
    return points


def _log_density(values: np.ndarray, sample: np.ndarray) -> np.ndarray:
    """Logarithm of the normal density fitted to a sample of colours (N, 3), at each value."""
    mean = np.median(sample, axis=0)
    apart = np.clip(sample - mean, -2.0, 2.0)
    covariance = apart.T @ apart / len(sample) + np.eye(3) * 1e-3
    rotated = (values - mean) @ np.linalg.cholesky(np.linalg.inv(covariance))
    return -0.5 * np.sum(rotated**2, axis=-1) - 0.5 * np.linalg.slogdet(covariance)[1]


def _fit_ellipse(points: np.ndarray, start: np.ndarray) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Ellipse by direct least squares (OpenCV), outliers left out round by round: (ellipse, kept, scatter in pixels)."""
    kept = np.all(np.isfinite(points), axis=1)
    ellipse, scatter = start, 1.0
    apart = np.zeros(len(points))
    apart[kept] = _off_ellipse(points[kept], start)
    for _ in range(6):
        if np.count_nonzero(kept) < len(points) // 3:
            return None
        spread = 1.4826 * float(np.median(np.abs(apart[kept] - np.median(apart[kept]))))
        kept = np.all(np.isfinite(points), axis=1) & (
            np.abs(apart - np.median(apart[kept])) < max(2.5 * spread, 0.0015 * start[2])
        )
        if np.count_nonzero(kept) < len(points) // 3:
            return None
        (x, y), (d1, d2), turn = cv2.fitEllipseDirect(points[kept].astype(np.float32))
        if not (d1 > 0 and d2 > 0):
            return None
        ellipse = np.array([x, y, d1 / 2, d2 / 2, math.radians(turn)])
        finite = np.all(np.isfinite(points), axis=1)
        apart = np.full(len(points), np.inf)
        apart[finite] = _off_ellipse(points[finite], ellipse)
        scatter = float(np.sqrt(np.mean(apart[kept] ** 2)))
    return ellipse, kept, scatter


def _off_ellipse(points: np.ndarray, ellipse: np.ndarray) -> np.ndarray:
    """Distance of points outside (+) or inside (-) the ellipse along the ray from its centre, pixels."""
    x, y, a, b, turn = ellipse
    apart = points - (x, y)
    along = (apart[:, 0] * math.cos(turn) + apart[:, 1] * math.sin(turn)) / a
    across = (-apart[:, 0] * math.sin(turn) + apart[:, 1] * math.cos(turn)) / b
    reach = np.hypot(along, across)
    return np.linalg.norm(apart, axis=1) * (1 - 1 / np.maximum(reach, 1e-9))


def _circle_mm(radius_mm: float, height_mm: float = 0.0, points: int = RAYS) -> np.ndarray:
    angle = np.arange(points) * 2 * math.pi / points
    return np.stack([radius_mm * np.cos(angle), radius_mm * np.sin(angle), np.full(points, height_mm)], axis=1)


def _pose(
    rgb: np.ndarray,
    cameras: tuple[CameraPrior, ...],
    diameter_mm: float,
    thickness_mm: tuple[float, float],
    outline: _Outline,
) -> FoundDisc:
    """Both poses of the outline; the side wall decides which is likelier."""
    poses, rings, walls, costs = [], [], [], []
    starts = [_start(camera, outline.ellipse, diameter_mm) for camera in cameras]
    for _ in range(2):
        fits = _fit_side(cameras, diameter_mm, thickness_mm, outline, starts)
        # An outline says next to nothing about the focal length, and a shadow would pretend that it does.
        pose = most_likely([replace(fit, cost=0.0) for fit in fits], cameras, outline.centre)
        costs.append(min(fit.cost for fit in fits))
        poses.append(pose)
        rings.append(_ring_sharpness(rgb, pose, diameter_mm))
        walls.append(_wall_edge(rgb, pose, diameter_mm))
        starts = [_mirrored(camera, fit) for camera, fit in zip(cameras, fits, strict=True)]
    # The weights make the three comparable on pictures with truth; each has its own failures (glare, a wall that mirrors
    # the table, a shadow).
    odds = 3.0 * math.log((rings[0] + 0.02) / (rings[1] + 0.02))
    odds += float(np.clip(0.1 * (costs[1] - costs[0]), -1.0, 1.0))
    odds += sum(
        sign * 0.5 * float(np.sum(pose.rotation[:2, 2] ** 2)) / TILT_SIGMA**2
        for sign, pose in zip((-1, 1), poses, strict=True)
    )
    if walls[0] is not None and walls[1] is not None:
        odds += float(np.clip(math.log((walls[0] + 0.1) / (walls[1] + 0.1)), -0.5, 0.5))
    tilts = [math.degrees(math.acos(min(abs(float(pose.rotation[2, 2])), 1.0))) for pose in poses]
    if (tilts[0] > LARGEST_TILT_DEG) != (tilts[1] > LARGEST_TILT_DEG):
        odds = 10.0 if tilts[1] > LARGEST_TILT_DEG else -10.0  # nobody photographs a piece that flat along the table
    likely, other = (poses[0], poses[1]) if odds >= 0 else (poses[1], poses[0])
    apart = other.parameters - likely.parameters
    apart[TURN : TURN + 3] = _nearer_turn(other.parameters[TURN : TURN + 3], likely.parameters[TURN : TURN + 3])
    chance = 0.5 * math.exp(-SIDE_SURENESS * abs(odds))
    likely = replace(likely, covariances={**likely.covariances, "side of the tilt": chance * np.outer(apart, apart)})
    silhouette = _silhouette(likely.parameters, diameter_mm / 2)
    return FoundDisc(
        fit=likely,
        other=other,
        outline_px=silhouette,
        radius_px=float(max(outline.ellipse[2:4])),
        side_evidence=abs(odds),
        other_chance=chance,
    )


def _nearer_turn(turn: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Difference of two rotation vectors, of the two that mean the same turn the nearer one."""
    size = float(np.linalg.norm(turn))
    around = turn * (1 - 2 * math.pi / size) if size > 0 else turn
    return min(turn - other, around - other, key=lambda step: float(np.linalg.norm(step)))


def _silhouette(parameters: np.ndarray, radius_mm: float, rays: int = RAYS) -> np.ndarray:
    """Outline (rays, 2) of the disc with its wall, at even angles about the face's centre in the picture."""
    centre = project(parameters, np.zeros((1, 2)))[0]
    angle = np.arange(rays) * 2 * math.pi / rays
    reach = np.zeros(rays)
    for height in (0.0, -parameters[OWN]):
        apart = project(parameters, _circle_mm(radius_mm, height)) - centre
        own_angle, own_reach = np.arctan2(apart[:, 1], apart[:, 0]), np.linalg.norm(apart, axis=1)
        order = np.argsort(own_angle)
        reach = np.maximum(reach, np.interp(angle, own_angle[order], own_reach[order], period=2 * math.pi))
    return centre + reach[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _fit_side(
    cameras: tuple[CameraPrior, ...],
    diameter_mm: float,
    thickness_mm: tuple[float, float],
    outline: _Outline,
    starts: list[np.ndarray],
) -> list[PlaneFit]:
    """For each camera the pose near its start whose outline, wall included, fits the boundary read."""
    centre, points = outline.centre, outline.points_px
    sigma = 0.004 * float(max(outline.ellipse[2:4]))
    # The side wall may mirror the table and be taken for it, so its height in the picture is known less well than the coin's.
    wall = (thickness_mm[0] * (1 - 2 * RIM_SHARE), max(thickness_mm[1], WALL_SIGMA_MM))

    def extra(parameters: np.ndarray) -> dict[str, np.ndarray]:
        rotation = cv2.Rodrigues(parameters[TURN : TURN + 3])[0]
        # A disc has no direction of its own: its x axis is held level in the picture.
        return {
            "camera tilt": rotation[:2, 2] / TILT_SIGMA,
            "disc thickness": np.array([(parameters[OWN] - wall[0]) / wall[1]]),
            "turn": np.array([rotation[1, 0] / 0.01]),
        }

    starts = [np.append(start, wall[0]) for start in starts]
    kept = np.ones(len(points), dtype=bool)
    fits: list[PlaneFit] = []
    for round_number in range(3):
        angle = np.arctan2(points[kept, 1] - centre[1], points[kept, 0] - centre[0])
        distance = np.linalg.norm(points[kept] - centre, axis=1)

        def residuals(
            parameters: np.ndarray, angle: np.ndarray = angle, distance: np.ndarray = distance, sigma: float = sigma
        ) -> np.ndarray:
            return (distance - _reach(parameters, diameter_mm / 2, centre, angle)) / sigma

        loss = "cauchy" if round_number == 0 else "linear"
        fits = [
            fit_plane(start, camera, residuals, extra, loss=loss, least_chi_square=LEAST_CHI_SQUARE)
            for start, camera in zip(starts, cameras, strict=True)
        ]
        best = min(fits, key=lambda one: one.cost)
        starts = [fit.parameters for fit in fits]
        angle = np.arctan2(points[:, 1] - centre[1], points[:, 0] - centre[0])
        apart = np.linalg.norm(points - centre, axis=1) - _reach(best.parameters, diameter_mm / 2, centre, angle)
        spread = 1.4826 * float(np.median(np.abs(apart[kept])))
        kept = np.abs(apart) < max(2.5 * spread, 0.5)
        # Some ten neighbouring rays see the same grain of the table or the same light on the rim.
        sigma = max(spread, 0.2) * math.sqrt(10.0)
    return fits


def _reach(parameters: np.ndarray, radius_mm: float, centre: np.ndarray, angle: np.ndarray) -> np.ndarray:
    """Distance in pixels from ``centre`` to the outline, wall included, at each angle."""
    reach = np.zeros(len(angle))
    for height in (0.0, -parameters[OWN]):
        apart = project(parameters, _circle_mm(radius_mm, height, 180)) - centre
        own_angle, own_reach = np.arctan2(apart[:, 1], apart[:, 0]), np.linalg.norm(apart, axis=1)
        order = np.argsort(own_angle)
        reach = np.maximum(reach, np.interp(angle, own_angle[order], own_reach[order], period=2 * math.pi))
    return reach


def _start(camera: CameraPrior, ellipse: np.ndarray, diameter_mm: float) -> np.ndarray:
    """A first pose from an ellipse: tilted about its long axis to one of the two sides."""
    x, y, a, b, turn = ellipse
    if b > a:
        a, b, turn = b, a, turn + math.pi / 2
    depth = camera.focal_px * diameter_mm / 2 / a
    ray = np.array([(x - camera.centre_px[0]) / camera.focal_px, (y - camera.centre_px[1]) / camera.focal_px, 1.0])
    tilt = math.acos(min(b / a, 1.0))
    axis = np.array([math.cos(turn), math.sin(turn), 0.0])
    towards = ray / np.linalg.norm(ray)
    axis = axis - (axis @ towards) * towards
    axis /= np.linalg.norm(axis)
    return pose_parameters(camera, _level(cv2.Rodrigues(axis * tilt)[0] @ (-towards)), ray * depth)


def _mirrored(camera: CameraPrior, fit: PlaneFit) -> np.ndarray:
    """The pose tilted to the other side of the line of sight: nearly the same ellipse."""
    towards = fit.translation_mm / np.linalg.norm(fit.translation_mm)
    normal = fit.rotation[:, 2]
    return pose_parameters(camera, _level(2 * (normal @ towards) * towards - normal), fit.translation_mm)


def _level(normal: np.ndarray) -> np.ndarray:
    """A rotation with that normal, its x axis level in the picture."""
    along = np.array([1.0, 0.0, -normal[0] / normal[2]])
    along /= np.linalg.norm(along)
    return np.stack([along, np.cross(normal, along), normal], axis=1)


def _ring_sharpness(rgb: np.ndarray, pose: PlaneFit, diameter_mm: float) -> float:
    """How well the face's own rings lie on circles of this pose.

    A coin's rounded edge and the inner edge of its rim run round the face at even distances from its widest circle. Under the
    pose tilted to the wrong side that circle lies off by the wall's width, inwards on one side and outwards on the other, and
    the rings smear.
    """
    step_mm = 0.04
    depth = np.arange(-1.9, 0.45, step_mm)
    reach = 1 + depth / (diameter_mm / 2)
    circle = _circle_mm(diameter_mm / 2)
    points = np.concatenate([circle * (scale, scale, 1.0) for scale in reach])
    places = project(pose.parameters, points).reshape(len(depth), RAYS, 2)
    values = cv2.blur(_log_light(rgb, places).transpose(1, 0, 2), (1, 5))
    half = 4
    contrast = _contrast(values, half)[:, half : len(depth) - half]
    contrast = contrast / (contrast.mean(axis=1, keepdims=True) + 0.02)
    profile = contrast.mean(axis=0)
    return float(np.var(profile) / max(np.mean(profile), 1e-6) ** 2)


def _wall_edge(rgb: np.ndarray, pose: PlaneFit, diameter_mm: float) -> float | None:
    """How strong an edge runs along the face's near side, where by this pose the wall begins; None where it hardly shows."""
    parameters = pose.parameters
    top = project(parameters, _circle_mm(diameter_mm / 2))
    foot = project(parameters, _circle_mm(diameter_mm / 2, -THICKNESS_MM[0] * (1 - 2 * RIM_SHARE)))
    outward = top - project(parameters, np.zeros((1, 2)))
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    width = np.sum((foot - top) * outward, axis=1)
    if width.max() < 2.5:
        return None
    near = width > 0.5 * width.max()
    across = np.linspace(-1.2, 1.8, 61)
    places = top[near][:, None, :] + across[None, :, None] * width[near][:, None, None] * outward[near][:, None, :]
    values = _log_light(rgb, places)
    seen = np.all(np.isfinite(values), axis=(1, 2))
    if np.count_nonzero(seen) < 20:
        return None
    half = 7
    edge = _contrast(np.median(values[seen], axis=0)[None], half)[0]
    return float(edge[np.abs(across) < 0.3].max())
