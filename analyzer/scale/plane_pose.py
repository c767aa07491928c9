"""Camera model and least squares for the pose of a marker's plane, with the share of each source in the uncertainty.

The camera is a pinhole with one radial term (OpenCV's k1). What is known beforehand (focal length by EXIF, principal point
near the middle, small distortion) enters as an observation with its own standard uncertainty, so a marker that says more
than the record improves the camera, and one that says little leaves it as it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from analyzer.photo.reading import Photo

DIAGONAL_35MM = math.hypot(36.0, 24.0)  # 43.27 mm: the 35 mm equivalent goes by the diagonal (CIPA DC-008)
# Cameras of phones where the photo's record is silent: 35 mm equivalent, its relative standard uncertainty, how often people
# use it on a piece on the table, and the nearest distance at which it focuses, mm. All from memory; no source.
ASSUMED_CAMERAS = (
    (26.0, 0.08, 0.535, 120.0),  # main camera
    (52.0, 0.08, 0.40, 120.0),  # twice that, by a lens or by a crop
    (77.0, 0.10, 0.06, 200.0),
    (14.0, 0.10, 0.005, 25.0),
)
NEAREST_SPREAD = 0.1  # relative, of the nearest distances above
# Standard uncertainties of what is known before a marker is read.
EXIF_ROUNDING_MM = 0.29  # the record is a whole number: half a millimetre either way, uniform
EXIF_RELATIVE = 0.004  # focusing near and stabilisation crops; from a few phones, from memory
PRINCIPAL_POINT_SHARE = 0.0035  # of the longer side, in each direction: assembly and stabilisation, from memory
DISTORTION_K1 = 0.02  # what phones leave after their own correction, from memory

# Places in the parameter vector. From TURN the rotation vector; from PLACE the pixel at which the marker's origin would be
# seen without lens distortion (x, y) and the logarithm of its mm by px, which hardly depend on the focal length.
LOG_F, CX, CY, K1, TURN, PLACE, OWN = 0, 1, 2, 3, 4, 7, 10


@dataclass(frozen=True, kw_only=True)
class CameraPrior:
    """What is known of the camera before a marker is read. Lengths in pixels."""

    focal_px: float
    focal_relative: float
    centre_px: tuple[float, float]
    centre_sigma_px: float
    focal_source: str  # "exif" or "assumed"
    distortion_sigma: float = DISTORTION_K1
    weight: float = 1.0  # how likely it is beforehand
    nearest_mm: float = 0.0  # nearest distance at which it focuses

    @property
    def matrix(self) -> np.ndarray:
        return np.array(
            [[self.focal_px, 0.0, self.centre_px[0]], [0.0, self.focal_px, self.centre_px[1]], [0.0, 0.0, 1.0]]
        )

    def residuals(self, parameters: np.ndarray) -> dict[str, np.ndarray]:
        """By how many standard uncertainties the parameters leave what is known, by source."""
        return {
            "focal length": np.array([(parameters[LOG_F] - math.log(self.focal_px)) / self.focal_relative]),
            "principal point": (parameters[[CX, CY]] - self.centre_px) / self.centre_sigma_px,
            "lens distortion": np.array([parameters[K1] / self.distortion_sigma]),
        }

    def slopes(self, parameters: np.ndarray) -> dict[str, np.ndarray]:
        """Derivative of ``residuals`` by the parameters, by source: (rows, P)."""
        rows = np.zeros((4, len(parameters)))
        rows[0, LOG_F] = 1 / self.focal_relative
        rows[1, CX] = rows[2, CY] = 1 / self.centre_sigma_px
        rows[3, K1] = 1 / self.distortion_sigma
        return {"focal length": rows[:1], "principal point": rows[1:3], "lens distortion": rows[3:]}

    @property
    def parameters(self) -> np.ndarray:
        return np.array([math.log(self.focal_px), *self.centre_px, 0.0])


def camera_priors(photo: Photo) -> tuple[CameraPrior, ...]:
    """One camera by the photo's own record where it holds the 35 mm equivalent, else those that it may have been."""
    height, width = photo.rgb.shape[:2]

    def camera(focal_35mm: float, relative: float, weight: float, nearest_mm: float, source: str) -> CameraPrior:
        return CameraPrior(
            focal_px=focal_35mm * math.hypot(width, height) / DIAGONAL_35MM,
            focal_relative=relative,
            centre_px=((width - 1) / 2.0, (height - 1) / 2.0),
            centre_sigma_px=PRINCIPAL_POINT_SHARE * max(width, height),
            focal_source=source,
            weight=weight,
            nearest_mm=nearest_mm,
        )

    recorded = photo.camera.focal_35mm
    if recorded:
        relative = math.hypot(EXIF_ROUNDING_MM / recorded, EXIF_RELATIVE)
        return (camera(recorded, relative, 1.0, 0.0, "exif"),)
    return tuple(camera(*assumed, "assumed") for assumed in ASSUMED_CAMERAS)


