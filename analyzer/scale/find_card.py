"""The scale card: square markers of a known side on one plane, their arrangement unknown."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from analyzer.scale.edges import LINEAR, fit_line, half_height_edges, luminance_crop, meet, scan
from analyzer.scale.plane_pose import OWN, CameraPrior, PlaneFit, fit_plane, most_likely, pose_parameters, project

# The project's own card, as scale/printed_card.py prints it.
MARKER_SIDE_MM = 20.0
MARKER_IDS = (0, 1, 2, 3)
# Middles of the markers on the project's own card (see card.py), x right and y up from the card's middle.
CARD_CENTRES_MM = {0: (-43.0, 19.0), 1: (43.0, 19.0), 2: (43.0, -19.0), 3: (-43.0, -19.0)}
# The three: judgement while the room was built; which pictures served was not recorded.
DETECTION_SIDE_PX = 1600  # markers are found on a picture no larger than this, then measured on the full one
CORNER_SIGMA_PX = 0.12  # of a corner as the meeting of two fitted edges; the fit's own scatter takes over where larger
MISFIT = 6.0  # chi-square by degree of freedom, from which a marker is doubted
# Corners of a marker in its own frame (x right, y up), in OpenCV's order: top left, top right, bottom right, bottom left.
SQUARE_MM = np.array([[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]]) * MARKER_SIDE_MM


@dataclass(frozen=True, kw_only=True)
class FoundCard:
    """``corners_px``: by id, (4, 2). ``centres_mm`` and ``turns_rad``: place and turn of each marker in the fitted plane."""

    fit: PlaneFit
    corners_px: dict[int, np.ndarray]
    centres_mm: dict[int, np.ndarray]
    turns_rad: dict[int, float]
    paper_linear: np.ndarray | None  # (3,) linear RGB of the paper beside the markers


def detect_markers(rgb: np.ndarray) -> dict[int, np.ndarray]:
    """Corners (4, 2) in pixels by id, of the markers with our ids; each id once, the largest."""
    height, width = rgb.shape[:2]
    shrink = min(1.0, DETECTION_SIDE_PX / max(height, width))
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY) if shrink == 1.0 else None
    if grey is None:
        grey = cv2.cvtColor(
            cv2.resize(rgb, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY
        )
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin = 13
    settings.adaptiveThreshWinSizeMax = 53
    settings.adaptiveThreshWinSizeStep = 20
    settings.minMarkerPerimeterRate = 0.04
    settings.polygonalApproxAccuracyRate = 0.04
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(grey)
    found: dict[int, np.ndarray] = {}
    for corner_points, number in zip(corners, [] if ids is None else np.ravel(ids), strict=True):
        quad = (np.reshape(corner_points, (4, 2)).astype(np.float64) + 0.5) / shrink - 0.5
        marker_id = int(number)
        if marker_id not in MARKER_IDS:
            continue
        if marker_id in found and cv2.contourArea(found[marker_id].astype(np.float32)) >= cv2.contourArea(
            quad.astype(np.float32)
        ):
            continue
        found[marker_id] = quad
    return dict(sorted(found.items()))


def refine_corners(rgb: np.ndarray, corners: np.ndarray, reach_share: float = 0.11) -> tuple[np.ndarray, float] | None:
    """Corners as the meeting of the four fitted edges, and the scatter of the edges in pixels; None where an edge is hidden."""
    side = float(np.mean(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)))
    widest = max(6.0, reach_share * side)  # a marker's dark border is a sixth of its side; the next rounds look nearer
    low, high = corners.min(axis=0) - 2 * widest, corners.max(axis=0) + 2 * widest
    image, origin = luminance_crop(rgb, low[0], low[1], *(high - low))
    quad = corners - origin
    stations = np.linspace(0.08, 0.92, 48)
    scatter = 0.0
    for reach in (widest, max(4.0, 0.06 * side), max(4.0, 0.06 * side)):
        offsets = np.arange(-reach, reach + 0.25, 0.5)
        lines = []
        centre = quad.mean(axis=0)
        for start, end in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            along = (end - start) / np.linalg.norm(end - start)
            outward = np.array([-along[1], along[0]])
            if outward @ ((start + end) / 2 - centre) < 0:
                outward = -outward
            points = start + stations[:, None] * (end - start)
            profiles = scan(image, points, np.repeat(outward[None], len(points), axis=0), offsets)
            places, contrast = half_height_edges(profiles, offsets)
            weak = contrast < 0.3 * np.nanmedian(contrast) if np.any(np.isfinite(contrast)) else contrast > 0
            places[weak] = np.nan
            line = fit_line(points + places[:, None] * outward)
            if line is None or np.count_nonzero(line[3]) < len(points) // 3:
                return None
            lines.append(line)
        quad = np.array([meet(lines[place - 1], lines[place]) for place in range(4)])
        scatter = float(np.mean([line[2] for line in lines]))
    if not np.all(np.isfinite(quad)) or np.max(np.linalg.norm(quad + origin - corners, axis=1)) > 2 * widest:
        return None
    return quad + origin, scatter


def find_card(rgb: np.ndarray, cameras: tuple[CameraPrior, ...]) -> FoundCard | None:
    """The card's plane from all markers seen; None where no marker is seen."""
    refined, scatters = {}, []
    for marker_id, corners in detect_markers(rgb).items():
        better = refine_corners(rgb, corners) or refine_corners(rgb, corners, 0.05)
        if better is not None:
            refined[marker_id] = better[0]
            scatters.append(better[1])
    if not refined:
        return None
    sigma = max(CORNER_SIGMA_PX, 0.5 * float(np.median(scatters)))
    fit = _fit_cameras(refined, cameras, sigma)
    while fit.chi_square > MISFIT and len(refined) > 1:
        # A marker half covered or creased does not lie as a square on the others' plane: leave the worst one out.
        rests = [{k: v for k, v in refined.items() if k != out} for out in refined]
        fits = [_fit_cameras(rest, cameras, sigma) for rest in rests]
        best = int(np.argmin([one.chi_square for one in fits]))
        if fits[best].chi_square > 0.5 * fit.chi_square:
            break
        refined, fit = rests[best], fits[best]
    first, *others = refined
    centres, turns = {first: np.zeros(2)}, {first: 0.0}
    for place, marker_id in enumerate(others):
        x, y, turn = fit.parameters[OWN + 3 * place : OWN + 3 + 3 * place]
        centres[marker_id], turns[marker_id] = np.array([x, y]), float(turn)
    return FoundCard(
        fit=fit, corners_px=refined, centres_mm=centres, turns_rad=turns, paper_linear=_paper(rgb, refined)
    )


