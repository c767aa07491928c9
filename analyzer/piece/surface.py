"""Where the metal is: the piece's outline, its cylinder, and the unrolled map in ``axial_mm`` by ``around_mm``."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np

from analyzer.base.flags import Flag, SurfaceError, raise_flag
from analyzer.base.measured import Measure
from analyzer.door import specimen as look
from analyzer.door.shown import Shown, what_is_shown
from analyzer.door.specimen import COVERED, METAL, RIM, Specimen
from analyzer.house.tables import Tube
from analyzer.photo.reading import Photo
from analyzer.piece.cylinder_fit import (
    OPENED_WIDTH,
    Camera,
    Fit,
    Piece,
    Prior,
    Target,
    first_guess,
    fit_piece,
    refine_piece,
    turned_round,
)
from analyzer.scale.calibration import Calibration, CrossCheck, compare_scales

GRAZING_DEG = 70.0  # metal more oblique than this is seen but not examined
VIEWS = look.VIEWS
USUAL_WALL_MM = (1.0, 0.2)  # copper tube of 1/2 to 1 inch: 0.7 to 1.3 mm over types M to K (ASTM B88); half range 0.3
OUTSIDE_TOLERANCE_MM = 0.05  # a drawn tube's mean diameter may differ by 0.025-0.05 mm in these sizes (ASTM B88)
ROUGHNESS = (
    0.06  # mean slope of tarnished metal's relief; smooth metal has 0.03, crusts 0.2: from renderings with truth
)
SURE_EDGE_COST = 25.0  # an outline that lies on the picture's edges this well needs no second look
ANOTHER_SIZE_PERCENT = 8.0  # neighbouring sizes of ASTM B88 differ by 14 % of outside diameter or more
LEAVES_SHARE = 0.02  # of the outline's length on the picture's edge
TILT_MATTERS_PERCENT = 3.0  # two tilts of a disc whose scales at the metal differ by less need no decision
TILT_DECIDED = 4.0  # difference of squared misfits to the tube's diameter: two standard deviations
EDGE_ON_RELATIVE = (
    0.025  # of a curved face's seen area: burrs and rims over metal seen edge on; from renderings with truth
)
PIXELS_AT_ONCE = 16384  # cast in strips that stay in the processor's own memory: many times as fast as all at once
FIT_NOISE_STEPS = 0.35  # spread of the mask's edge along the outline, in pixels of the network's window


@dataclass(frozen=True, kw_only=True)
class Surface:
    """The metal that is seen, pixel by pixel, within a window of the upright photo.

    All arrays are read-only and have the shape of the window (h, w); the window's first pixel is ``origin_px`` (x, y) of the
    upright photo. Outside the metal the arrays hold NaN and must not be read without ``metal``.
    With a scale, lengths are millimetres on the metal. Without one ``unit`` is "px", one pixel counts 1 x 1, obliquity is 0.

    Frame on the metal: ``axial`` runs along the pipe's axis from 0 at one end (the end nearer to the photo's left edge; for an
    axis within 10 degrees of upright, the upper end), ``around`` runs along the curved surface, 0 at the line nearest to the
    camera when the piece lies as photographed (bottom of a bore, top of an outside, the middle of a flat piece), positive to the right of
    the direction of growing ``axial`` as seen in the photo.
    """

    view: str  # "inside", "outside", "flat" or "end"
    view_source: str  # "told" or "judged from the picture"
    unit: str  # "mm" or "px"
    origin_px: tuple[int, int]
    metal: np.ndarray  # bool: pitted surface that is seen (no sawn rim, tape, solder, marker, table, other side)
    axial: np.ndarray  # float32
    around: np.ndarray  # float32
    obliquity_deg: np.ndarray  # float32: between the metal's normal and the line of sight
    area_per_px: np.ndarray  # float32: metal area that one pixel covers, unit squared
    radius_mm: float | None  # of the examined face (bore or outside); None for a flat piece or without a scale
    mm_per_px: Measure | None  # median over the seen metal of depth along the optical axis by focal length in pixels
    seen_area: Measure  # unit squared
    examined_area: Measure  # without metal more than GRAZING_DEG oblique
    axial_length: Measure  # along the axis, unit
    outline_px: np.ndarray  # (N, 2) float32: outline of the seen metal in the upright photo
    cross_checks: tuple[CrossCheck, ...] = ()
    flags: tuple[Flag, ...] = ()
    specimen_source: str = "learned"  # how the piece was found: "learned", "colour" or "whole picture"
    axial_from: float = 0.0  # where ``axial_length`` begins: 0 unless metal at that end is left out

    @property
    def examined(self) -> np.ndarray:
        """bool (h, w): the metal that density and counts refer to."""
        with np.errstate(invalid="ignore"):
            return self.metal & (self.obliquity_deg <= GRAZING_DEG)

    def restricted(self, metal: np.ndarray) -> Surface:
        """The surface of a part of its metal alone; ``metal`` (h, w) bool. Areas and length shrink in proportion to their pixels'."""
        metal = _shut(self.metal & metal)
        if not metal.any() or np.array_equal(metal, self.metal):
            return self
        less = replace(self, metal=metal)

        def part(area: Measure, before: np.ndarray, after: np.ndarray) -> Measure:
            whole = float(self.area_per_px[before].sum())
            return area.times(float(self.area_per_px[after].sum()) / whole) if whole else area

        spans = [(float(self.axial[where].min()), float(self.axial[where].max())) for where in (self.metal, metal)]
        (low, high), (first, last) = spans
        share = (last - first) / (high - low) if high > low else 1.0
        return replace(
            less,
            seen_area=part(self.seen_area, self.metal, metal),
            examined_area=part(self.examined_area, self.examined, less.examined),
            axial_length=self.axial_length.times(share),
            axial_from=self.axial_from + first - low,
            outline_px=_largest_outline(metal, self.origin_px),
        )


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
    if surface.specimen_source != "whole picture" and _leaves_picture(surface.outline_px, photo):
        return replace(surface, flags=(*surface.flags, raise_flag("piece_leaves_picture")))
    return surface