def translation_mm(parameters: np.ndarray) -> np.ndarray:
    """(3,) the marker's origin in the camera frame."""
    focal = math.exp(parameters[LOG_F])
    scale = math.exp(parameters[PLACE + 2])
    return np.array([*(parameters[PLACE : PLACE + 2] - parameters[[CX, CY]]) * scale, focal * scale])


def pose_parameters(camera: CameraPrior, rotation: np.ndarray, translation: np.ndarray) -> np.ndarray:
    """(10,) parameters of a camera and a pose: rotation as matrix or vector, translation in mm."""
    turn = np.ravel(rotation if np.size(rotation) == 3 else cv2.Rodrigues(rotation)[0])
    x, y, z = np.ravel(translation)
    place = np.array([x, y]) / z * camera.focal_px + camera.centre_px
    return np.concatenate([camera.parameters, turn, place, [math.log(z / camera.focal_px)]])


def project(parameters: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    """Points of the plane (N, 2) or of space (N, 3) in mm to pixels (N, 2)."""
    rotation, _ = cv2.Rodrigues(np.asarray(parameters[TURN : TURN + 3], dtype=np.float64))
    points = points_mm @ rotation[:, : points_mm.shape[1]].T + translation_mm(parameters)
    x, y = points[:, 0] / points[:, 2], points[:, 1] / points[:, 2]
    radial = 1.0 + parameters[K1] * (x * x + y * y)
    focal = math.exp(parameters[LOG_F])
    return np.stack([focal * x * radial + parameters[CX], focal * y * radial + parameters[CY]], axis=-1)


def project_with_slopes(parameters: np.ndarray, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """As ``project``, with the derivative (N, 2, OWN) of each pixel by the parameters of camera and pose (by OpenCV's ``projectPoints``)."""
    if len(points_mm) == 0:  # of which OpenCV makes nothing at all
        return np.zeros((0, 2)), np.zeros((0, 2, OWN))
    focal = math.exp(parameters[LOG_F])
    centre, scale = parameters[[CX, CY]], math.exp(parameters[PLACE + 2])
    points = np.zeros((len(points_mm), 3))
    points[:, : points_mm.shape[1]] = points_mm
    matrix = np.array([[focal, 0.0, centre[0]], [0.0, focal, centre[1]], [0.0, 0.0, 1.0]])
    distortion = np.array([parameters[K1], 0.0, 0.0, 0.0])
    turn, shift = parameters[TURN : TURN + 3], translation_mm(parameters)
    places, by = cv2.projectPoints(points, turn, shift, matrix, distortion)
    # OpenCV's columns: rotation vector 0-2, translation 3-5, focal lengths 6-7, principal point 8-9, k1 10
    slopes = np.empty((2 * len(points), OWN))
    slopes[:, LOG_F] = focal * (by[:, 6] + by[:, 7] + scale * by[:, 5])
    slopes[:, [CX, CY]] = by[:, 8:10] - scale * by[:, 3:5]
    slopes[:, K1] = by[:, 10]
    slopes[:, TURN : TURN + 3] = by[:, :3]
    slopes[:, PLACE : PLACE + 2] = scale * by[:, 3:5]
    slopes[:, PLACE + 2] = by[:, 3:6] @ shift
    return places.reshape(-1, 2), slopes.reshape(-1, 2, OWN)


def rays(parameters: np.ndarray, pixels: np.ndarray) -> np.ndarray:
    """Pixels (N, 2) to directions (N, 3) with z = 1, lens distortion taken out."""
    focal = math.exp(parameters[LOG_F])
    distorted = (np.asarray(pixels, dtype=np.float64) - parameters[[CX, CY]]) / focal
    straight = distorted
    for _ in range(6):  # fixed point; k1 is a few hundredths at most, so each round gains two digits
        straight = distorted / (1.0 + parameters[K1] * np.sum(straight * straight, axis=-1, keepdims=True))
    return np.concatenate([straight, np.ones((len(straight), 1))], axis=1)


def plane_depth(parameters: np.ndarray, pixels: np.ndarray, height_mm: float = 0.0) -> np.ndarray:
    """Depth along the optical axis (N,) at which the lines of sight meet the plane ``height_mm`` above the marker's."""
    rotation, _ = cv2.Rodrigues(np.asarray(parameters[TURN : TURN + 3], dtype=np.float64))
    normal = rotation[:, 2]
    return (normal @ translation_mm(parameters) + height_mm) / (rays(parameters, pixels) @ normal)


@dataclass(frozen=True, kw_only=True)
class PlaneFit:
    """The best parameters (camera, pose, then the marker's own) and how sure they are.

    ``covariances``: by source, (P, P); their sum is the covariance of the parameters.
    ``chi_square`` is that of the marker's edges per degree of freedom, ``cost`` the sum of squares of all rows.
    """

    parameters: np.ndarray
    covariances: Mapping[str, np.ndarray]
    chi_square: float
    cost: float
    focal_source: str

    @property
    def rotation(self) -> np.ndarray:
        return cv2.Rodrigues(self.parameters[TURN : TURN + 3])[0]

    @property
    def translation_mm(self) -> np.ndarray:
        return translation_mm(self.parameters)

    @property
    def camera_matrix(self) -> np.ndarray:
        focal = math.exp(self.parameters[LOG_F])
        return np.array([[focal, 0.0, self.parameters[CX]], [0.0, focal, self.parameters[CY]], [0.0, 0.0, 1.0]])

    @property
    def distortion(self) -> np.ndarray:
        return np.array([self.parameters[K1], 0.0, 0.0, 0.0, 0.0])

    def log_scale(self, parameters: np.ndarray, pixels: np.ndarray) -> np.ndarray:
        """Logarithm of depth by focal length on the marker's plane."""
        return np.log(plane_depth(parameters, pixels)) - parameters[LOG_F]

    def scale_sensitivity(self, pixels: np.ndarray) -> np.ndarray:
        """Derivative (N, P) of ``log_scale`` at the pixels by each parameter."""
        columns = []
        for place in range(len(self.parameters)):
            step = np.zeros_like(self.parameters)
            step[place] = _step(place)
            ahead = self.log_scale(self.parameters + step, pixels)
            columns.append((ahead - self.log_scale(self.parameters - step, pixels)) / (2 * step[place]))
        return np.stack(columns, axis=1)

    def normal_uncertainty_deg(self) -> float:
        """Standard uncertainty of the plane's normal, both directions together."""
        jacobian = []
        for place in range(TURN, TURN + 3):
            step = np.zeros_like(self.parameters)
            step[place] = _step(place)
            ahead = cv2.Rodrigues((self.parameters + step)[TURN : TURN + 3])[0][:, 2]
            behind = cv2.Rodrigues((self.parameters - step)[TURN : TURN + 3])[0][:, 2]
            jacobian.append((ahead - behind) / (2 * step[place]))
        matrix = np.stack(jacobian, axis=1)
        whole = sum(self.covariances.values(), start=np.zeros((len(self.parameters),) * 2))
        covariance = whole[TURN : TURN + 3, TURN : TURN + 3]
        return math.degrees(math.sqrt(max(np.trace(matrix @ covariance @ matrix.T), 0.0)))


def _step(place: int) -> float:
    """A step for numeric derivatives, in the parameter's own unit: pixels, mm, or small numbers."""
    if place in (CX, CY, PLACE, PLACE + 1):
        return 0.1
    return 1e-4 if place < OWN else 1e-3


def fit_plane(
    start: np.ndarray,
    prior: CameraPrior,
    marker_residuals: Callable[[np.ndarray], np.ndarray],
    extra_priors: Callable[[np.ndarray], dict[str, np.ndarray]] | None = None,
    *,
    slopes: Callable[[np.ndarray], dict[str, np.ndarray]] | None = None,
    loss: str = "linear",
    least_chi_square: float = 1.0,
) -> PlaneFit:
    """Parameters that fit the marker's residuals (in standard uncertainties) and what is known of the camera.

    ``slopes`` gives the derivatives of the marker's residuals ("marker edges") and of the extra priors by the parameters, by source,
    (rows, P) each; without it they are taken by small steps, which costs as many evaluations as there are parameters.

    A source's share follows from the linear model: with H the normal matrix and J_s the rows of source s, its share
    of the covariance is H^-1 J_s' J_s H^-1 (GUM, JCGM 102:2011, section 6.2, by linear propagation).
    """

    def blocks(parameters: np.ndarray) -> dict[str, np.ndarray]:
        rows = {"marker edges": marker_residuals(parameters), **prior.residuals(parameters)}
        if extra_priors is not None:
            rows.update(extra_priors(parameters))
        return rows

    names = tuple(blocks(start))
    scales = np.array([_step(place) * 100 for place in range(len(start))])

    def stacked(parameters: np.ndarray) -> np.ndarray:
        return np.concatenate([np.ravel(block) for block in blocks(parameters).values()])

    def stacked_slopes(parameters: np.ndarray) -> np.ndarray:
        assert slopes is not None
        known = {**slopes(parameters), **prior.slopes(parameters)}
        return np.concatenate([known[name] for name in names])

    solution = least_squares(
        stacked, start, jac="2-point" if slopes is None else stacked_slopes, x_scale=scales, method="trf", loss=loss,
        max_nfev=60, ftol=1e-7, xtol=1e-7,
    )  # fmt: skip
    rows = blocks(solution.x)
    # The solver scales rows by the robust loss; the plain Jacobian is wanted for the covariance, outliers left out.
    jacobian = solution.jac
    places, begin = {}, 0
    for name in names:
        size = np.size(rows[name])
        places[name] = slice(begin, begin + size)
        begin += size
    data = np.ravel(rows["marker edges"])
    freedom = max(len(data) - (len(start) - 4), 1)
    chi_square = float(np.sum(data**2) / freedom)
    factor = max(chi_square, least_chi_square)
    scaled = jacobian * scales  # the parameters' units differ by orders of magnitude
    inverse = np.linalg.pinv(scaled.T @ scaled, hermitian=True) * np.outer(scales, scales)
    covariances = {}
    for name in names:
        part = jacobian[places[name]]
        share = inverse @ (part.T @ part) @ inverse
        covariances[name] = share * (factor if name == "marker edges" else 1.0)
    return PlaneFit(
        parameters=solution.x,
        covariances=covariances,
        chi_square=chi_square,
        cost=float(2 * solution.cost),
        focal_source=prior.focal_source,
    )


def start_with(parameters: np.ndarray, camera: CameraPrior) -> np.ndarray:
    """The same view through another camera: as many pixels by millimetre, hence the distance follows the focal length."""
    start = parameters.copy()
    start[:TURN] = camera.parameters
    return start


def most_likely(fits: Sequence[PlaneFit], cameras: Sequence[CameraPrior], place_px: np.ndarray) -> PlaneFit:
    """The fit of the likeliest camera; how far the others lie from it goes into the share of the focal length.

    A camera is the less likely the worse it fits and the nearer than its closest focus the marker, seen at ``place_px``
    (2,), would lie. All fits must rest on the same readings with the same weights.
    """
    logs = []
    for fit, camera in zip(fits, cameras, strict=True):
        distance = float(plane_depth(fit.parameters, place_px[None])[0])
        short = max(0.0, (camera.nearest_mm - distance) / (NEAREST_SPREAD * max(camera.nearest_mm, 1.0)))
        logs.append(math.log(camera.weight) - fit.cost / 2 - short**2 / 2)
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    best = int(np.argmax(weights))
    apart = np.array([fit.parameters - fits[best].parameters for fit in fits])
    spread = (weights[:, None, None] * apart[:, :, None] * apart[:, None, :]).sum(axis=0)
    covariances = dict(fits[best].covariances)
    covariances["focal length"] = covariances["focal length"] + spread
    return replace(fits[best], covariances=covariances)
