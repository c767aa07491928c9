"""One pit's cup, fitted to what the photos show under each torch.

The model: an elliptic mouth in the sound face, and below it a cup of depth ``d (1 - e^2)^form`` (e = 0 in the middle and 1 at the
rim; form 1/2 is half an ellipsoid, 1 a paraboloid). Its floor is shaded by Lambert's cosine law, lies in the rim's shadow
where the torch does not reach it, receives light a second time from the cup itself (evenly, as in an integrating sphere), and is
seen along the line of sight, so that the near wall hides floor behind it. The metal's own brightness is the same under every torch and falls
out pixel by pixel (photometric stereo after Woodham 1980); the lens's blur, measured at edges of the same photos, mixes floor
and face as in the photo.

Such a cup is convex seen from below: a place of the floor lies in cast shadow exactly where the rim towards the torch rises above
the ray, so shadows follow from the way to the rim and need no search.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

# Where no reason stands beside a figure: judgement while the room was built; which pictures served was not recorded.
# What the model leaves out was measured apart and stands in data/relief.toml.
CELLS = 36  # of the patch's side; the mouth takes about half
TEXTURE = 0.3  # relative scatter of the metal's brightness from place to place, within a mouth and outside
TORCH_SPREAD = 0.2  # relative scatter of the light on this place about what the card and table say
RELATIVE_NOISE, NOISE_FLOOR = (
    0.12,
    0.006,
)  # of a pixel's brightness: gloss and colour; sensor and compression, white being 0.3-0.5
LOOK_PX = 8.0  # pixels of the photo that make one independent look (blur and sharpening tie neighbours)
WHITE_ALBEDO = 0.8  # of the brightest of the surroundings: paper
STRAY_LIGHT = 0.01  # share of the torch's light that comes from the room
SHADOW_SOFTNESS = 0.6  # cells
RIM_SOFTNESS = 0.06  # of e^2: a mouth's lip is rounded
HUBER = 2.0
ITERATIONS = 8
STARTS = (0.2, 0.6, 1.6)  # depth by the mouth's mean radius
# What is likely before looking, (mean, standard deviation); depth by radius on a logarithmic scale, as wide as the published drawings
# of pit shapes (0.1 to 2 mouth diameters, see ``wall.SHAPE_RANGE``).
DEPTH_PRIOR = (math.log(0.8), 0.9)
FORM_PRIOR = (0.6, 0.2)
SHIFT_SHARE, SHIFT_PX = 0.1, 0.6  # of the mouth's centre: share of its radius, pixels of the photo
SIZE_SD = 0.2
STRETCH_SD = 0.15
LIMITS_LOG_DEPTH = (math.log(0.03), math.log(4.0))
LIMITS_FORM = (0.2, 1.0)

_AT = np.arange(CELLS, dtype=np.float32) - (CELLS - 1) / 2
COLUMNS, ROWS = np.meshgrid(_AT, _AT)
_SHAPE = 7  # parameters: log depth by radius, form, centre (2), log size, stretch (2)


@dataclass(frozen=True, kw_only=True)
class Cup:
    """A fitted cup. ``mouth`` (2, 2) maps the unit disc to the mouth, in mm along ``axial`` and ``around`` from the patch's middle."""

    depth_mm: float
    log_spread: float  # standard deviation of ln depth by the fit itself
    form: float
    centre_mm: tuple[float, float]
    mouth: np.ndarray
    misfit: float  # mean square of residuals by the noise that was expected
    lights: int

    @property
    def radius_mm(self) -> float:
        return math.sqrt(abs(float(np.linalg.det(self.mouth))))

    def depth_at(self, axial_mm: np.ndarray, around_mm: np.ndarray) -> np.ndarray:
        """Depth below the face at places given from the patch's middle, 0 outside the mouth."""
        inverse = np.linalg.inv(self.mouth)
        offset = np.stack([axial_mm - self.centre_mm[0], around_mm - self.centre_mm[1]])
        e2 = np.einsum("ij,j...->i...", inverse, offset)
        return self.depth_mm * np.clip(1 - (e2**2).sum(axis=0), 0, None) ** self.form


