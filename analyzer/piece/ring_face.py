"""The sawn face of a cut ring that stands on the table, seen from above."""

from __future__ import annotations

import math

import cv2
import numpy as np

from analyzer.base.flags import Flag, raise_flag
from analyzer.base.measured import Measure
from analyzer.door.specimen import RIM, Specimen
from analyzer.house.tables import Tube
from analyzer.photo.reading import Photo
from analyzer.piece.cylinder_fit import Camera
from analyzer.piece.fit import OUTSIDE_TOLERANCE_MM, camera_of
from analyzer.piece.outline import outer_ellipse, pipe_part, share_in, window_of
from analyzer.piece.surface import Surface, flat_maps, read_only
from analyzer.scale.calibration import Calibration

HEIGHT_OF_CUT_MM = (
    20.0,
    8.0,
)  # above the table where nothing tells it, with its standard uncertainty: common practice, no source
LOSS_OUTSIDE = (
    0.002  # standard uncertainty, a share of the outside diameter, for metal gone from all round: judgement, no source
)


def ring_face(
    photo: Photo, calibration: Calibration, found: Specimen, tube: Tube | None, source: str, flags: list[Flag]
) -> Surface:
    """A cut ring that stands on the table, seen from above: the face that the saw cut, and the scale in its plane."""
    part = pipe_part(found)
    rim = (found.shares[RIM] > 0.5) & part
    if rim.sum() < 20:
        rim = part
    (cx, cy), axes, angle, spread = outer_ellipse(found.shares[RIM] if rim is not part else found.pipe, rim)
    long_px = max(axes) * found.step
    polygon = cv2.ellipse2Poly(
        (round(cx), round(cy)), (round(axes[0] / 2), round(axes[1] / 2)), round(angle), 0, 360, 5
    )
    outline = found.to_photo(np.asarray(polygon))
    window = window_of(outline, photo, 8)
    near = cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8))
    metal = share_in(found, found.shares[RIM] * near, window) > 0.5
    scale = None
    if tube is not None:
        value = tube.outside_diameter_mm / long_px
        shares = {
            "outline edge": max(0.4, spread) * found.step / long_px,
            "tube tolerance": OUTSIDE_TOLERANCE_MM / tube.outside_diameter_mm,
            "loss outside": LOSS_OUTSIDE,
        }
        scale = Measure.by_shares(value, shares)
    elif calibration.mm_per_px_marker is not None:
        x, y = outline.mean(0)
        camera = camera_of(calibration)
        assert camera is not None  # a scale at the marker comes with the pose that it was read from
        depth = _plane_depth(camera, np.array([[x, y]]))
        focal = float(math.sqrt(camera.matrix[0, 0] * camera.matrix[1, 1]))
        height, height_sd = HEIGHT_OF_CUT_MM
        value = (depth - height) / focal
        relative = calibration.relative_uncertainty_at(x, y) or dict(calibration.relative_uncertainty)
        scale = Measure.by_shares(value, relative).plus("height of the ring", height_sd / focal)
        flags.append(raise_flag("ring_height_assumed"))
    maps = flat_maps(metal)
    unit, per = ("mm", scale.value) if scale else ("px", 1.0)
    if scale:
        maps = {
            "axial": read_only(maps["axial"] * np.float32(per)),
            "around": read_only(maps["around"] * np.float32(per)),
            "obliquity_deg": maps["obliquity_deg"],
            "area_per_px": read_only(maps["area_per_px"] * np.float32(per * per)),
        }
    value = float(metal.sum()) * per**2
    area = Measure.by_shares(value, scale.shares if scale else {}, {"rim edge": 0.05}, power=2, positive=True)
    return Surface(
        view="end", view_source=source, unit=unit, origin_px=window[:2], metal=read_only(metal), **maps, radius_mm=None,
        mm_per_px=scale, seen_area=area, examined_area=area,
        axial_length=Measure(value=long_px * per, budget={"outline edge": found.step * per}),
        outline_px=read_only(outline.astype(np.float32)), flags=tuple(flags), specimen_source=found.source,
    )  # fmt: skip


def _plane_depth(camera: Camera, pixels: np.ndarray) -> float:
    ray = camera.rays(pixels)[0] @ camera.rotation
    return float(-camera.centre[2] / ray[2])
