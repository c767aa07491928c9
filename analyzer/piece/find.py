"""Where the metal is: the piece found in the photo, fitted and cast, with or without a scale."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np

from analyzer.base.flags import Flag, ScaleError, SurfaceError, raise_flag
from analyzer.base.measured import COVERAGE_95, Measure
from analyzer.door.shown import Shown, what_is_shown
from analyzer.door.specimen import METAL, VIEWS, Specimen
from analyzer.house.tables import Tube
from analyzer.photo.reading import Photo
from analyzer.piece.cast import cast_surface, named_frame
from analyzer.piece.cylinder_fit import Camera, Fit, Prior
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
from analyzer.scale.calibration import ASK_FOR_MARKER, Calibration, CrossCheck

# The cost: judgement while the room was built; which pictures served was not recorded.
SURE_EDGE_COST = 25.0  # an outline that lies on the picture's edges this well needs no second look
ANOTHER_SIZE_PERCENT = 8.0  # neighbouring sizes of ASTM B88 differ by 14 % of outside diameter or more
TILT_MATTERS_PERCENT = 3.0  # two tilts of a disc whose scales at the metal differ by less need no word
SIZE_TOLD_WRONGLY = 0.05  # one told size in twenty: a judgement, no source
NO_MARKER = 2.5  # what makes a tube so many times too wide or too narrow is no marker, or the size told is another: no tilt does that
EDGES_TELL = 0.2  # logarithm of odds by the cost of the outline on the picture's edges: on 17 discs with truth (d, e, h) the right tilt
# had the lower cost, by 10 or more, in all but one, where both tilts were off
SCALE_WIDE_PERCENT = 4.0  # half of a scale's 95 % interval from which it is said: a judgement, no source
# Relative standard uncertainty of a scale taken from the tube's own diameter. A bore cut off its middle shows less than the diameter
# and an opened piece need not be the whole round, so both are told too large. Chosen on 25 pictures of d: off by up to 9.8 % (inside),
# 3.1 % (outside) and 28 % (flat); the intervals then hold the truth in 21 of 22 of c, from which nothing was taken.
TUBE_AS_SCALE = {"inside": 0.10, "outside": 0.04, "flat": 0.15}
SIDE_OF_TILT = "side of the tilt"  # source of error, see ``scale.find_disc``


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
    return _in_millimetres(photo, calibration, found, view, source, tube, flags)


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
    laid = _lay(photo, calibration, found, view, tube)
    if calibration.other_pose is not None:
        rotation, translation = calibration.other_pose
        tilted = replace(calibration, rotation=rotation, translation_mm=translation)
        laid, undecided = _likelier_tilt(
            laid, _lay(photo, tilted, found, view, tube), calibration.other_pose_chance, calibration, tube
        )
        flags += undecided
    fit, relative = laid.fit, dict(laid.relative)
    if calibration.rotation is None:
        flags.append(raise_flag("scale_from_tube", f" (± {100 * COVERAGE_95 * TUBE_AS_SCALE[view]:.0f} %)"))
    elif tube is not None:
        # how far off a tube of that size would lie to look as wide as the piece does
        right = square_on(calibration, found, face_mask(found), view, tube).translation[2]
        if not 1 / NO_MARKER < laid.depth_mm / right < NO_MARKER:
            raise ScaleError(
                f"What was taken for the {calibration.method} in {photo.name} makes the tube {laid.depth_mm / right:.2g} times as wide "
                f"as the size that was told; {ASK_FOR_MARKER}, or choose another marker or tube size."
            )
    check = tube_check(calibration, fit, tube, relative)
    if check is not None and not check.agrees:
        flags.append(raise_flag("tube_disagrees", f" ({check.difference_percent:+.1f} %)"))
        relative["tube and marker differ"] = _disagreement(check, relative)
    if fit.rms_px > found.step and (fit.loose_sides or (fit.rms_px > 2.5 * found.step and fit.edges < 12)):
        flags.append(raise_flag("outline_poor", f"{fit.rms_px:.0f} pixels off"))
    piece = named_frame(fit.piece, laid.camera)
    surface = cast_surface(photo, found, laid.camera, piece, fit, view, source, relative, laid.height_sd, check, flags)
    scale = surface.mm_per_px
    half = 0.0 if scale is None else 100 * COVERAGE_95 * scale.standard_uncertainty / scale.value
    if half < SCALE_WIDE_PERCENT or calibration.rotation is None:
        return surface
    return replace(surface, flags=(*surface.flags, raise_flag("scale_wide", f"{half:.0f}")))


@dataclass(frozen=True, kw_only=True)
class _Laid:
    """How the piece lies, by one pose of the camera."""

    camera: Camera
    fit: Fit
    relative: Mapping[str, float]  # relative standard uncertainty of the marker's scale where the piece lies, by source
    height_sd: float  # mm

    @property
    def depth_mm(self) -> float:
        """Of the middle of the piece's face from the camera, along the optical axis: the scale at the metal goes with it."""
        middle = self.fit.piece.points(np.zeros(1), np.zeros(1))[0]
        return float((self.camera.rotation @ middle + self.camera.translation)[2])