def _fit_cameras(corners: dict[int, np.ndarray], cameras: tuple[CameraPrior, ...], sigma_px: float) -> PlaneFit:
    middle = np.mean(list(corners.values()), axis=(0, 1))
    return most_likely([_fit_markers(corners, camera, sigma_px) for camera in cameras], cameras, middle)


def _turned(turn: float) -> np.ndarray:
    return np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])


def _fit_markers(corners: dict[int, np.ndarray], prior: CameraPrior, sigma_px: float) -> PlaneFit:
    """Plane, camera, and each marker's place and turn; the frame is that of the first marker."""
    first, *others = corners
    matrix = prior.matrix
    square = np.concatenate([SQUARE_MM, np.zeros((4, 1))], axis=1)
    observed = np.stack(list(corners.values()))

    def residuals(parameters: np.ndarray) -> np.ndarray:
        model = [SQUARE_MM]
        for place in range(len(others)):
            x, y, turn = parameters[OWN + 3 * place : OWN + 3 + 3 * place]
            model.append(SQUARE_MM @ _turned(turn).T + (x, y))
        return np.ravel(project(parameters, np.concatenate(model)) - observed.reshape(-1, 2)) / sigma_px

    best = None
    # A single square seen under weak perspective has two poses that fit nearly alike; both are tried.
    count, rotations, translations, _ = cv2.solvePnPGeneric(
        square, corners[first], matrix, None, flags=cv2.SOLVEPNP_IPPE_SQUARE
    )
    for rotation, translation in zip(rotations[:count], translations[:count], strict=True):
        start = pose_parameters(prior, rotation, translation)
        turn_matrix = cv2.Rodrigues(rotation)[0]
        if turn_matrix[:, 2] @ np.ravel(translation) > 0:
            continue  # the plane would be seen from behind
        for marker_id in others:
            start = np.append(start, _place_in_plane(corners[marker_id], matrix, turn_matrix, np.ravel(translation)))
        fit = fit_plane(start, prior, residuals)
        if best is None or fit.cost < best.cost:
            best = fit
    assert best is not None  # solvePnP gives at least one pose of the plane seen from the front
    return best


def _place_in_plane(
    corners: np.ndarray, matrix: np.ndarray, rotation: np.ndarray, translation: np.ndarray
) -> np.ndarray:
    """(x, y, turn) of a marker from its corners cast onto the plane."""
    directions = np.concatenate([corners, np.ones((4, 1))], axis=1) @ np.linalg.inv(matrix).T
    depth = (rotation[:, 2] @ translation) / (directions @ rotation[:, 2])
    points = (directions * depth[:, None] - translation) @ rotation[:, :2]
    centre = points.mean(axis=0)
    along = points[1] - points[0] + points[2] - points[3]
    return np.array([*centre, math.atan2(along[1], along[0])])


def _paper(rgb: np.ndarray, corners: dict[int, np.ndarray]) -> np.ndarray | None:
    """Linear RGB of the bright paper just outside the markers' edges, the median over all of them."""
    samples = []
    for quad in corners.values():
        centre = quad.mean(axis=0)
        for share in np.linspace(0.1, 0.9, 9):
            for start, end in zip(quad, np.roll(quad, -1, axis=0), strict=True):
                point = centre + (start + share * (end - start) - centre) * 1.12
                x, y = int(round(point[0])), int(round(point[1]))
                if 0 <= x < rgb.shape[1] and 0 <= y < rgb.shape[0]:
                    samples.append(LINEAR[rgb[y, x]])
    if len(samples) < 8:
        return None
    values = np.array(samples)
    bright = values[values.sum(axis=1) >= np.quantile(values.sum(axis=1), 0.4)]  # leaves shadowed places out
    paper = np.median(bright, axis=0)
    return paper if paper.min() > 0.01 else None