def fit_cup(
    observed: np.ndarray,
    face_level: np.ndarray,
    ways: np.ndarray,
    power: np.ndarray,
    view: np.ndarray,
    mouth: np.ndarray,
    *,
    cell_mm: float,
    cell_per_px: float,
    blur_cells: tuple[float, float],
    curvature_by_mm: float = 0.0,
) -> Cup | None:
    """Fit a cup to a patch of CELLS x CELLS, columns along ``axial`` and rows along ``around``.

    ``observed`` (L, CELLS, CELLS): linear light under each torch that reaches the place. ``face_level`` (L,): that of the
    sound metal round the mouth. ``ways`` (L, 3): unit vectors to the torch in the frame axial, around, outward. ``power`` (L,):
    light of each torch on a white face square to it. ``blur_cells``: standard deviation of the photo's blur along columns and rows. ``view`` (3,): unit vector to the camera. ``mouth``: bool, as found.
    ``curvature_by_mm``: 1 / radius of a bore, negative for an outside. None where too little of the mouth is seen.
    """
    problem = _Problem(
        observed, face_level, ways, power, view, mouth, cell_mm, cell_per_px, blur_cells, curvature_by_mm
    )
    if problem.places < 20:
        return None
    found = [problem.solve(math.log(start)) for start in STARTS]
    best = min(found, key=lambda item: item.value)
    weights = np.exp([best.value - item.value for item in found])
    weights /= weights.sum()
    logs = np.array([item.shape[0] for item in found])
    middle = float(weights @ logs)
    spread = math.sqrt(float(weights @ (np.array([item.log_variance for item in found]) + (logs - middle) ** 2)))
    matrix = np.linalg.inv(problem.inverse_mouths(best.shape[None])[0]) * cell_mm
    centre = ((problem.centre[0] + best.shape[2]) * cell_mm, (problem.centre[1] + best.shape[3]) * cell_mm)
    return Cup(
        depth_mm=math.exp(middle) * problem.radius * cell_mm,
        log_spread=spread,
        form=float(best.shape[1]),
        centre_mm=centre,
        mouth=matrix,
        misfit=best.misfit,
        lights=len(ways),
    )


@dataclass(frozen=True, kw_only=True)
class _Solution:
    value: float  # half of minus twice the logarithm of the posterior, up to a constant
    shape: np.ndarray  # (7,)
    log_variance: float
    misfit: float


def _share(e2: np.ndarray, form: np.ndarray) -> np.ndarray:
    """Depth by the deepest, with a rounded lip that runs out just beyond the rim."""
    inward = 1 - e2
    inward = 0.5 * (inward + np.sqrt(inward * inward + RIM_SOFTNESS**2)) / (0.5 * (1 + math.sqrt(1 + RIM_SOFTNESS**2)))
    share = np.power(inward, form)
    return np.where(e2 < 1, share, share * np.exp(-6 * np.maximum(e2 - 1, 0)))


