"""The fitted piece cast into the photo: the maps along and round it, its area and the uncertainty of both."""

from __future__ import annotations

import math
from collections.abc import Mapping

import cv2
import numpy as np

from analyzer.base.flags import Flag, SurfaceError
from analyzer.base.measured import Measure
from analyzer.door.specimen import COVERED, Specimen
from analyzer.photo.reading import Photo
from analyzer.piece.cylinder_fit import Camera, Fit, Piece, turned_round
from analyzer.piece.outline import share_in, window_of
from analyzer.piece.surface import GRAZING_DEG, Surface, largest_outline, read_only
from analyzer.scale.calibration import CrossCheck

ROUGHNESS = (
    0.06  # mean slope of tarnished metal's relief; smooth metal has 0.03, crusts 0.2: from renderings with truth
)
EDGE_ON_RELATIVE = (
    0.025  # of a curved face's seen area: burrs and rims over metal seen edge on; from renderings with truth
)
PIXELS_AT_ONCE = 16384  # cast in strips that stay in the processor's own memory: many times as fast as all at once


def named_frame(piece: Piece, camera: Camera) -> Piece:
    """Turn the axis so that s grows as the contract says: from the photo's left, or from above where it stands upright."""
    ends = camera.project(piece.points(np.array([-piece.length / 2, piece.length / 2]), np.zeros(2)))
    dx, dy = ends[1] - ends[0]
    upright = abs(math.degrees(math.atan2(dx, dy))) < 10 or abs(math.degrees(math.atan2(dx, -dy))) < 10
    if (dy < 0) if upright else (dx < 0):
        return turned_round(piece)
    return piece