def _leaves_picture(outline_px: np.ndarray, photo: Photo) -> bool:
    """Whether a stretch of the metal's outline lies on the picture's own edge."""
    x, y = outline_px[:, 0], outline_px[:, 1]
    on_edge = (x < 2) | (y < 2) | (x > photo.width_px - 3) | (y > photo.height_px - 3)
    closed, edge = np.vstack([outline_px, outline_px[:1]]), np.append(on_edge, on_edge[:1])
    along = np.linalg.norm(np.diff(closed, axis=0), axis=1)
    return float(along[edge[1:] & edge[:-1]].sum()) > LEAVES_SHARE * float(along.sum())


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
        view, sure = _judge_view(found)
        source = "judged from the picture"
        if not sure:
            flags.append(raise_flag("view_unsure", f" It was taken as {view!r}."))
    if found.source == "colour":
        flags.append(raise_flag("surface_by_colour"))
    if source != "told" and view != "end" and calibration.rotation is not None:
        view, sure = _view_by_fit(photo, calibration, found, tube)
        flags = [flag for flag in flags if flag.id != "view_unsure"]
        if not sure:
            flags.append(raise_flag("view_unsure", f" It was taken as {view!r}."))
    if view == "end":
        return _ring(photo, calibration, found, tube, source, flags)
    if calibration.rotation is None and tube is None:
        return _in_pixels(photo, found, view, source, flags)
    surface = _in_millimetres(photo, calibration, found, view, source, tube, list(flags))
    if calibration.other_pose is None or not any(flag.id == "disc_tilt_ambiguous" for flag in calibration.flags):
        return surface
    rotation, translation = calibration.other_pose
    tilted = replace(calibration, rotation=rotation, translation_mm=translation)
    return _likelier_tilt(surface, _in_millimetres(photo, tilted, found, view, source, tube, list(flags)))