class _Problem:
    """The least-squares problem of one cup: shapes are solved for, torch levels too, the metal's brightness falls out."""

    def __init__(
        self,
        observed: np.ndarray,
        face_level: np.ndarray,
        ways: np.ndarray,
        power: np.ndarray,
        view: np.ndarray,
        mouth: np.ndarray,
        cell_mm: float,
        cell_per_px: float,
        blur_cells: tuple[float, float],
        curvature_by_mm: float,
    ) -> None:
        self.ways, self.view, self.blur = np.asarray(ways, float), view, blur_cells
        self.face_level, self.power = np.asarray(face_level, np.float32), np.asarray(power, np.float32)
        self.lights = len(self.ways)
        self.curvature = np.float32(curvature_by_mm * cell_mm)  # by cell
        weight = mouth.astype(float)
        area = weight.sum()
        cx, cy = float((weight * COLUMNS).sum() / area), float((weight * ROWS).sum() / area)
        dx, dy = COLUMNS - cx, ROWS - cy
        xy = float((weight * dx * dy).sum() / area)
        second = (
            np.array([[(weight * dx * dx).sum() / area, xy], [xy, (weight * dy * dy).sum() / area]]) + np.eye(2) / 12
        )
        values, vectors = np.linalg.eigh(second)
        ellipse = vectors @ np.diag(2 * np.sqrt(values)) @ vectors.T
        ellipse *= math.sqrt(area / math.pi / np.linalg.det(ellipse))  # the area as found
        self.centre, self.inverse = (cx, cy), np.linalg.inv(ellipse)
        self.radius = math.sqrt(np.linalg.det(ellipse))
        e = np.linalg.norm(self.inverse @ np.stack([dx.ravel(), dy.ravel()]), axis=0).reshape(mouth.shape)
        self.look = (e < 1.15 + 1.3 * cell_per_px / self.radius) & np.isfinite(observed).all(axis=0)
        self.places = int(self.look.sum())
        looks = float(np.clip(math.pi * (self.radius / cell_per_px) ** 2 / LOOK_PX, 2.5, 60))
        self.weight = looks / max(self.places, 1)
        self.observed = observed[:, self.look].astype(np.float32)
        self.noise = np.hypot(
            RELATIVE_NOISE * np.maximum(self.observed, 0.5 * self.face_level[:, None]), np.float32(NOISE_FLOOR)
        )
        shift = SHIFT_SHARE * self.radius + SHIFT_PX * cell_per_px
        self.likely = np.array([DEPTH_PRIOR[0], FORM_PRIOR[0], 0, 0, 0, 0, 0])
        self.likely_sd = np.array([DEPTH_PRIOR[1], FORM_PRIOR[1], shift, shift, SIZE_SD, STRETCH_SD, STRETCH_SD])
        self.steps = np.array(
            [0.05, 0.03, 0.15 * cell_per_px, 0.15 * cell_per_px, 0.03, 0.03, 0.03] + [0.03] * self.lights
        )

    def inverse_mouths(self, shapes: np.ndarray) -> np.ndarray:
        """(B, 2, 2): from cells about the centre to the unit disc. The stretch is a symmetric traceless matrix's exponential."""
        made = np.empty((len(shapes), 2, 2))
        for k, shape in enumerate(shapes):
            amount = math.hypot(shape[5], shape[6])
            along = np.array([[shape[5], shape[6]], [shape[6], -shape[5]]]) / max(amount, 1e-9)
            stretch = math.cosh(amount) * np.eye(2) - math.sinh(amount) * along
            made[k] = stretch @ self.inverse * math.exp(-shape[4])
        return made

    def _images(self, shapes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Light from the mouth at first hand, light that enters the mouth, and the face round it, each (B, L, places)."""
        single = np.float32

        def column(values: np.ndarray) -> np.ndarray:
            return np.asarray(values, single)[:, None, None]

        depth, form = column(np.exp(shapes[:, 0]) * self.radius), column(np.clip(shapes[:, 1], *LIMITS_FORM))
        middle_y = column(self.centre[1] + shapes[:, 3])
        inverse = self.inverse_mouths(shapes)
        m00, m01, m10, m11 = (column(inverse[:, i, j]) for i in (0, 1) for j in (0, 1))
        x, y = COLUMNS[None] - column(self.centre[0] + shapes[:, 2]), ROWS[None] - middle_y
        u, v = m00 * x + m01 * y, m10 * x + m11 * y
        e2 = u * u + v * v
        size = column(self.radius * np.exp(shapes[:, 4]))
        opening = np.clip((1 - np.sqrt(e2)) * size + 0.5, 0, 1)
        slant_x, slant_y = single(-self.view[0] / self.view[2]), single(-self.view[1] / self.view[2])
        if math.hypot(slant_x, slant_y) > 0.12:  # below 7 degrees the line of sight is as good as square
            slant_u, slant_v = m00 * slant_x + m01 * slant_y, m10 * slant_x + m11 * slant_y
            sunk = np.where(e2 < 1, _where_seen(u, v, slant_u, slant_v, depth, form, e2), 0)
            u, v, y = u + sunk * slant_u, v + sunk * slant_v, y + sunk * slant_y
            e2 = u * u + v * v
        share = _share(e2, form)
        sunk = depth * share
        # The face is z = -depth * share (+ the pipe's own curve); its outward normal is (-dz/dx, -dz/dy, 1).
        inward = 1 - e2
        root = np.sqrt(inward * inward + RIM_SOFTNESS**2)
        slope = -form * share / np.maximum(0.5 * (inward + root), 1e-4) * 0.5 * (1 + inward / root)
        inside = e2 < 1
        normal_x = np.where(inside, 2 * depth * slope * (u * m00 + v * m10), 0)
        normal_y = np.where(inside, 2 * depth * slope * (u * m01 + v * m11), 0) - self.curvature * (y + middle_y)
        length = np.sqrt(1 + normal_x**2 + normal_y**2)
        from_mouth = np.empty((len(shapes), self.lights, self.places), single)
        entering, from_face = np.empty_like(from_mouth), np.empty_like(from_mouth)
        beside = np.stack([cv2.GaussianBlur(1 - part, (0, 0), self.blur[0], sigmaY=self.blur[1]) for part in opening])[
            :, self.look
        ]
        for k, way in enumerate(self.ways):
            across = max(math.hypot(way[0], way[1]), 1e-3)
            rise, step_x, step_y = way[2] / across, single(way[0] / across), single(way[1] / across)
            step_u, step_v = m00 * step_x + m01 * step_y, m10 * step_x + m11 * step_y
            a, b, c = step_u**2 + step_v**2, u * step_u + v * step_v, e2 - 1
            to_rim = np.where(inside, (-b + np.sqrt(np.maximum(b * b - a * c, 0))) / a, 0)
            curve = 0.5 * self.curvature * ((y + middle_y + to_rim * step_y) ** 2 - (y + middle_y) ** 2)
            clear = (rise * to_rim - sunk - curve) / (SHADOW_SOFTNESS * max(rise, 0.3))
            lit = np.where(inside, 1 / (1 + np.exp(-np.clip(4 * clear, -20, 20))), 1)
            light = np.clip((normal_x * way[0] + normal_y * way[1] + way[2]) / length, 0, None) * lit
            light = ((light + STRAY_LIGHT) * opening * self.power[k]).astype(single)
            from_mouth[:, k] = np.stack(
                [cv2.GaussianBlur(part, (0, 0), self.blur[0], sigmaY=self.blur[1]) for part in light]
            )[:, self.look]
            entering[:, k] = single(self.power[k] * way[2]) * (1 - beside)
            from_face[:, k] = self.face_level[k] * beside
        return from_mouth, entering, from_face

    def _residuals(self, states: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Of states (B, 7 + L): brightness (B, L * places), texture (B, places), priors (B, 7 + L), each to be squared and summed."""
        first, entering, from_face = self._images(states[:, :_SHAPE])
        torches = np.exp(states[:, _SHAPE:])[:, :, None].astype(np.float32)
        first, entering = first * torches, entering * torches
        precision = 1 / self.noise[None] ** 2
        beyond = (self.observed - from_face) * precision
        # Of the floor's area, the share that its mouth is: exact for spherical caps, near the truth for deeper cups.
        steep = np.exp(states[:, 0] - states[:, 4])
        mouth = 1 / np.where(steep < 1, 1 + steep**2, 2 + 1.57 * (steep - 1))
        brightness = np.full(len(states), 0.3)
        for _ in range(3):
            # Light within a cavity: each time the share 1 - mouth of what the floor throws back falls on the floor again.
            back = np.clip(WHITE_ALBEDO * brightness, 0, 0.95) * (1 - mouth)
            from_mouth = first + (mouth * back / (1 - back))[:, None, None].astype(np.float32) * entering
            up = (beyond * from_mouth).sum(axis=(1, 2))
            brightness = np.clip(up / np.maximum((from_mouth**2 * precision).sum(axis=(1, 2)), 1e-9), 0.01, 3.0)
        model = brightness[:, None, None] * from_mouth + from_face
        own = 1 / TEXTURE**2
        texture = ((self.observed * model * precision).sum(axis=1) + own) / ((model**2 * precision).sum(axis=1) + own)
        texture = np.clip(texture, 0.2, 4)
        miss = (self.observed - texture[:, None] * model) / self.noise
        share = math.sqrt(self.weight)
        priors = np.concatenate(
            [(states[:, :_SHAPE] - self.likely) / self.likely_sd, states[:, _SHAPE:] / TORCH_SPREAD], axis=1
        )
        return miss.reshape(len(states), -1) * share, (texture - 1) / TEXTURE * share, priors

    def _scale(self, miss: np.ndarray) -> float:
        """Mean square of the brightness residuals, wild ones cut."""
        squares = miss * miss / self.weight
        return max(float(np.mean(np.minimum(squares, 9 * np.median(squares) / 0.455 + 1e-9))), 0.05)

    def _value(self, miss: np.ndarray, texture: np.ndarray, priors: np.ndarray, scale: float) -> np.ndarray:
        robust = 2 * HUBER**2 * (np.sqrt(1 + miss * miss / (self.weight * scale * HUBER**2)) - 1) * self.weight
        return 0.5 * (robust.sum(axis=1) + (texture**2).sum(axis=1) + (priors**2).sum(axis=1))

    def solve(self, log_depth: float) -> _Solution:
        """Levenberg and Marquardt's descent from one depth, with differences for slopes.

        By hand, as all differences of a round, and then four dampings, are drawn as one batch and the weights are set anew each
        round; library solvers ask for one state at a time.
        """
        state = np.concatenate([self.likely, np.zeros(self.lights)])
        state[0] = log_depth
        damping = 0.1
        for _ in range(ITERATIONS):
            around = np.repeat(state[None], len(state) + 1, axis=0)
            around[1:] += np.diag(self.steps)
            parts = self._residuals(around)
            scale = self._scale(parts[0][0])
            tame = 1 / np.sqrt(1 + parts[0][0] ** 2 / (self.weight * scale * HUBER**2)) / math.sqrt(scale)
            factors = (tame, 1.0, 1.0)
            slopes = np.concatenate(
                [(part[1:] - part[0]) / self.steps[:, None] * f for part, f in zip(parts, factors, strict=True)], axis=1
            ).T
            rest = np.concatenate([part[0] * f for part, f in zip(parts, factors, strict=True)])
            curvature, gradient = slopes.T @ slopes, slopes.T @ rest
            miss, texture, priors = (part[:1] for part in parts)
            now = float(self._value(miss, texture, priors, scale)[0])
            dampings = [damping * f for f in (0.2, 1.0, 5.0, 30.0)]
            tries = np.stack(
                [state - np.linalg.solve(curvature + d * np.diag(np.diag(curvature)), gradient) for d in dampings]
            )
            tries[:, 0] = np.clip(tries[:, 0], *LIMITS_LOG_DEPTH)
            tries[:, 1] = np.clip(tries[:, 1], *LIMITS_FORM)
            values = self._value(*self._residuals(tries), scale)
            best = int(np.argmin(values))
            if not values[best] < now - 1e-4:
                break
            state, damping = tries[best], max(dampings[best], 1e-3)
            if now - values[best] < 0.003:
                break
        miss, texture, priors = self._residuals(state[None])
        scale = self._scale(miss[0])
        looks = self.weight * self.places * self.lights
        return _Solution(
            value=0.5 * looks * math.log(scale + 0.02) + 0.5 * float((texture**2).sum() + (priors**2).sum()),
            shape=state[:_SHAPE],
            log_variance=float(np.linalg.inv(curvature)[0, 0]),
            misfit=scale,
        )


def _where_seen(
    u: np.ndarray,
    v: np.ndarray,
    slant_u: np.ndarray,
    slant_v: np.ndarray,
    depth: np.ndarray,
    form: np.ndarray,
    e2: np.ndarray,
) -> np.ndarray:
    """Depth at which the line of sight that enters at (u, v) meets the floor: false position and halving in turn."""
    low, low_gap = np.zeros_like(e2), depth * _share(e2, form)
    high = np.broadcast_to(depth, e2.shape)
    high_gap = depth * _share((u + high * slant_u) ** 2 + (v + high * slant_v) ** 2, form) - high
    for k in range(6):
        tried = (
            low + low_gap * (high - low) / np.maximum(low_gap - high_gap, 1e-6) if k % 2 == 0 else 0.5 * (low + high)
        )
        gap = depth * _share((u + tried * slant_u) ** 2 + (v + tried * slant_v) ** 2, form) - tried
        above = gap > 0
        low, low_gap = np.where(above, tried, low), np.where(above, gap, low_gap)
        high, high_gap = np.where(above, high, tried), np.where(above, high_gap, gap)
    return low + low_gap * (high - low) / np.maximum(low_gap - high_gap, 1e-6)