def _seen_cells(
    piece: Piece, camera: Camera, found: Specimen, photo: Photo, around: int = 180, along: int = 100
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The face in cells: (area, seen, oblique in degrees), each (around, along).

    Near the limb a pixel covers much metal and its area cannot be read from the picture; the cells sum it exactly.
    """
    low, high = piece.theta_limits(camera)
    theta = low + (np.arange(around) + 0.5) / around * (high - low)
    first, last = piece.ends(theta)
    share = (np.arange(along) + 0.5) / along
    s = first[:, None] + share[None, :] * (last - first)[:, None]
    area = np.broadcast_to(((last - first) / along * piece.radius * (high - low) / around)[:, None], s.shape)
    grid = np.broadcast_to(theta[:, None], s.shape)
    points = piece.points(s.ravel(), grid.ravel())
    pixels = camera.project(points)
    seen = np.broadcast_to(piece.faces(camera, theta)[:, None], s.shape)
    inside = (
        (pixels[:, 0] > -0.5) & (pixels[:, 1] > -0.5)
        & (pixels[:, 0] < photo.width_px - 0.5) & (pixels[:, 1] < photo.height_px - 0.5)
    ).reshape(s.shape)  # fmt: skip
    covered = found.at(found.shares[COVERED], pixels).reshape(s.shape) > 0.5
    sight = camera.centre - points
    normal = (points - np.asarray(piece.centre)) @ piece.axes.T
    normal[:, 0] = 0
    normal = normal @ piece.axes * piece.sign
    cosine = (sight * normal).sum(1) / (np.linalg.norm(sight, axis=1) * np.linalg.norm(normal, axis=1))
    oblique = np.degrees(np.arccos(np.clip(cosine, -1, 1))).reshape(s.shape)
    return area, seen & inside & ~covered & (oblique < 90), oblique


def _unhidden_share(oblique_deg: np.ndarray) -> np.ndarray:
    """Share of a rough surface that its own relief does not hide at an obliquity.

    Smith's masking function for the Trowbridge-Reitz distribution, 2 / (1 + sqrt(1 + (a tan t)^2)) (Smith 1967, IEEE
    Trans. Antennas Propag. 15, 668; Walter et al. 2007, eq. 34). Worked value: a = 0.06 at 85 degrees gives 0.903.
    """
    slope = ROUGHNESS * np.tan(np.radians(np.clip(oblique_deg, 0, 89.9)))
    return 2.0 / (1.0 + np.sqrt(1.0 + slope * slope))


def cast_surface(
    photo: Photo,
    found: Specimen,
    camera: Camera,
    piece: Piece,
    fit: Fit,
    view: str,
    source: str,
    relative: Mapping[str, float],
    height_sd: float,
    check: CrossCheck | None,
    flags: list[Flag],
) -> Surface:
    polygon = piece.polygon(camera)
    limits = np.clip(polygon, -0.5, [photo.width_px - 0.5, photo.height_px - 0.5])
    window = window_of(limits, photo)
    x0, y0, x1, y1 = window
    shape = (y1 - y0, x1 - x0)
    if min(shape) < 8:
        raise SurfaceError("The pipe is too small in the picture; take the photo again from nearer.")
    # the outline of the cast itself decides; the polygon only saves casting what is far off
    drawn = np.zeros(shape, np.uint8)
    cv2.fillPoly(drawn, [np.round(polygon - [x0, y0]).astype(np.int32)], 1)
    near = (cv2.dilate(drawn, np.ones((9, 9), np.uint8)) > 0) & (share_in(found, found.shares[COVERED], window) <= 0.5)
    strip = max(1, PIXELS_AT_ONCE // shape[1])
    rays = _Rays(camera, window, strip)
    metal = np.zeros(shape, bool)
    axial, around, oblique_deg, area_per_px = (np.full(shape, np.nan, np.float32) for _ in range(4))
    depths = []
    for top in range(0, shape[0], strip):
        rows, columns = np.nonzero(near[top : top + strip])
        if not len(rows):
            continue
        own = rays.at(top, rows, columns)
        hit, s, theta, depth, facing = piece.cast(camera, own)
        at = (rows[hit] + top, columns[hit])
        s, theta, depth, facing = s[hit], theta[hit], depth[hit], facing[hit]
        reach = np.sqrt(own[:, 0] * own[:, 0] + own[:, 1] * own[:, 1] + np.float32(1))[hit]
        cosine = np.clip(facing / reach, 0, 1)
        metal[at] = True
        axial[at] = s + piece.length / 2
        around[at] = piece.radius * theta
        oblique_deg[at] = np.degrees(np.arccos(cosine))
        area_per_px[at] = depth**2 * rays.pixel / np.maximum(facing, 0.02)
        depths.append(depth)
    if not metal.any():
        raise SurfaceError(
            f"No bare metal is seen on the pipe in {photo.name}; uncover the surface and take the photo again."
        )
    middle = float(np.median(np.concatenate(depths)))
    area, seen, oblique = _seen_cells(piece, camera, found, photo)
    bare_mm2 = float(area[seen].sum())
    if not bare_mm2 > 0:  # the marker's plane and the outline contradict each other
        raise SurfaceError(
            f"The piece and the marker in {photo.name} do not fit together; say what marker lies beside it, or that there is none."
        )
    area = area * _unhidden_share(oblique)
    seen_mm2 = float(area[seen].sum())
    examined_mm2 = float(area[seen & (oblique <= GRAZING_DEG)].sum())
    focal = float(math.sqrt(camera.matrix[0, 0] * camera.matrix[1, 1]))
    scale = middle / focal

    # budgets
    shared = {name: part for name, part in relative.items() if part > 0}
    scale_shares = dict(shared)
    if height_sd:
        scale_shares["height above the table"] = height_sd / middle
    if view == "flat":
        sag = fit.sd.get("shape", 0.0) * (piece.radius * 2 * piece.half_span) ** 2 / 24
        scale_shares["curl"] = float(sag / middle)
    power = 2.0
    edge = _outline_share(fit, view)
    area_relative = {name: power * part for name, part in shared.items()}
    if height_sd:
        area_relative["height above the table"] = power * height_sd / middle
    area_relative["outline edge"] = edge
    if any(flag.id == "outline_poor" for flag in flags):
        area_relative["outline not seen"] = 0.1 * max(1, fit.loose_sides)
    length = Measure.by_shares(float(piece.length), shared).plus("outline edge", fit.sd["length"])

    area_relative["hidden by roughness"] = bare_mm2 / seen_mm2 - 1.0
    if view != "flat":
        area_relative["edge on"] = EDGE_ON_RELATIVE

    def area_measure(value: float, more: float = 0.0) -> Measure:
        shares = {**area_relative, "limit of obliquity": more}
        return Measure.by_shares(value, {name: part for name, part in shares.items() if part}, positive=True)

    outline = largest_outline(metal, (x0, y0))
    return Surface(
        view=view,
        view_source=source,
        unit="mm",
        origin_px=(x0, y0),
        metal=read_only(metal),
        axial=read_only(axial),
        around=read_only(around),
        obliquity_deg=read_only(oblique_deg),
        area_per_px=read_only(area_per_px),
        radius_mm=None if view == "flat" else float(piece.radius),
        mm_per_px=Measure.by_shares(scale, scale_shares),
        seen_area=area_measure(seen_mm2),
        examined_area=area_measure(examined_mm2, 0.01 if view != "flat" else 0.0),
        axial_length=length,
        outline_px=outline,
        cross_checks=(check,) if check else (),
        flags=tuple(flags),
        specimen_source=found.source,
    )


def _outline_share(fit: Fit, view: str) -> float:
    """Relative standard uncertainty of the area from the fit of the outline (edges, wall, span)."""
    length = fit.sd["length"] / fit.piece.length
    if view == "flat":
        width = fit.sd["size"] / (2 * fit.piece.radius * fit.piece.half_span)
        return math.hypot(length, width)
    radius = fit.sd["size"] / fit.piece.radius if view == "inside" else 0.003
    span = fit.sd.get("shape", 0.0) / fit.piece.half_span
    return math.sqrt(length**2 + radius**2 + span**2)


class _Rays:
    """Rays of the camera's frame, z = 1, over a window (x0, y0, x1, y1) of the photo, ``strip`` rows at a time.

    Lens distortion changes slowly: a coarse grid is undistorted and filled in linearly. ``pixel`` is a pixel's area on z = 1.
    """

    def __init__(self, camera: Camera, window: tuple[int, int, int, int], strip: int, pitch: int = 16) -> None:
        x0, y0, x1, y1 = window
        columns, rows = np.arange(x0 - 0.0, x1 + pitch, pitch), np.arange(y0 - 0.0, y1 + pitch, pitch)
        grid = np.stack(np.meshgrid(columns, rows), -1)
        coarse = camera.rays(grid.reshape(-1, 2)).reshape(*grid.shape[:2], 3)[..., :2].astype(np.float32)
        along = coarse[:, 1:] - coarse[:, :-1]
        down = coarse[1:] - coarse[:-1]
        self.pixel = float(np.mean(along[:-1, :, 0] * down[:, :-1, 1] - along[:-1, :, 1] * down[:, :-1, 0]) / pitch**2)
        self._coarse, self._pitch = coarse, np.float32(pitch)
        self._down, self._across = np.mgrid[0:strip, 0 : x1 - x0].astype(np.float32) / self._pitch

    def at(self, top: int, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
        """(N, 3) float32 of pixels (N,) of the strip that begins at the window's row ``top``."""
        fine = cv2.remap(self._coarse, self._across, self._down + top / self._pitch, cv2.INTER_LINEAR)[rows, columns]
        return np.concatenate([fine, np.ones((len(fine), 1), np.float32)], axis=1)