def unrolled(surface: Surface, image: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
    """The picture laid out flat: (map, seen), ``axial`` to the right, ``around`` downwards, ``step`` units a pixel.

    ``image`` is (H, W) or (H, W, 3) in the upright photo's frame; where nothing is seen the map is 0 and ``seen`` False.
    The map's first pixel is at the smallest ``axial`` and ``around`` seen.
    """
    if step <= 0:
        raise ValueError("step is a positive length")
    x0, y0 = surface.origin_px
    height, width = surface.metal.shape
    window = image[y0 : y0 + height, x0 : x0 + width]
    rows, columns = np.nonzero(surface.metal)
    if not len(rows):
        return np.zeros((1, 1, *image.shape[2:]), image.dtype), np.zeros((1, 1), bool)
    axial, around = surface.axial[rows, columns], surface.around[rows, columns]
    left, top = float(axial.min()), float(around.min())
    shape = (int((around.max() - top) / step) + 1, int((axial.max() - left) / step) + 1)
    # where each map pixel lies in the photo: means over the photo's pixels that fall into it, holes closed from their
    # neighbours
    place = ((around - top) / step).astype(np.int32) * shape[1] + ((axial - left) / step).astype(np.int32)
    count = np.bincount(place, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float32)
    sums = [
        np.bincount(place, weights=v, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float32)
        for v in (columns, rows)
    ]
    seen = count > 0
    known = [np.where(seen, s / np.maximum(count, 1), 0).astype(np.float32) for s in sums]
    for reach in (3, 5, 9):
        weight = cv2.blur(seen.astype(np.float32), (reach, reach))
        grown = [cv2.blur(np.where(seen, k, 0), (reach, reach)) / np.maximum(weight, 1e-6) for k in known]
        # a map pixel without a photo pixel of its own counts as seen when most around it are
        fresh = ~seen & (weight > 0.45)
        known = [np.where(fresh, g, k) for g, k in zip(grown, known)]
        seen = seen | fresh
    laid = cv2.remap(window, known[0], known[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    laid[~seen] = 0
    return laid, seen


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


# --- which view -------------------------------------------------------------------------------------------------------


def _judge_view(found: Specimen) -> tuple[str, bool]:
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


# --- without a scale --------------------------------------------------------------------------------------------------


def _flat_maps(metal: np.ndarray) -> dict[str, np.ndarray]:
    rows, columns = np.indices(metal.shape, dtype=np.float32)
    blank = np.float32(np.nan)
    return {
        "axial": _shut(np.where(metal, columns, blank)),
        "around": _shut(np.where(metal, rows, blank)),
        "obliquity_deg": _shut(np.where(metal, np.float32(0), blank)),
        "area_per_px": _shut(np.where(metal, np.float32(1), blank)),
    }


def _largest_outline(metal: np.ndarray, origin_px: tuple[int, int]) -> np.ndarray:
    """(N, 2) float32 in the upright photo: the outer outline of the largest part of a mask over a window."""
    contours, _ = cv2.findContours(metal.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return _shut(max(contours, key=cv2.contourArea)[:, 0].astype(np.float32) + np.float32(origin_px))


def _shut(array: np.ndarray) -> np.ndarray:
    array.flags.writeable = False
    return array


def _whole_picture(photo: Photo, view: str | None) -> Surface:
    flags = () if view is not None else (raise_flag("view_unsure", " It was taken as 'flat'."),)
    height, width = photo.rgb.shape[:2]
    metal = np.ones((height, width), bool)
    area = Measure(value=float(height * width))
    outline = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], np.float32)
    return Surface(
        view=view or "flat", view_source="told" if view else "judged from the picture", unit="px", origin_px=(0, 0),
        metal=_shut(metal), **_flat_maps(metal), radius_mm=None, mm_per_px=None, seen_area=area, examined_area=area,
        axial_length=Measure(value=float(width)), outline_px=_shut(outline), flags=flags, specimen_source="whole picture",
    )  # fmt: skip


def _window_of(pixels: np.ndarray, photo: Photo, margin: int = 4) -> tuple[int, int, int, int]:
    x0, y0 = np.floor(pixels.min(0)).astype(int) - margin
    x1, y1 = np.ceil(pixels.max(0)).astype(int) + margin + 1
    return max(0, int(x0)), max(0, int(y0)), min(photo.width_px, int(x1)), min(photo.height_px, int(y1))


def _share_in(found: Specimen, plane: np.ndarray, window: tuple[int, int, int, int]) -> np.ndarray:
    """A class plane of the network's window laid on a window (x0, y0, x1, y1) of the photo."""
    x0, y0, x1, y1 = window
    shift = (np.array([x0, y0]) - np.asarray(found.origin)) / found.step
    matrix = np.array([[1 / found.step, 0, shift[0]], [0, 1 / found.step, shift[1]]])
    return cv2.warpAffine(
        np.ascontiguousarray(plane, np.float32),
        matrix,
        (x1 - x0, y1 - y0),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
    )


def _pipe_part(found: Specimen) -> np.ndarray:
    """(h, w) bool over the network's window: the largest connected piece."""
    part = look.largest(found.pipe > 0.5)
    if part is None:
        raise SurfaceError("The pipe is too small in the picture; take the photo again from nearer.")
    return part


def _in_pixels(photo: Photo, found: Specimen, view: str, source: str, flags: list[Flag]) -> Surface:
    part = _pipe_part(found)
    rows, columns = np.nonzero(part)
    window = _window_of(found.to_photo(np.stack([columns, rows], 1)), photo)
    near = cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8))
    metal = _share_in(found, found.shares[METAL] * near, window) > 0.5
    if not metal.any():
        raise SurfaceError(
            f"No bare metal is seen on the pipe in {photo.name}; uncover the surface and take the photo again."
        )
    outline = _largest_outline(metal, window[:2])
    edge = float(cv2.arcLength(outline, True)) * 0.5 * FIT_NOISE_STEPS * found.step
    area = Measure(value=float(metal.sum()), budget={"outline edge": edge})
    box = cv2.minAreaRect(outline)[1]
    return Surface(
        view=view, view_source=source, unit="px", origin_px=window[:2], metal=_shut(metal), **_flat_maps(metal),
        radius_mm=None, mm_per_px=None, seen_area=area, examined_area=area,
        axial_length=Measure(value=float(max(box)), budget={"outline edge": found.step}), outline_px=outline,
        flags=tuple(flags), specimen_source=found.source,
    )  # fmt: skip


