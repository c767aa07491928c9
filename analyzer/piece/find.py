"""Where the metal is: the piece found in the photo, fitted and cast, with or without a scale."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np

from analyzer.base.flags import Flag, SurfaceError, raise_flag
from analyzer.base.measured import Measure
from analyzer.door.shown import Shown, what_is_shown
from analyzer.door.specimen import METAL, VIEWS, Specimen
from analyzer.house.tables import Tube
from analyzer.photo.reading import Photo
from analyzer.piece.cast import cast_surface, named_frame
from analyzer.piece.cylinder_fit import Prior
from analyzer.piece.fit import (
    FIT_NOISE_STEPS,
    OUTSIDE_TOLERANCE_MM,
    best_fit,
    camera_of,
    lies_on_card,
    square_on,
    tube_check,
    wall_known,
)
from analyzer.piece.outline import (
    edge_target,
    face_mask,
    leaves_picture,
    outline_points,
    pipe_part,
    share_in,
    window_of,
)
from analyzer.piece.ring_face import ring_face
from analyzer.piece.surface import Surface, flat_maps, largest_outline, read_only
from analyzer.piece.view import judge_view, view_by_fit
from analyzer.scale.calibration import Calibration

# The cost: judgement while the room was built; which pictures served was not recorded.
SURE_EDGE_COST = 25.0  # an outline that lies on the picture's edges this well needs no second look
ANOTHER_SIZE_PERCENT = 8.0  # neighbouring sizes of ASTM B88 differ by 14 % of outside diameter or more
TILT_MATTERS_PERCENT = 3.0  # two tilts of a disc whose scales at the metal differ by less need no decision
TILT_DECIDED = 4.0  # difference of squared misfits to the tube's diameter: two standard deviations


def find_surface(
    photo: Photo,
    calibration: Calibration,
    *,
    view: str | None = None,
    tube: Tube | None = None,
    shown: Shown | None = None,
) -> Surface:
    """Find the piece and cast its surface into the photo.

    ``view`` is "inside", "outside", "flat" or "end"; None judges it from the picture and says so. Without a marker the
    tube's outside diameter gives the scale (flag ``scale_from_tube``); without either, lengths are pixels.
    Without any scale a picture in which no piece clearly lies on a table is a close-up: the whole of it is metal.
    ``shown``: what the door says of the photo, for the same view and tube; looked at here where it is not given.
    Raises SurfaceError, one sentence that says what to do, where no piece is seen.
    """
    surface = _found_surface(photo, calibration, view, tube, shown)
    if surface.specimen_source != "whole picture" and leaves_picture(surface.outline_px, photo):
        return replace(surface, flags=(*surface.flags, raise_flag("piece_leaves_picture")))
    return surface


def _found_surface(
    photo: Photo, calibration: Calibration, view: str | None, tube: Tube | None, shown: Shown | None
) -> Surface:
    if view is not None and view not in VIEWS:
        raise SurfaceError(f"There is no view called {view!r}; use inside, outside, flat or end.")
    if float(photo.rgb[::7, ::7].std()) < 2.0:
        raise SurfaceError(f"{photo.name} shows one even tone and no pipe; take the photo again in good light.")
    shown = shown or what_is_shown(photo, calibration, view=view, tube_told=tube is not None)
    if shown.framing == "fills":
        return _whole_picture(photo, view)
    found = shown.specimen
    if found is None:
        raise SurfaceError(
            f"No pipe is found in {photo.name}; lay the piece on a plain table, wholly in the picture, and take the photo again."
        )
    flags: list[Flag] = []
    source = "told"
    if view is None:
        view, sure = judge_view(found)
        source = "judged from the picture"
        if not sure:
            flags.append(raise_flag("view_unsure", f" It was taken as {view!r}."))
    if found.source == "colour":
        flags.append(raise_flag("surface_by_colour"))
    if source != "told" and view != "end" and calibration.rotation is not None:
        view, sure = view_by_fit(photo, calibration, found, tube)
        flags = [flag for flag in flags if flag.id != "view_unsure"]
        if not sure:
            flags.append(raise_flag("view_unsure", f" It was taken as {view!r}."))
    if view == "end":
        return ring_face(photo, calibration, found, tube, source, flags)
    if calibration.rotation is None and tube is None:
        return _in_pixels(photo, found, view, source, flags)
    surface = _in_millimetres(photo, calibration, found, view, source, tube, list(flags))
    if calibration.other_pose is None or not any(flag.id == "disc_tilt_ambiguous" for flag in calibration.flags):
        return surface
    rotation, translation = calibration.other_pose
    tilted = replace(calibration, rotation=rotation, translation_mm=translation)
    return _likelier_tilt(surface, _in_millimetres(photo, tilted, found, view, source, tube, list(flags)))


def _likelier_tilt(first: Surface, other: Surface) -> Surface:
    """Of two surfaces by the two tilts that a disc leaves open, the one on which the tube has its nominal diameter.

    Where the two scales differ much and the tube does not tell them apart, the flag ``disc_tilt_undecided`` names both.
    """
    assert first.mm_per_px is not None and other.mm_per_px is not None
    apart = {
        check.name: (check.difference_percent / check.standard_uncertainty_percent) ** 2 for check in first.cross_checks
    }
    apart_other = {
        check.name: (check.difference_percent / check.standard_uncertainty_percent) ** 2 for check in other.cross_checks
    }
    misfit, misfit_other = apart.get("tube diameter", 0.0), apart_other.get("tube diameter", 0.0)
    chosen, left = (other, first) if misfit_other < misfit else (first, other)
    assert chosen.mm_per_px is not None and left.mm_per_px is not None
    percent = 100 * (left.mm_per_px.value / chosen.mm_per_px.value - 1)
    if abs(percent) > TILT_MATTERS_PERCENT and abs(misfit - misfit_other) < TILT_DECIDED:
        flag = raise_flag("disc_tilt_undecided", f" ({percent:+.1f} %)")
        return replace(chosen, flags=(*chosen.flags, flag))
    return chosen


def _whole_picture(photo: Photo, view: str | None) -> Surface:
    flags = () if view is not None else (raise_flag("view_unsure", " It was taken as 'flat'."),)
    height, width = photo.rgb.shape[:2]
    metal = np.ones((height, width), bool)
    area = Measure(value=float(height * width))
    outline = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], np.float32)
    return Surface(
        view=view or "flat", view_source="told" if view else "judged from the picture", unit="px", origin_px=(0, 0),
        metal=read_only(metal), **flat_maps(metal), radius_mm=None, mm_per_px=None, seen_area=area, examined_area=area,
        axial_length=Measure(value=float(width)), outline_px=read_only(outline), flags=flags, specimen_source="whole picture",
    )  # fmt: skip


def _in_pixels(photo: Photo, found: Specimen, view: str, source: str, flags: list[Flag]) -> Surface:
    part = pipe_part(found)
    rows, columns = np.nonzero(part)
    window = window_of(found.to_photo(np.stack([columns, rows], 1)), photo)
    near = cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8))
    metal = share_in(found, found.shares[METAL] * near, window) > 0.5
    if not metal.any():
        raise SurfaceError(
            f"No bare metal is seen on the pipe in {photo.name}; uncover the surface and take the photo again."
        )
    outline = largest_outline(metal, window[:2])
    edge = float(cv2.arcLength(outline, True)) * 0.5 * FIT_NOISE_STEPS * found.step
    area = Measure(value=float(metal.sum()), budget={"outline edge": edge})
    box = cv2.minAreaRect(outline)[1]
    return Surface(
        view=view, view_source=source, unit="px", origin_px=window[:2], metal=read_only(metal), **flat_maps(metal),
        radius_mm=None, mm_per_px=None, seen_area=area, examined_area=area,
        axial_length=Measure(value=float(max(box)), budget={"outline edge": found.step}), outline_px=outline,
        flags=tuple(flags), specimen_source=found.source,
    )  # fmt: skip


def _in_millimetres(
    photo: Photo,
    calibration: Calibration,
    found: Specimen,
    view: str,
    source: str,
    tube: Tube | None,
    flags: list[Flag],
) -> Surface:
    mask = face_mask(found)
    target = edge_target(found, mask, photo)
    outline = outline_points(found, mask)
    camera = camera_of(calibration)
    wall, wall_sd = wall_known(tube)
    radius = tube.outside_diameter_mm / 2 if tube else None
    relative: dict[str, float]
    if camera is None:
        assert tube is not None  # without a pose and a tube the surface stays in pixels
        camera = square_on(calibration, found, mask, view, tube)
        flags.append(raise_flag("scale_from_tube"))
        relative = {"tube as scale": 0.03 if view != "flat" else 0.05}
        table, height_sd = 0.0, 0.0
    else:
        x, y = outline.mean(0)
        relative = dict(calibration.relative_uncertainty_at(x, y)) or dict(calibration.relative_uncertainty)
        on_card = lies_on_card(calibration, outline)
        table = 0.0 if on_card else -calibration.marker_plane_height_mm
        height_sd = 0.0 if on_card else calibration.height_uncertainty_mm
    prior = Prior(
        view=view,
        table=table,
        outside_radius=radius,
        outside_radius_sd=OUTSIDE_TOLERANCE_MM / 2,
        wall=wall,
        wall_sd=wall_sd,
    )
    height_sd = math.hypot(height_sd, prior.lift[1])
    noise = FIT_NOISE_STEPS * found.step
    fit = best_fit(camera, photo.rgb, target, prior, outline, found.step)
    if (
        radius is not None
        and calibration.rotation is not None
        and fit.rms_px > 2 * noise
        and fit.edge_cost > SURE_EDGE_COST
    ):
        # a size told wrongly leaves an outline that does not fit: look what the picture alone says
        blind = replace(prior, outside_radius=None)
        freed = best_fit(camera, photo.rgb, target, blind, outline, found.step)
        check = tube_check(calibration, freed, tube, relative)
        if freed.rms_px < 0.6 * fit.rms_px and check and abs(check.difference_percent) > ANOTHER_SIZE_PERCENT:
            fit = freed  # the marker is believed, the size told is left out
    check = tube_check(calibration, fit, tube, relative)
    if check is not None and not check.agrees:
        flags.append(raise_flag("tube_disagrees", f" ({check.difference_percent:+.1f} %)"))
    if fit.rms_px > found.step and (fit.loose_sides or (fit.rms_px > 2.5 * found.step and fit.edges < 12)):
        flags.append(raise_flag("outline_poor", f"{fit.rms_px:.0f} pixels off"))
    piece = named_frame(fit.piece, camera)
    return cast_surface(photo, found, camera, piece, fit, view, source, relative, height_sd, check, flags)
