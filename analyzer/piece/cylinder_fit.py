"""The piece as a part of a cylinder that lies on the table: seen by the camera, and fitted to its outline.

Frame of the table: the marker's (millimetres, z up towards the camera). Frame of the piece: ``along`` its axis, ``across``
to the right of ``along`` as seen from above, ``up``. A point of the face has the coordinates (s, theta): s along the axis
from the middle of the piece, theta about the axis, 0 at the line nearest to straight above or below.

A bore and a flat piece that curls upwards are hollow towards the camera (concave), an outside is not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from analyzer.piece.outline_edges import edge_offsets, laid_for_edges, normals_of

HALF_SHELL_SPAN_RAD = np.radians(
    174.0
)  # two saw cuts of 1 mm or so leave a little less than half; common practice, no source
LOSS_OUTSIDE_MM = (
    0.04,
    0.1,
)  # by which corrosion narrows an outside, mm: (mean, standard uncertainty); common practice, no source
LOSS_IN_BORE_MM = (
    0.15  # standard uncertainty of the bore's radius from attack and from oval tube; common practice, no source
)
# Width of a tube slit and opened flat, by its mean circumference: (mean, standard uncertainty); the saw takes 1-2 mm.
OPENED_WIDTH = (0.972, 0.017)
# Stands for flat: over 60 mm of width it is off a plane by 0.2 mm.
FLATTEST_RADIUS_MM = 2000.0


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A pinhole camera with distortion, placed over the table: camera point = rotation @ table point + translation."""

    matrix: np.ndarray
    distortion: np.ndarray
    rotation: np.ndarray
    translation: np.ndarray

    @property
    def centre(self) -> np.ndarray:
        """(3,) the camera's place in the table's frame, mm."""
        return -self.rotation.T @ self.translation

    def project(self, points: np.ndarray) -> np.ndarray:
        """(N, 3) points of the table's frame to (N, 2) pixels."""
        turned, _ = cv2.Rodrigues(self.rotation)
        pixels, _ = cv2.projectPoints(
            np.ascontiguousarray(points, float).reshape(-1, 1, 3),
            turned,
            self.translation,
            self.matrix,
            self.distortion,
        )
        return pixels.reshape(-1, 2)

    def rays(self, pixels: np.ndarray) -> np.ndarray:
        """(N, 2) pixels to (N, 3) directions in the camera's frame with z = 1."""
        flat = cv2.undistortPoints(
            np.ascontiguousarray(pixels, float).reshape(-1, 1, 2), self.matrix, self.distortion
        ).reshape(-1, 2)
        return np.concatenate([flat, np.ones((len(flat), 1))], axis=1)

    def on_plane(self, pixels: np.ndarray, height: float) -> np.ndarray:
        """(N, 2) pixels to (N, 2) points of the table's frame at z = ``height``."""
        directions = self.rays(pixels) @ self.rotation
        origin = self.centre
        reach = (height - origin[2]) / directions[:, 2]
        return (origin + reach[:, None] * directions)[:, :2]


