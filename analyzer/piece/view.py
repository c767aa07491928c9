"""Which view the photo shows: by its looks, and by the shape that lies best on the picture's edges."""

from __future__ import annotations

import math

import cv2
import numpy as np

from analyzer.door import specimen as look
from analyzer.door.specimen import VIEWS, Specimen
from analyzer.house.tables import Tube
from analyzer.photo.reading import Photo
from analyzer.piece.cylinder_fit import Prior
from analyzer.piece.fit import OUTSIDE_TOLERANCE_MM, best_fit, camera_of, wall_known
from analyzer.piece.outline import edge_target, face_mask, outline_points
from analyzer.scale.calibration import Calibration

# From this share of the three on, the looks decide and the fit may only raise a doubt: on the 83 pictures that the weights' card
# names the looks were right in all, 73 of them with a share above .98; the fit alone took a galvanised bore for a sheet.
SURE_BY_LOOKS = 0.95


def judge_view(found: Specimen) -> tuple[str, bool]:
    """The likeliest view by the picture's looks, and whether it stands out. A ring has a hole through which the table shows."""
    pipe = (found.pipe > 0.5).astype(np.uint8)
    contours, _ = cv2.findContours(pipe, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outer = max(contours, key=cv2.contourArea) if contours else None
    if outer is not None and len(outer) >= 5:
        filled = cv2.drawContours(np.zeros_like(pipe), [outer], -1, 1, -1)
        hole = look.largest((filled > 0) & (pipe == 0))
        (_, _), axes, _ = cv2.minAreaRect(outer)
        if hole is not None and hole.sum() > 0.12 * filled.sum() and min(axes) > 0.6 * max(axes):
            return "end", True
    if found.view_shares is None:
        return "outside", False
    shares = np.asarray(found.view_shares[:3], float) / float(np.sum(found.view_shares[:3]))
    best = int(np.argmax(shares))
    return VIEWS[best], bool(shares[best] > 0.85)


def view_by_fit(photo: Photo, calibration: Calibration, found: Specimen, tube: Tube | None) -> tuple[str, bool]:
    """The view whose shape lies best on the picture's edges, and whether it stands out: a bore's ends bow the other way
    than an outside's, a sheet is wider than a tube. Where the looks are sure they decide, and a fit that says otherwise is a doubt."""
    mask = face_mask(found)
    target, outline = edge_target(found, mask, photo), outline_points(found, mask)
    camera = camera_of(calibration)
    assert camera is not None  # asked only where a marker tells where the camera was
    wall, wall_sd = wall_known(tube)
    costs = []
    for view, share in zip(VIEWS[:3], found.view_shares if found.view_shares is not None else np.ones(3)):
        prior = Prior(
            view=view, table=-calibration.marker_plane_height_mm,
            outside_radius=tube.outside_diameter_mm / 2 if tube else None, outside_radius_sd=OUTSIDE_TOLERANCE_MM / 2,
            wall=wall, wall_sd=wall_sd,
        )  # fmt: skip
        fit = best_fit(camera, photo.rgb, target, prior, outline, found.step)
        costs.append(min(fit.edge_cost, 80.0) + 0.1 * min(fit.cost, 300.0) - 2.0 * math.log(float(share) + 0.02))
    order = np.argsort(costs)
    stands_out = bool(costs[order[1]] - costs[order[0]] > 6.0)
    if found.view_shares is not None:
        shares = np.asarray(found.view_shares[:3], float) / float(np.sum(found.view_shares[:3]))
        looks = int(np.argmax(shares))
        if shares[looks] > SURE_BY_LOOKS and looks != order[0]:
            return VIEWS[looks], False
    return VIEWS[int(order[0])], stands_out
