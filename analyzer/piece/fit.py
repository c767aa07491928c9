"""How the piece lies: the cylinder or sheet fitted to its outline, on the scale of the marker or of the tube itself."""

from __future__ import annotations

import math
from collections.abc import Mapping

import cv2
import numpy as np

from analyzer.base.measured import Measure
from analyzer.door.specimen import Specimen
from analyzer.house.tables import Tube
from analyzer.piece.cylinder_fit import OPENED_WIDTH, Camera, Fit, Prior, Target, first_guess, fit_piece, refine_piece
from analyzer.piece.outline import outline_points
from analyzer.scale.calibration import Calibration, CrossCheck, compare_scales

USUAL_WALL_MM = (1.0, 0.2)  # copper tube of 1/2 to 1 inch: 0.7 to 1.3 mm over types M to K (ASTM B88); half range 0.3
OUTSIDE_TOLERANCE_MM = 0.05  # a drawn tube's mean diameter may differ by 0.025-0.05 mm in these sizes (ASTM B88)
# Of the diameter read between limbs that curve away, beyond what the fit says: read off 69 rendered pictures, which was not recorded.
LIMBS_RELATIVE = 0.01
# The spread: which pictures it was read off was not recorded.
FIT_NOISE_STEPS = 0.35  # spread of the mask's edge along the outline, in pixels of the network's window


def camera_of(calibration: Calibration) -> Camera | None:
    if calibration.rotation is None or calibration.translation_mm is None:
        return None
    return Camera(
        matrix=np.asarray(calibration.camera_matrix, float),
        distortion=np.asarray(calibration.distortion, float),
        rotation=np.asarray(calibration.rotation, float),
        translation=np.asarray(calibration.translation_mm, float),
    )


def square_on(calibration: Calibration, found: Specimen, mask: np.ndarray, view: str, tube: Tube) -> Camera:
    """A camera that looks straight down from where the tube shows its nominal width."""
    outline = outline_points(found, mask)
    (_, _), (w, h), _ = cv2.minAreaRect(outline.astype(np.float32))
    radius = tube.outside_diameter_mm / 2
    wall = tube.wall_mm or USUAL_WALL_MM[0]
    focal = float(calibration.camera_matrix[0, 0])
    if view == "flat":
        across = OPENED_WIDTH[0] * np.pi * (2 * radius - wall)
        candidates = [across / w, across / h]
        per_px = candidates[1] if h <= w else candidates[0]
        height = 0.0
    else:
        per_px = (2 * radius if view == "outside" else 2 * (radius - wall)) / min(w, h)
        height = radius if view == "outside" else 2 * radius
    middle = outline.mean(0)
    depth = per_px * focal + height
    ray = np.array([*((middle - calibration.camera_matrix[:2, 2]) / focal), 1.0])
    return Camera(
        matrix=np.asarray(calibration.camera_matrix, float), distortion=np.asarray(calibration.distortion, float),
        rotation=np.diag([1.0, -1.0, -1.0]), translation=ray * depth,
    )  # fmt: skip


def lies_on_card(calibration: Calibration, points_px: np.ndarray) -> bool:
    """Whether the piece's middle lies within the card's markers."""
    if calibration.method != "card" or not calibration.marker_outlines_px:
        return False
    hull = cv2.convexHull(np.concatenate(calibration.marker_outlines_px).astype(np.float32))
    x, y = points_px.mean(0)
    return cv2.pointPolygonTest(hull, (float(x), float(y)), False) >= 0


def wall_known(tube: Tube | None) -> tuple[float, float]:
    if tube is None:
        return USUAL_WALL_MM
    if tube.wall_mm is not None:
        return tube.wall_mm, max(0.05, (tube.wall_tolerance_mm or 0.1) / 2)
    if tube.wall_range_mm is not None:
        low, high = tube.wall_range_mm
        return (low + high) / 2, max(0.1, (high - low) / 2 / math.sqrt(3) + 0.05)
    return USUAL_WALL_MM


def best_fit(camera: Camera, rgb: np.ndarray, target: Target, prior: Prior, outline: np.ndarray, step: float) -> Fit:
    """The fit of least cost over the ways in which the piece may lie, moved onto the picture's own edges."""
    radius = prior.outside_radius or 10.0
    heights = {"inside": radius, "outside": radius / 2, "flat": prior.wall + 1.0}
    guess = first_guess(camera, outline, prior.table + heights[prior.view])
    ways: list[tuple[np.ndarray, bool]] = []
    if prior.view == "flat":
        across = guess.copy()
        across[[2, 3, 4]] = guess[2] + np.pi / 2, guess[4], guess[3]
        ways = [(guess, False), (across, False)]
        if prior.outside_radius is not None:  # the width that an opened tube has tells the axis
            width = OPENED_WIDTH[0] * np.pi * (2 * prior.outside_radius - prior.wall)
            misfit = [abs(math.log(way[4] / width)) for way, _ in ways]
            if abs(misfit[0] - misfit[1]) > 0.15:
                ways = [ways[int(np.argmin(misfit))]]
    else:
        start = guess.copy()
        start[4] = guess[4] / 2
        ways = [(start, False)]
        if prior.view == "outside":
            ways.append((start, True))
    fits = [
        fit_piece(camera, target, prior, start, whole=whole, noise_px=FIT_NOISE_STEPS * step) for start, whole in ways
    ]
    # a shell lies lower than a whole tube of the same size and looks narrower, a sheet curls along one of its sides: where
    # the mask leaves both ways open the picture's own edges tell
    least = min(fit.cost for fit in fits)
    near = [fit for fit in fits if fit.cost < 4 * least + 4]
    near = [refine_piece(camera, rgb, fit, prior, mask_sd_px=max(fit.rms_px, step)) for fit in near]
    return min(near, key=lambda fit: (fit.edge_cost, fit.cost))


def tube_check(
    calibration: Calibration, fit: Fit, tube: Tube | None, relative: Mapping[str, float]
) -> CrossCheck | None:
    """The tube's diameter as the picture shows it by the marker's scale, against the nominal one."""
    if tube is None or calibration.rotation is None or fit.outside_diameter is None:
        return None
    measured, sd = fit.outside_diameter
    shared = measured * math.sqrt(sum(part * part for part in relative.values()))
    return compare_scales(
        "tube diameter",
        Measure(value=measured, budget={"outline and wall": sd, "marker": shared, "limbs": LIMBS_RELATIVE * measured}),
        Measure(value=tube.outside_diameter_mm, budget={"tolerance": OUTSIDE_TOLERANCE_MM}),
        "the tube's outside diameter by the marker's scale",
    )