@dataclass(frozen=True, kw_only=True)
class Piece:
    """A patch of a cylinder. ``slopes`` tilt the two end cuts: s_end = -+length/2 + slope_across * across + slope_up * up.

    Each figure may be an array (K, 1) instead: then these are K pieces, and what is asked of them has a first axis of K.
    """

    concave: bool | np.ndarray
    radius: float | np.ndarray  # of the examined face, mm
    half_span: float | np.ndarray  # radians; pi for a whole tube
    centre: tuple[float | np.ndarray, ...]  # middle of the axis in the table's frame, mm
    heading: float | np.ndarray  # of the axis in the table's frame, radians
    length: float | np.ndarray  # mm
    slopes: tuple[float | np.ndarray, ...] = (0.0, 0.0, 0.0, 0.0)  # across and up at the first end, then at the last

    @property
    def axes(self) -> np.ndarray:
        """(3, 3) rows: along, across, up."""
        c, s = np.cos(self.heading), np.sin(self.heading)
        return np.array([[c, s, 0.0], [s, -c, 0.0], [0.0, 0.0, 1.0]])

    @property
    def sign(self) -> float | np.ndarray:
        return 1.0 - 2.0 * self.concave

    def ends(self, theta: float | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """First and last s at each theta."""
        across, up = self.radius * np.sin(theta), self.radius * self.sign * (np.cos(theta) - 1.0)
        first = -self.length / 2 + self.slopes[0] * across + self.slopes[1] * up
        last = self.length / 2 + self.slopes[2] * across + self.slopes[3] * up
        return first, last

    def _between_ends(self, s: np.ndarray, across: np.ndarray, up: np.ndarray) -> np.ndarray:
        """bool: whether points of the cylinder (along, across and above its axis) lie between the end cuts."""
        up = up - self.sign * self.radius
        return (s >= -self.length / 2 + self.slopes[0] * across + self.slopes[1] * up) & (
            s <= self.length / 2 + self.slopes[2] * across + self.slopes[3] * up
        )

    def points(self, s: np.ndarray, theta: np.ndarray) -> np.ndarray:
        """(..., 3) points of the table's frame."""
        across, up = self.radius * np.sin(theta), self.sign * self.radius * np.cos(theta)
        cosine, sine = np.cos(self.heading), np.sin(self.heading)
        x, y, z = self.centre
        return np.stack([x + cosine * s + sine * across, y + sine * s - cosine * across, z + up], axis=-1)

    def seen_from(self, camera: Camera) -> tuple[float | np.ndarray, float | np.ndarray]:
        """How far across and above the axis the camera is."""
        x, y, z = camera.centre
        return (
            np.sin(self.heading) * (x - self.centre[0]) - np.cos(self.heading) * (y - self.centre[1]),
            z - self.centre[2],
        )

    def theta_limits(self, camera: Camera) -> tuple[float | np.ndarray, float | np.ndarray]:
        """The lines along the axis that bound the face as seen: rims, or where a convex face turns away."""
        across, up = self.seen_from(camera)
        distance = np.hypot(across, up)
        turns = np.logical_not(self.concave) & (distance > self.radius)
        towards, reach = np.arctan2(across, up), np.arccos(np.minimum(self.radius / distance, 1.0))
        return (
            np.where(turns, np.maximum(-self.half_span, towards - reach), -self.half_span)[()],
            np.where(turns, np.minimum(self.half_span, towards + reach), self.half_span)[()],
        )

    def faces(self, camera: Camera, theta: np.ndarray) -> np.ndarray:
        """bool: whether the line at each theta turns its face to the camera and no other part of the piece hides it."""
        across, up = self.seen_from(camera)
        y, z = self.radius * np.sin(theta), self.sign * self.radius * np.cos(theta)
        dy, dz = across - y, up - z
        inward = y * dy + z * dz
        step = -2 * inward / (dy * dy + dz * dz)
        crossing = np.arctan2(y + step * dy, -(z + step * dz))
        hidden = (step < 1) & (np.abs(crossing) < self.half_span - 1e-9)
        concave = (inward < 0) & ~hidden & (np.abs(theta) <= self.half_span + 1e-9)
        convex = (inward > 0) & (np.abs(theta) <= self.half_span)
        return np.where(self.concave, concave, convex)

    def outline(self, camera: Camera, along: int = 60, around: int = 40) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(pixels (..., N, 2), usable (..., N), part (N,)) of the outline; parts 0 and 1 are the ends, 2 and 3 the sides."""
        low, high = self.theta_limits(camera)
        theta = low + np.linspace(0, 1, around) * (high - low)
        first, last = self.ends(theta)
        inner = theta + np.where(theta > (low + high) / 2, -1e-6, 1e-6)
        usable = self.faces(camera, inner)
        step = np.linspace(0, 1, along)
        (low_first, low_last), (high_first, high_last) = self.ends(low), self.ends(high)
        sides = low + 0 * step, high + 0 * step
        s = np.concatenate(
            [first, last, low_first + step * (low_last - low_first), high_first + step * (high_last - high_first)],
            axis=-1,
        )
        points = self.points(s, np.concatenate([theta, theta, *sides], axis=-1))
        pixels = camera.project(points.reshape(-1, 3)).reshape(*s.shape, 2)
        usable = np.concatenate([usable, usable, np.ones((*usable.shape[:-1], 2 * along), bool)], axis=-1)
        part = np.repeat([0, 1, 2, 3], [around, around, along, along])
        return pixels, usable, part

    def polygon(self, camera: Camera) -> np.ndarray:
        """(N, 2) closed outline in pixels, in order."""
        pixels, _, part = self.outline(camera)
        return np.concatenate([pixels[part == 0], pixels[part == 3], pixels[part == 1][::-1], pixels[part == 2][::-1]])

    def cast(self, camera: Camera, rays: np.ndarray) -> tuple[np.ndarray, ...]:
        """Rays (N, 3) of the camera's frame with z = 1 to (hit, s, theta, depth, facing) on the face.

        ``depth`` is along the optical axis in mm; ``facing`` is |normal . ray|, for a ray of the given length.
        """
        axes = self.axes
        origin = axes @ (camera.centre - np.asarray(self.centre))
        dx, dy, dz = np.ascontiguousarray((rays @ (axes @ camera.rotation.T).T).T)
        a = dy * dy + dz * dz
        b = origin[1] * dy + origin[2] * dz
        c = origin[1] ** 2 + origin[2] ** 2 - self.radius**2
        under = b * b - a * c
        hit = under > 0
        root = np.sqrt(np.where(hit, under, 0.0))
        depth = (-b + (root if self.concave else -root)) / a
        y, z = origin[1] + depth * dy, origin[2] + depth * dz
        s = origin[0] + depth * dx
        theta = np.arctan2(y, self.sign * z)
        hit &= (np.abs(theta) <= self.half_span) & self._between_ends(s, y, z)
        if self.concave:  # what enters through the wall does not see the bore
            entry = (-b - root) / a
            entry_y, entry_z = origin[1] + entry * dy, origin[2] + entry * dz
            through = (-entry_z > self.radius * np.cos(self.half_span)) & (entry > 0)
            hit &= ~(through & self._between_ends(origin[0] + entry * dx, entry_y, entry_z))
        facing = np.abs(y * dy + z * dz) / self.radius
        return hit, s, theta, depth, facing


@dataclass(frozen=True, kw_only=True)
class Target:
    """What the fit aims at: signed distance (in the photo's pixels, positive inside) to the outline seen, over a window."""

    distance: np.ndarray  # (h, w) float32
    origin: tuple[float, float]  # the window's first pixel in the photo
    step: float  # photo pixels per window pixel
    picture: tuple[int, int]  # width, height of the photo

    def at(self, pixels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Signed distance at pixels (N, 2) of the photo, and whether an edge can be seen there (not at the picture's border)."""
        places = ((pixels - self.origin) / self.step).astype(np.float32)
        # cv2.remap places pixel centres at integers, as the window does
        values = cv2.remap(
            self.distance, places[None, :, 0], places[None, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )[0]
        margin = 2.5 * self.step
        width, height = self.picture
        inside = (
            (pixels[:, 0] > margin)
            & (pixels[:, 1] > margin)
            & (pixels[:, 0] < width - 1 - margin)
            & (pixels[:, 1] < height - 1 - margin)
        )
        return values, inside


@dataclass(frozen=True, kw_only=True)
class Prior:
    """What is known of the piece before it is looked at. Heights are over the table, which lies at ``table`` in z."""

    view: str  # inside, outside, flat
    table: float
    outside_radius: float | None
    outside_radius_sd: float
    wall: float
    wall_sd: float

    @property
    def lift(self) -> tuple[float, float]:
        """How far burrs, crusts and mounds keep the piece off the table, mm: (mean, standard uncertainty).

        Common practice, no source; mounds on an outside are what it lies on.
        """
        return {"inside": (0.0, 0.2), "flat": (0.0, 0.3)}.get(self.view, (0.35, 0.5))


@dataclass(frozen=True, kw_only=True)
class Fit:
    piece: Piece
    rms_px: float  # of the outline against the mask, in the photo's pixels
    sd: dict[str, float]  # standard uncertainty of the fitted parameters
    covariance: np.ndarray
    names: tuple[str, ...]
    cost: float  # half the sum of squared residuals, the outline's and the prior's
    parameters: np.ndarray  # of ``_build``
    free: np.ndarray  # bool: which of them were fitted
    expected: tuple[np.ndarray, np.ndarray]  # what was known of them beforehand: mean and standard uncertainty
    whole: bool  # a whole tube
    edge_cost: float = float("inf")  # as ``cost``, of the stretches against the picture's edges
    loose_sides: int = 4  # ends and sides along which the picture shows no edge at all
    edges: int = 0  # stretches of the outline that lie on an edge of the picture (of 18)
    outside_diameter: (
        tuple[float, float] | None
    )  # by the picture alone, whatever was told of it; standard uncertainty, mm


_NAMES = ("x", "y", "heading", "length", "size", "shape", "first_across", "last_across", "first_up", "last_up", "lift")


def _build(p: np.ndarray, prior: Prior, whole: bool) -> Piece:
    """The piece of a parameter vector (11,), or K pieces of K vectors (K, 11).

    ``size`` is the outside radius less the wall (bore), outside radius (outside) or width (flat); ``shape`` is the half span
    in radians (shells) or the curvature in 1/mm (flat, positive: edges up).
    """
    x, y, heading, length, size, shape, first_across, last_across, first_up, last_up, lift = (
        p if p.ndim == 1 else p.T[:, :, None]
    )
    slopes = (first_across, first_up, last_across, last_up)
    table = prior.table + lift
    if prior.view == "flat":
        curvature = np.where(np.abs(shape) > 1 / FLATTEST_RADIUS_MM, shape, 1 / FLATTEST_RADIUS_MM)[()]
        radius = np.abs(1 / curvature)
        half_span = np.minimum(size / 2 / radius, np.pi / 2)
        # edges up: it lies on its middle; edges down: on them
        height = table + prior.wall + np.where(curvature > 0, radius, -radius * np.cos(half_span))[()]
        return Piece(
            concave=curvature > 0,
            radius=radius,
            half_span=half_span,
            centre=(x, y, height),
            heading=heading,
            length=length,
            slopes=slopes,
        )
    if prior.view == "inside":
        outer = prior.outside_radius if prior.outside_radius is not None else size + prior.wall
        return Piece(
            concave=True,
            radius=size,
            half_span=shape,
            centre=(x, y, table + outer),
            heading=heading,
            length=length,
            slopes=slopes,
        )
    height = table + (size if whole else -size * np.cos(shape))
    return Piece(
        concave=False,
        radius=size,
        half_span=np.pi if whole else shape,
        centre=(x, y, height),
        heading=heading,
        length=length,
        slopes=slopes,
    )


def _bounded(p: np.ndarray, flat: bool) -> np.ndarray:
    """Parameters (..., 11) within what a piece can be."""
    p = p.copy()
    p[..., 3:5] = np.maximum(p[..., 3:5], 1.0)
    if flat:
        p[..., 5] = np.clip(p[..., 5], -0.05, 0.05)
    else:
        p[..., 5] = np.clip(p[..., 5], np.radians(45), np.radians(179))
    return p


def fit_piece(
    camera: Camera, target: Target, prior: Prior, start: np.ndarray, *, whole: bool = False, noise_px: float = 1.0
) -> Fit:
    """Fit the piece to the outline: least squares of the outline's distance to the mask's edge, with what is known beforehand.

    ``start`` is (x, y, heading, length, size) with lengths in mm. ``noise_px`` is the spread of the mask's edge over
    stretches of the outline that err together (a twentieth of it).
    """
    flat = prior.view == "flat"
    mean = np.array([*start[:5], 0.008 if flat else HALF_SHELL_SPAN_RAD / 2, 0, 0, 0, 0, prior.lift[0]], float)
    spread = np.array(
        [50, 50, 1.0, 50, 50, 0.006 if flat else np.radians(1.8), 0.03, 0.03, 0.03, 0.03, prior.lift[1]], float
    )
    if prior.view == "inside" and prior.outside_radius is not None:
        mean[4] = prior.outside_radius - prior.wall
        spread[4] = np.hypot(prior.wall_sd, prior.outside_radius_sd)
    elif prior.view == "outside" and prior.outside_radius is not None:
        mean[4] = prior.outside_radius - LOSS_OUTSIDE_MM[0]
        spread[4] = np.hypot(LOSS_OUTSIDE_MM[1], prior.outside_radius_sd)
    elif flat and prior.outside_radius is not None:
        mean[4] = OPENED_WIDTH[0] * np.pi * (2 * prior.outside_radius - prior.wall)
        spread[4] = np.hypot(OPENED_WIDTH[1] * mean[4], np.pi * prior.wall_sd)
    scale = np.array([1, 1, 0.02, 1, 1, 0.005 if flat else 0.03, 0.02, 0.02, 0.02, 0.02, 0.5], float)
    begin = mean.copy()
    begin[:4] = start[:4]
    if flat or prior.outside_radius is None:
        begin[4] = start[4]
    held = np.zeros(11, bool)
    if whole:
        held[5] = True
    if flat:
        held[8:10] = True
    held[10] = True  # a silhouette does not tell it: loss of metal outside narrows it as a greater distance does
    free = ~held

    def parameters(q: np.ndarray, loose: np.ndarray) -> np.ndarray:
        p = np.tile(begin, (*q.shape[:-1], 1))
        p[..., loose] += q * scale[loose]
        return _bounded(p, flat)

    def residuals(q: np.ndarray, loose: np.ndarray, bend: float) -> np.ndarray:
        p = parameters(q, loose)
        pixels, usable, part = _build(p, prior, whole).outline(camera)
        values, seen = (a.reshape(usable.shape) for a in target.at(pixels.reshape(-1, 2)))
        count = np.bincount(part, minlength=4)
        reach = bend * noise_px  # beyond it a residual pulls no harder: burrs, jagged cuts, what lies over the edge
        values = reach * np.sign(values) * (np.sqrt(1 + 2 * np.abs(values) / reach) - 1)
        weight = np.sqrt(5.0 / count)[part] / noise_px  # five independent stretches a part
        return np.concatenate(
            [np.where(usable & seen, values * weight, 0.0), ((p - mean) / spread)[..., loose]], axis=-1
        )

    rough = free.copy()
    rough[6:] = False
    q, _, _ = _least_squares(lambda q: residuals(q, rough, 20.0), int(rough.sum()), rounds=12)
    begin = parameters(q, rough)
    q, jacobian, cost = _least_squares(lambda q: residuals(q, free, 4.0), int(free.sum()), rounds=20)
    p = parameters(q, free)
    piece = _build(p, prior, whole)
    pixels, usable, _ = piece.outline(camera)
    values, seen = target.at(pixels)
    taken = usable & seen
    rms = float(np.sqrt(np.mean(values[taken] ** 2))) if taken.any() else float("inf")
    # an outline that fits worse than its noise knows less than it says
    worse = max(1.0, rms / (1.5 * noise_px)) if np.isfinite(rms) else 1.0
    covariance = worse**2 * np.linalg.pinv(jacobian.T @ jacobian) * np.outer(scale[free], scale[free])
    names = tuple(name for name, kept in zip(_NAMES, free) if kept)
    sd = {name: float(np.sqrt(max(v, 0.0))) for name, v in zip(names, np.diag(covariance))}
    return Fit(
        piece=piece, rms_px=rms, sd=sd, covariance=covariance, names=names, cost=cost,
        outside_diameter=_diameter_seen(prior, p[4], sd["size"] / worse, mean[4], spread[4], worse),
        parameters=p, free=free, expected=(mean, spread), whole=whole,
    )  # fmt: skip


def refine_piece(camera: Camera, rgb: np.ndarray, fit: Fit, prior: Prior, *, mask_sd_px: float) -> Fit:
    """Move the fitted outline onto the edges that the picture itself shows near it.

    ``mask_sd_px``: how far off the mask's edge may be. Where the picture shows no clear edge the mask's stays. A bore that
    comes out wide may have taken a sawn rim for bore: it is then tried with either rim, and both, left out.
    """
    best = _on_edges(camera, rgb, fit, prior, mask_sd_px=mask_sd_px, first_round=0)
    mean, spread = best.expected
    if prior.view != "inside" or best.parameters[4] < mean[4] + 0.5 * spread[4]:
        return best
    tried = [best]
    for low, high in ((1, 0), (0, 1), (1, 1)):
        p = best.parameters.copy()
        p[4] -= (low + high) * prior.wall / 2
        shift = (low - high) * prior.wall / 2
        p[:2] += shift * np.array([np.sin(p[2]), -np.cos(p[2])])
        tried.append(_on_edges(camera, rgb, replace(fit, parameters=p), prior, mask_sd_px=mask_sd_px, first_round=1))
    return min(tried, key=lambda one: one.edge_cost)


def _on_edges(camera: Camera, rgb: np.ndarray, fit: Fit, prior: Prior, *, mask_sd_px: float, first_round: int) -> Fit:
    height, width = rgb.shape[:2]
    p, free = fit.parameters.copy(), fit.free
    mean, spread = fit.expected
    flat = prior.view == "flat"
    scale = np.array([1, 1, 0.02, 1, 1, 0.005 if flat else 0.03, 0.02, 0.02, 0.02, 0.02, 0.5])[free]
    mm = (
        float(np.linalg.norm(camera.centre - np.asarray(fit.piece.centre))) / camera.matrix[0, 0]
    )  # a pixel's size there
    sd_mask = np.array([fit.sd[name] for name in fit.names])
    covariance, edges, picture, misfit, loose = fit.covariance, 0, None, float("inf"), 4
    for round_ in range(first_round, 3):
        piece = _build(p, prior, fit.whole)
        pixels, usable, part = piece.outline(camera, along=160, around=80)
        if not (np.isfinite(pixels).all() and np.isfinite(mask_sd_px)):
            return replace(fit, edge_cost=float("inf"))
        middle = pixels.mean(0)
        reach = max(
            (2.5, 1.8, 1.2)[round_] * mask_sd_px, (1.6, 0.8, 0.5)[round_] / mm if prior.view == "inside" else 0.0
        )
        rim = None
        if prior.view == "inside":  # beyond a bore's side lies the sawn rim, as wide as the wall
            rim = (max(prior.wall - 1.6 * prior.wall_sd, 0.45) / mm, (prior.wall + 1.6 * prior.wall_sd) / mm)
        if picture is None:
            beyond = max(reach + (rim[1] if rim else 0), 2.4 / mm) + mask_sd_px + 0.4 / mm + 5
            window = (
                max(0, int(pixels[:, 0].min() - beyond)), max(0, int(pixels[:, 1].min() - beyond)),
                min(width, int(pixels[:, 0].max() + beyond)), min(height, int(pixels[:, 1].max() + beyond)),
            )  # fmt: skip
            if min(window[2] - window[0], window[3] - window[1]) < 16:
                break
            picture, origin, per = laid_for_edges(rgb, window, 0.1 / mm)
        normals = np.zeros_like(pixels)
        stretches: list[np.ndarray] = []
        seconds: list[tuple[float, float] | None] = []
        trusts: list[float] = []
        for k in range(4):
            places = np.flatnonzero(part == k)
            normals[places] = normals_of(pixels[places], middle)
            parts = 3 if k < 2 else (6 if round_ or rim is None else 2)
            seconds += [rim if k >= 2 else None] * parts
            # the mask may have taken a whole rim for bore or left it out: the pair of edges tells
            trusts += [max(mask_sd_px, (1.0, 0.4, 0.25)[round_] / mm) if k >= 2 and rim else mask_sd_px] * parts
            stretches += [piece_[usable[piece_]] for piece_ in np.array_split(places, parts)]
        offsets = edge_offsets(
            picture, origin, per, pixels, normals, stretches, reach=reach, band=0.4 / mm, trusts=trusts, seconds=seconds
        )
        used = [(stretch, offset) for stretch, offset in zip(stretches, offsets) if offset is not None]
        if len(used) < 4:
            break

        means = np.zeros((len(part), len(used)))
        for column, (stretch, _) in enumerate(used):
            means[stretch, column] = 1 / len(stretch)

        def moved(q: np.ndarray) -> np.ndarray:
            trial = np.tile(p, (*q.shape[:-1], 1))
            trial[..., free] += q * scale
            new, _, _ = _build(_bounded(trial, flat), prior, fit.whole).outline(camera, along=160, around=80)
            return ((new - pixels) * normals).sum(-1) @ means

        wanted = np.array([offset[0] for _, offset in used])
        edge_sd = (0.4, 0.2, 0.12)[round_] / mm  # first the outline as a whole, then to the edge's own sharpness
        current = p

        def residuals(q: np.ndarray) -> np.ndarray:
            away = (moved(q) - wanted) / edge_sd
            away = 3 * np.sign(away) * (np.sqrt(1 + 2 * np.abs(away) / 3) - 1)
            trial = current[free] + q * scale
            return np.concatenate(
                [away, (trial - mean[free]) / spread[free], (trial - fit.parameters[free]) / (3 * sd_mask)], axis=-1
            )

        q, jacobian, _ = _least_squares(residuals, int(free.sum()), rounds=8)
        left = 0.5 * ((moved(q) - wanted) * (0.12 / mm) ** -1) ** 2
        known = p[free] + q * scale
        # a stretch without an edge counts as one that is far off
        misfit = float(
            np.minimum(left, 4.0).sum()
            + 4.0 * (sum(len(stretch) > 4 for stretch in stretches) - len(used))
            + 0.5 * np.sum(((known - mean[free]) / spread[free]) ** 2)
        )
        edges = len(used)
        at_edge = {id(stretch) for stretch, _ in used}
        sides = [[s for s in stretches[begin : begin + n] if len(s) > 4] for begin, n in _sides(len(stretches))]
        loose = sum(bool(side) and not any(id(s) in at_edge for s in side) for side in sides)
        p = p.copy()
        p[free] += q * scale
        p = _bounded(p, flat)
        covariance = np.linalg.pinv(jacobian.T @ jacobian) * np.outer(scale, scale)
    piece = _build(p, prior, fit.whole)
    sd = {name: float(np.sqrt(max(v, 0.0))) for name, v in zip(fit.names, np.diag(covariance))}
    return replace(
        fit, piece=piece, parameters=p, covariance=covariance, sd=sd, edges=edges, loose_sides=loose, edge_cost=misfit,
        outside_diameter=_diameter_seen(prior, p[4], sd["size"], mean[4], spread[4], 1.0),
    )  # fmt: skip


def _sides(count: int) -> list[tuple[int, int]]:
    """Where the stretches of the two ends (three each) and the two sides lie in their list: (first, number)."""
    each = (count - 6) // 2
    return [(0, 3), (3, 3), (6, each), (6 + each, each)]


def _diameter_seen(
    prior: Prior, size: float, size_sd: float, expected: float, expected_sd: float, worse: float
) -> tuple[float, float] | None:
    """The outside diameter that the outline shows, with what was told of it taken out again; None where it shows none."""
    if size_sd == 0:  # pressed against a bound: the outline was not free to show a size
        return None
    weight = 1 / size_sd**2 - 1 / expected_sd**2
    if weight <= 0.05 / expected_sd**2:
        return None
    seen, sd = (size / size_sd**2 - expected / expected_sd**2) / weight, worse * weight**-0.5
    if prior.view == "outside":
        return 2 * (seen + LOSS_OUTSIDE_MM[0]), 2 * float(np.hypot(sd, LOSS_OUTSIDE_MM[1]))
    if prior.view == "inside":
        return 2 * (seen + prior.wall), 2 * float(np.hypot(np.hypot(sd, prior.wall_sd), LOSS_IN_BORE_MM))
    width = seen / OPENED_WIDTH[0]  # the mean of the tube's bore and outside, unrolled
    return width / np.pi + prior.wall, float(
        np.hypot(np.hypot(sd / np.pi, prior.wall_sd), width / np.pi * OPENED_WIDTH[1])
    )


def _least_squares(
    residuals: Callable[[np.ndarray], np.ndarray], size: int, *, rounds: int, step: float = 0.03
) -> tuple[np.ndarray, np.ndarray, float]:
    """Damped Gauss-Newton from zero: (solution, jacobian there, half the sum of squares).

    ``residuals`` takes (..., size) to (..., M), so that all differences of a round are one call. The differences are taken over a fixed ``step``, wider than the grain of the distance map, which library solvers
    that choose their own steps trip over.
    """

    def sound(at: np.ndarray) -> np.ndarray:  # a shape that cannot be drawn is a bad one, not an accident
        with np.errstate(all="ignore"):
            return np.nan_to_num(residuals(at), nan=1e3, posinf=1e3, neginf=-1e3)

    q, damping = np.zeros(size), 1e-2
    value = sound(q)
    cost = 0.5 * float(value @ value)

    def slope(at: np.ndarray) -> np.ndarray:
        units = step * np.eye(size)
        ahead, behind = np.split(sound(np.concatenate([at + units, at - units])), 2)
        return (ahead - behind).T / (2 * step)

    jacobian = slope(q)
    for _ in range(rounds):
        normal, gradient = jacobian.T @ jacobian, jacobian.T @ value
        moved = False
        for _ in range(6):
            change = -np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), gradient)
            new = sound(q + change)
            new_cost = 0.5 * float(new @ new)
            if new_cost < cost:
                moved = True
                break
            damping *= 5
        if not moved:
            break
        small = cost - new_cost < 1e-4 * cost + 1e-9
        q, value, cost, damping = q + change, new, new_cost, max(damping / 5, 1e-6)
        jacobian = slope(q)
        if small:
            break
    return q, jacobian, cost


def first_guess(camera: Camera, outline_px: np.ndarray, height: float) -> np.ndarray:
    """(x, y, heading, long side, short side) of the smallest rectangle round the outline laid on the plane z = ``height``."""
    points = camera.on_plane(outline_px, height).astype(np.float32)
    (x, y), (w, h), angle = cv2.minAreaRect(points)
    heading = np.radians(angle)
    if w < h:
        w, h, heading = h, w, heading + np.pi / 2
    return np.array([x, y, heading, w, h])


def turned_round(piece: Piece) -> Piece:
    """The same piece with its axis reversed."""
    a, b, c, d = piece.slopes
    return replace(piece, heading=piece.heading + np.pi, slopes=(c, -d, a, -b))