def _lay(photo: Photo, calibration: Calibration, found: Specimen, view: str, tube: Tube | None) -> _Laid:
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
        relative = {"tube as scale": TUBE_AS_SCALE[view]}
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
    return _Laid(camera=camera, fit=fit, relative=relative, height_sd=height_sd)


def _likelier_tilt(
    first: _Laid, other: _Laid, other_chance: float, calibration: Calibration, tube: Tube | None
) -> tuple[_Laid, list[Flag]]:
    """Of the two ways in which a disc may be tilted the likelier: by the disc itself, the tube's diameter and how well the piece's
    outline lies on the picture's edges (Bayes).

    While the other is likelier than one in forty the scale's interval reaches as far as it; where that is much, the flag
    ``disc_tilt_undecided`` says so. ``other_chance``: that the other holds, by the disc alone.
    """
    odds = math.log(other_chance / (1 - other_chance)) + _fits_tube(other, calibration, tube)
    odds += EDGES_TELL * (first.fit.edge_cost - other.fit.edge_cost) - _fits_tube(first, calibration, tube)
    chosen, left = (other, first) if odds > 0 else (first, other)
    chance = 1 / (1 + math.exp(min(abs(odds), 700.0)))
    apart = left.depth_mm / chosen.depth_mm - 1
    open_still = chance > (1 - 0.95) / 2
    share = abs(apart) / COVERAGE_95 if open_still else 0.0
    flags = []
    if open_still and 100 * abs(apart) > TILT_MATTERS_PERCENT:
        flags.append(raise_flag("disc_tilt_undecided", f" ({100 * apart:+.1f} %)"))
    return replace(chosen, relative={**chosen.relative, SIDE_OF_TILT: share}), flags


def _fits_tube(laid: _Laid, calibration: Calibration, tube: Tube | None) -> float:
    """Logarithm of how likely the tube's diameter makes a pose; a told size may be wrong, so it never decides alone."""
    check = tube_check(
        calibration, laid.fit, tube, {name: part for name, part in laid.relative.items() if name != SIDE_OF_TILT}
    )
    if check is None:
        return 0.0
    off = check.difference_percent / check.standard_uncertainty_percent
    return math.log(math.exp(-(off**2) / 2) + SIZE_TOLD_WRONGLY)


def _disagreement(check: CrossCheck, relative: Mapping[str, float]) -> float:
    """What widens the marker's relative uncertainty where the tube contradicts it: by the Birge ratio of both.

    Two figures that differ by r standard uncertainties of their difference were each taken as surer by r than they are (Birge
    1932, Phys. Rev. 40, 207). Worked value: 2 % of a marker and a difference of 3 deviations make 6 %, so 5.7 % more.
    """
    ratio = 1 + check.difference_percent / 100
    birge = abs(math.log(ratio)) / (check.standard_uncertainty_percent / 100 / ratio)
    marker = math.sqrt(sum(part * part for part in relative.values()))
    return marker * math.sqrt(max(birge**2 - 1, 0.0))