# --- with a scale -----------------------------------------------------------------------------------------------------


def _target(found: Specimen, mask: np.ndarray, photo: Photo) -> Target:
    """Signed distance to the edge of ``mask`` (shares over the network's window), three times as fine."""
    fine = cv2.resize(mask.astype(np.float32), None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    inside = (fine > 0.5).astype(np.uint8)
    distance = cv2.distanceTransform(inside, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    # the distance runs to the nearest pixel centre on the other side: half a pixel too far
    distance -= 0.5 * np.sign(distance)
    step = found.step / 3
    shift = (0.5 / 3 - 0.5) * found.step
    return Target(
        distance=(distance * step).astype(np.float32), origin=(found.origin[0] + shift, found.origin[1] + shift),
        step=step, picture=(photo.width_px, photo.height_px),
    )  # fmt: skip


def _face_mask(found: Specimen) -> np.ndarray:
    """(h, w) shares of the face: metal and what covers it, the largest connected part, holes closed."""
    face = found.face.copy()
    # a strip of tape that was not told from the table may part the face in two
    part = look.largest(
        cv2.morphologyEx((face > 0.5).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((13, 13), np.uint8)) > 0
    )
    if part is None:
        raise SurfaceError("No face of the pipe is seen; take the photo again with the pipe in good light.")
    contours, _ = cv2.findContours(part.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = cv2.drawContours(np.zeros(part.shape, np.uint8), contours, -1, 1, -1)
    core = cv2.erode(filled, np.ones((3, 3), np.uint8)) > 0
    near = cv2.dilate(filled, np.ones((3, 3), np.uint8)) > 0
    return np.where(core, 1.0, np.where(near, face, 0.0)).astype(np.float32)


def _camera(calibration: Calibration) -> Camera | None:
    if calibration.rotation is None or calibration.translation_mm is None:
        return None
    return Camera(
        matrix=np.asarray(calibration.camera_matrix, float),
        distortion=np.asarray(calibration.distortion, float),
        rotation=np.asarray(calibration.rotation, float),
        translation=np.asarray(calibration.translation_mm, float),
    )


def _outline_points(found: Specimen, mask: np.ndarray) -> np.ndarray:
    contours, _ = cv2.findContours((mask > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return found.to_photo(max(contours, key=cv2.contourArea)[:, 0])


def _square_on(calibration: Calibration, found: Specimen, mask: np.ndarray, view: str, tube: Tube) -> Camera:
    """A camera that looks straight down from where the tube shows its nominal width."""
    outline = _outline_points(found, mask)
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


def _lies_on_card(calibration: Calibration, points_px: np.ndarray) -> bool:
    """Whether the piece's middle lies within the card's markers."""
    if calibration.method != "card" or not calibration.marker_outlines_px:
        return False
    hull = cv2.convexHull(np.concatenate(calibration.marker_outlines_px).astype(np.float32))
    x, y = points_px.mean(0)
    return cv2.pointPolygonTest(hull, (float(x), float(y)), False) >= 0


def _wall_known(tube: Tube | None) -> tuple[float, float]:
    if tube is None:
        return USUAL_WALL_MM
    if tube.wall_mm is not None:
        return tube.wall_mm, max(0.05, (tube.wall_tolerance_mm or 0.1) / 2)
    if tube.wall_range_mm is not None:
        low, high = tube.wall_range_mm
        return (low + high) / 2, max(0.1, (high - low) / 2 / math.sqrt(3) + 0.05)
    return USUAL_WALL_MM


def _best_fit(camera: Camera, rgb: np.ndarray, target: Target, prior: Prior, outline: np.ndarray, step: float) -> Fit:
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


def _view_by_fit(photo: Photo, calibration: Calibration, found: Specimen, tube: Tube | None) -> tuple[str, bool]:
    """The view whose shape lies best on the picture's edges, and whether it stands out: a bore's ends bow the other way
    than an outside's, a sheet is wider than a tube."""
    mask = _face_mask(found)
    target, outline = _target(found, mask, photo), _outline_points(found, mask)
    camera = _camera(calibration)
    wall, wall_sd = _wall_known(tube)
    costs = []
    for view, share in zip(VIEWS[:3], found.view_shares if found.view_shares is not None else np.ones(3)):
        prior = Prior(
            view=view, table=-calibration.marker_plane_height_mm,
            outside_radius=tube.outside_diameter_mm / 2 if tube else None, outside_radius_sd=OUTSIDE_TOLERANCE_MM / 2,
            wall=wall, wall_sd=wall_sd,
        )  # fmt: skip
        fit = _best_fit(camera, photo.rgb, target, prior, outline, found.step)
        costs.append(min(fit.edge_cost, 80.0) + 0.1 * min(fit.cost, 300.0) - 2.0 * math.log(float(share) + 0.02))
    order = np.argsort(costs)
    return VIEWS[int(order[0])], bool(costs[order[1]] - costs[order[0]] > 6.0)


def _in_millimetres(
    photo: Photo,
    calibration: Calibration,
    found: Specimen,
    view: str,
    source: str,
    tube: Tube | None,
    flags: list[Flag],
) -> Surface:
    mask = _face_mask(found)
    target = _target(found, mask, photo)
    outline = _outline_points(found, mask)
    camera = _camera(calibration)
    wall, wall_sd = _wall_known(tube)
    radius = tube.outside_diameter_mm / 2 if tube else None
    relative: dict[str, float]
    if camera is None:
        camera = _square_on(calibration, found, mask, view, tube)
        flags.append(raise_flag("scale_from_tube"))
        relative = {"tube as scale": 0.03 if view != "flat" else 0.05}
        table, height_sd = 0.0, 0.0
    else:
        x, y = outline.mean(0)
        relative = dict(calibration.relative_uncertainty_at(x, y)) or dict(calibration.relative_uncertainty)
        on_card = _lies_on_card(calibration, outline)
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
    fit = _best_fit(camera, photo.rgb, target, prior, outline, found.step)
    if (
        radius is not None
        and calibration.rotation is not None
        and fit.rms_px > 2 * noise
        and fit.edge_cost > SURE_EDGE_COST
    ):
        # a size told wrongly leaves an outline that does not fit: look what the picture alone says
        blind = replace(prior, outside_radius=None)
        freed = _best_fit(camera, photo.rgb, target, blind, outline, found.step)
        check = _tube_check(calibration, freed, tube, relative)
        if freed.rms_px < 0.6 * fit.rms_px and check and abs(check.difference_percent) > ANOTHER_SIZE_PERCENT:
            fit = freed  # the marker is believed, the size told is left out
    check = _tube_check(calibration, fit, tube, relative)
    if check is not None and not check.agrees:
        flags.append(raise_flag("tube_disagrees", f" ({check.difference_percent:+.1f} %)"))
    if fit.rms_px > found.step and (fit.loose_sides or (fit.rms_px > 2.5 * found.step and fit.edges < 12)):
        flags.append(raise_flag("outline_poor", f"{fit.rms_px:.0f} pixels off"))
    piece = _named_frame(fit.piece, camera)
    return _cast(photo, found, camera, piece, fit, view, source, relative, height_sd, check, flags)


def _named_frame(piece: Piece, camera: Camera) -> Piece:
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


def _cast(
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
    window = _window_of(limits, photo)
    x0, y0, x1, y1 = window
    shape = (y1 - y0, x1 - x0)
    if min(shape) < 8:
        raise SurfaceError("The pipe is too small in the picture; take the photo again from nearer.")
    # the outline of the cast itself decides; the polygon only saves casting what is far off
    near = np.zeros(shape, np.uint8)
    cv2.fillPoly(near, [np.round(polygon - [x0, y0]).astype(np.int32)], 1)
    near = (cv2.dilate(near, np.ones((9, 9), np.uint8)) > 0) & (_share_in(found, found.shares[COVERED], window) <= 0.5)
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
    area = area * _unhidden_share(oblique)
    seen_mm2 = float(area[seen].sum())
    examined_mm2 = float(area[seen & (oblique <= GRAZING_DEG)].sum())
    focal = float(math.sqrt(camera.matrix[0, 0] * camera.matrix[1, 1]))
    scale = middle / focal

    # budgets
    shared = {name: part for name, part in relative.items() if part > 0}
    scale_budget = {name: scale * part for name, part in shared.items()}
    if height_sd:
        scale_budget["height above the table"] = scale * height_sd / middle
    if view == "flat":
        sag = fit.sd.get("shape", 0.0) * (piece.radius * 2 * piece.half_span) ** 2 / 24
        scale_budget["curl"] = scale * sag / middle
    power = 2.0
    edge = _outline_share(fit, view)
    area_relative = {name: power * part for name, part in shared.items()}
    if height_sd:
        area_relative["height above the table"] = power * height_sd / middle
    area_relative["outline edge"] = edge
    if any(flag.id == "outline_poor" for flag in flags):
        area_relative["outline not seen"] = 0.1 * max(1, fit.loose_sides)
    lengths = {name: piece.length * part for name, part in shared.items()}
    lengths["outline edge"] = fit.sd["length"]

    area_relative["hidden by roughness"] = bare_mm2 / seen_mm2 - 1.0
    if view != "flat":
        area_relative["edge on"] = EDGE_ON_RELATIVE

    def area_measure(value: float, more: float = 0.0) -> Measure:
        budget = {name: value * part for name, part in area_relative.items() if part}
        if more:
            budget["limit of obliquity"] = more * value
        return Measure(value=value, budget=budget)

    outline = _largest_outline(metal, (x0, y0))
    return Surface(
        view=view,
        view_source=source,
        unit="mm",
        origin_px=(x0, y0),
        metal=_shut(metal),
        axial=_shut(axial),
        around=_shut(around),
        obliquity_deg=_shut(oblique_deg),
        area_per_px=_shut(area_per_px),
        radius_mm=None if view == "flat" else float(piece.radius),
        mm_per_px=Measure(value=scale, budget=scale_budget),
        seen_area=area_measure(seen_mm2),
        examined_area=area_measure(examined_mm2, 0.01 if view != "flat" else 0.0),
        axial_length=Measure(value=float(piece.length), budget=lengths),
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


def _tube_check(
    calibration: Calibration, fit: Fit, tube: Tube | None, relative: Mapping[str, float]
) -> CrossCheck | None:
    """The tube's diameter as the picture shows it by the marker's scale, against the nominal one."""
    if tube is None or calibration.rotation is None or fit.outside_diameter is None:
        return None
    measured, sd = fit.outside_diameter
    shared = measured * math.sqrt(sum(part * part for part in relative.values()))
    return compare_scales(
        "tube diameter",
        Measure(value=measured, budget={"outline and wall": sd, "marker": shared}),
        Measure(value=tube.outside_diameter_mm, budget={"tolerance": OUTSIDE_TOLERANCE_MM}),
        "the tube's outside diameter by the marker's scale",
    )


# --- the cut ring -----------------------------------------------------------------------------------------------------


def _ring(
    photo: Photo, calibration: Calibration, found: Specimen, tube: Tube | None, source: str, flags: list[Flag]
) -> Surface:
    """A cut ring that stands on the table, seen from above: the face that the saw cut, and the scale in its plane."""
    part = _pipe_part(found)
    rim = (found.shares[RIM] > 0.5) & part
    if rim.sum() < 20:
        rim = part
    (cx, cy), axes, angle, spread = _outer_ellipse(found.shares[RIM] if rim is not part else found.pipe, rim)
    long_px = max(axes) * found.step
    outline = found.to_photo(
        cv2.ellipse2Poly((round(cx), round(cy)), (round(axes[0] / 2), round(axes[1] / 2)), round(angle), 0, 360, 5)
    )
    window = _window_of(outline, photo, 8)
    near = cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8))
    metal = _share_in(found, found.shares[RIM] * near, window) > 0.5
    scale = None
    if tube is not None:
        value = tube.outside_diameter_mm / long_px
        scale = Measure(
            value=value,
            budget={
                "outline edge": value * max(0.4, spread) * found.step / long_px,
                "tube tolerance": value * OUTSIDE_TOLERANCE_MM / tube.outside_diameter_mm,
                "loss outside": value * 0.004,
            },
        )
    elif calibration.mm_per_px_marker is not None:
        x, y = outline.mean(0)
        camera = _camera(calibration)
        depth = _plane_depth(camera, np.array([[x, y]]))
        focal = float(math.sqrt(camera.matrix[0, 0] * camera.matrix[1, 1]))
        height, height_sd = 20.0, 8.0
        value = (depth - height) / focal
        relative = calibration.relative_uncertainty_at(x, y) or dict(calibration.relative_uncertainty)
        scale = Measure(
            value=value,
            budget={**{k: value * v for k, v in relative.items()}, "height of the ring": height_sd / focal},
        )
        flags.append(raise_flag("ring_height_assumed"))
    maps = _flat_maps(metal)
    unit, per = ("mm", scale.value) if scale else ("px", 1.0)
    if scale:
        maps = {
            "axial": _shut(maps["axial"] * np.float32(per)),
            "around": _shut(maps["around"] * np.float32(per)),
            "obliquity_deg": maps["obliquity_deg"],
            "area_per_px": _shut(maps["area_per_px"] * np.float32(per * per)),
        }
    value = float(metal.sum()) * per**2
    budget = {k: 2 * value * v / per for k, v in scale.budget.items()} if scale else {}
    budget["rim edge"] = 0.1 * value
    area = Measure(value=value, budget=budget)
    return Surface(
        view="end", view_source=source, unit=unit, origin_px=window[:2], metal=_shut(metal), **maps, radius_mm=None,
        mm_per_px=scale, seen_area=area, examined_area=area,
        axial_length=Measure(value=long_px * per, budget={"outline edge": found.step * per}),
        outline_px=_shut(outline.astype(np.float32)), flags=tuple(flags), specimen_source=found.source,
    )  # fmt: skip


def _outer_ellipse(
    share: np.ndarray, ring: np.ndarray
) -> tuple[tuple[float, float], tuple[float, float], float, float]:
    """Ellipse through the outer edge of a ring of class shares: centre, axes (full), angle in degrees, spread in pixels.

    Each direction from the middle gives the farthest crossing of one half; burrs and gaps fall out by their distance
    from the ellipse.
    """
    hull = cv2.convexHull(np.argwhere(ring)[:, ::-1].astype(np.float32))[:, 0]
    (cx, cy), axes, angle = cv2.fitEllipse(_dense(hull, 200))
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    reach = np.arange(0.25, 0.75 * max(axes), 0.25)
    x = (cx + reach[None] * np.cos(turn)[:, None]).astype(np.float32)
    y = (cy + reach[None] * np.sin(turn)[:, None]).astype(np.float32)
    over = cv2.remap(share.astype(np.float32), x, y, cv2.INTER_LINEAR) > 0.5
    last = over.shape[1] - 1 - np.argmax(over[:, ::-1], axis=1)
    found = over.any(axis=1)
    points = np.stack([x[np.arange(360), last], y[np.arange(360), last]], 1)[found] + np.float32(0)
    kept = np.ones(len(points), bool)
    spread = 1.0
    for _ in range(6):
        if kept.sum() < 30:
            break
        (cx, cy), axes, angle = cv2.fitEllipse(points[kept])
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        local = (points - np.float32([cx, cy])) @ np.array([[c, -s], [s, c]])
        ratio = np.hypot(local[:, 0] / (axes[0] / 2), local[:, 1] / (axes[1] / 2))
        distance = (ratio - 1) * np.hypot(local[:, 0], local[:, 1])
        spread = float(1.4826 * np.median(np.abs(distance[kept] - np.median(distance[kept]))))
        kept = np.abs(distance - np.median(distance[kept])) < max(2.5 * spread, 0.3)
    return (cx, cy), axes, angle, spread


def _plane_depth(camera: Camera, pixels: np.ndarray) -> float:
    ray = camera.rays(pixels)[0] @ camera.rotation
    return float(-camera.centre[2] / ray[2])


def _dense(polygon: np.ndarray, count: int) -> np.ndarray:
    """Points evenly spaced along a closed polygon."""
    closed = np.concatenate([polygon, polygon[:1]])
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0, run[-1], count, endpoint=False)
    return np.stack([np.interp(at, run, closed[:, k]) for k in (0, 1)], 1).astype(np.float32)
