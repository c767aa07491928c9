"""Depth from light: photos of one pose with the torch from known sides, and light from behind that shows perforations.

Each pit is fitted by itself (``_cup``): a cup is rendered under every torch with shading and cast shadow, as the camera sees it,
and compared with the photos (near-light photometric stereo after Woodham 1980, with the shadow as evidence instead of a
nuisance). How much light each torch throws on a place comes from the table and the marker in the same photos, whether it reaches
the place at all from the face round the pit, and the lens's blur from the marker's edges.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import cv2
import numpy as np
from scipy.special import ndtri

from analyzer.base.colour import luminance
from analyzer.base.datafile import data_table
from analyzer.base.flags import Flag, InputError, raise_flag
from analyzer.base.measured import Measure
from analyzer.marks.catalogue import Pit, PitCatalogue
from analyzer.photo.reading import Photo
from analyzer.piece.restrict import Kept
from analyzer.piece.surface import Surface
from analyzer.piece.unroll import unrolled
from analyzer.relief.cup import CELLS, Cup, fit_cup
from analyzer.scale.calibration import Calibration

FEWEST_LIGHTS = 3  # to ask for: two leave depth and brightness mixed (Woodham 1980), one leaves only the shadow's edge
# Where no paper, practice or measured range stands beside a figure: judgement while the room was built; which pictures served was not recorded.
LEAST_APART_DEG = 15.0  # torches closer together say nearly the same
LEAST_HEIGHT = 0.1  # of the torch over the face at the pit, as a sine: below, every scratch throws a shadow
SHADE_SHARE = 0.2  # a face this much darker under one torch than under another, per light thrown on it, lies in shadow
DARKEST_FACE = 0.025  # apparent brightness of the darkest oxide under a torch, white being 1
SHADOW_CLEAR = 0.2  # a photo has shadows where its darkest places, by the room's light, are this far under the middle
OVER_ROOM = 2.5  # a face in the torch's light is this much brighter than the room alone leaves it
EVEN_SHARE = (
    0.12  # between the darkest and the brightest side of the face round a pit; a shadow's edge there is less even
)
USUAL_DISTANCE_MM = (
    300.0  # of a torch held over the table, where only its direction is told; common practice, no source
)
USUAL_BLUR_PX = 0.85  # standard deviation where no edge is found to measure it
NUDGE_PX = 0.6  # smaller shifts are left as they are
MOST_SHIFT_PX = 12.0  # at the photo's own size: more than that is a moved piece, not a nudged phone
MOVED_PIECE_PX = 3.0  # between piece and surroundings
SAME_POSE = 0.03  # height of the correlation's peak; other poses gave 0.005 at most, the same pose 0.08 or more
SURE_PEAK, VERY_SURE_PEAK = 0.1, 0.3
THROUGH_SHARE = 0.12  # of the way from the dark metal to the bright background
LONELY_SHARE = 0.5  # the same for light where no pit was found
EDGE_MM = 2.0
MOST_OBLIQUE_DEG = 60.0


@dataclass(frozen=True, kw_only=True)
class Light:
    """A photo of the same pose with one torch, and where the torch was.

    Either a direction as seen from the piece, in degrees: azimuth counter-clockwise from the card's +x edge as seen from above,
    elevation above the card; or the torch's place ``position_mm`` (x, y, z), from the middle of the card's markers, z up.
    """

    photo: Photo
    azimuth_deg: float | None = None
    elevation_deg: float | None = None
    position_mm: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        name = self.photo.name
        if self.position_mm is None:
            if self.azimuth_deg is None or self.elevation_deg is None:
                raise InputError(f"Say where the torch was for {name}: its azimuth and elevation in degrees.")
            if not math.isfinite(self.azimuth_deg):
                raise InputError(
                    f"The torch's direction for {name} is not a number; give it in degrees counter-clockwise from the card's right edge."
                )
            if not 3 <= self.elevation_deg <= 85:
                raise InputError(
                    f"The torch for {name} stood {self.elevation_deg:g} degrees high; give 3 to 85 degrees above the card."
                )
        elif not all(math.isfinite(v) for v in self.position_mm) or self.position_mm[2] <= 5:
            raise InputError(
                f"The torch for {name} must be above the card; give its place as x, y, z in mm with z above 5."
            )


@dataclass(frozen=True, kw_only=True)
class Hole:
    """Light through the wall where no pit was found."""

    x_px: float
    y_px: float
    axial_mm: float | None
    around_mm: float | None


@dataclass(frozen=True, kw_only=True)
class Heights:
    """Height over the sound face on the unrolled map: ``axial`` to the right, ``around`` downwards, pits below zero, not seen is NaN."""

    mm: np.ndarray  # (rows, columns) float32, read-only
    step_mm: float
    axial_mm: float  # of the first column
    around_mm: float  # of the first row


@dataclass(frozen=True, kw_only=True)
class Relief:
    """Depth per pit by number, and which pits light comes through; a pit that could not be measured is not there."""

    pit_depths_mm: Mapping[int, Measure] = field(default_factory=dict)
    through: Mapping[int, bool] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()
    torches: Mapping[int, int] = field(default_factory=dict)  # how many torches reach the pit
    holes: tuple[Hole, ...] = ()  # light through the wall away from every pit that was found
    heights: Heights | None = field(default=None, compare=False)
    # Where each pit lies that was looked at, x, y in the upright photo.
    places_px: Mapping[int, tuple[float, float]] = field(default_factory=dict)

    def restricted(self, kept: Kept) -> Relief:
        """Depths, light and heights of the metal that is left."""
        places = {number: place for number, place in self.places_px.items() if kept.holds(*place)}
        out = set(self.places_px) - set(places)
        depths = {number: depth for number, depth in self.pit_depths_mm.items() if number not in out}
        holes = tuple(hole for hole in self.holes if kept.holds(hole.x_px, hole.y_px))
        of_the_lists = _flags_of(self.places_px, self.pit_depths_mm, self.heights is not None, self.holes)
        others = [flag for flag in self.flags if flag not in of_the_lists]
        return replace(
            self,
            pit_depths_mm=depths,
            through={number: seen for number, seen in self.through.items() if number not in out},
            torches={number: count for number, count in self.torches.items() if number not in out},
            holes=holes,
            heights=None if self.heights is None else _heights_left(self.heights, kept),
            places_px=places,
            flags=(*others, *_flags_of(places, depths, self.heights is not None, holes)),
        )


def _flags_of(
    places_px: Mapping[int, object], depths: Mapping[int, object], by_torch: bool, holes: Sequence[Hole]
) -> tuple[Flag, ...]:
    """What is to be said of the lists: pits that no torch reaches, light where no pit is."""
    flags = []
    if by_torch and (missed := len(places_px) - len(depths)):
        flags.append(raise_flag("pits_without_torch", str(missed)))
    if holes:
        flags.append(raise_flag("light_without_pit", str(len(holes))))
    return tuple(flags)


def _heights_left(heights: Heights, kept: Kept) -> Heights:
    """The map with what is left out not seen: a place of it belongs to the pixels of the photo that show it."""
    surface = kept.surface
    left: np.ndarray = np.zeros(heights.mm.shape, np.uint8)
    row = np.rint((surface.around[surface.metal] - heights.around_mm) / heights.step_mm).astype(int)
    column = np.rint((surface.axial[surface.metal] - heights.axial_mm) / heights.step_mm).astype(int)
    left[np.clip(row, 0, left.shape[0] - 1), np.clip(column, 0, left.shape[1] - 1)] = 1
    # cells finer than the photo's pixels lie between those that a pixel falls into
    left = cv2.morphologyEx(left, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    mm = np.where(left > 0, heights.mm, np.float32(np.nan)).astype(np.float32)
    mm.flags.writeable = False
    return replace(heights, mm=mm)


@dataclass(frozen=True, kw_only=True)
class Aligned:
    """The photos of ``lights`` in the main photo's frame, (H, W, 3) uint8 each, and what was done for it."""

    pictures: tuple[np.ndarray, ...]
    flags: tuple[Flag, ...]


def align(photo: Photo, calibration: Calibration, surface: Surface, lights: Sequence[Light]) -> Aligned:
    """Lay the photos of other lights on the main photo. Raises InputError as ``find_relief`` does."""
    if surface.unit != "mm" or calibration.rotation is None or calibration.translation_mm is None:
        raise InputError("Depth from several torches needs a scale card, ruler or coin in the photo.")
    _check_lights(lights)
    flags: list[Flag] = []
    pictures = tuple(_aligned(photo, light.photo, calibration, surface, flags) for light in lights)
    return Aligned(pictures=pictures, flags=tuple(flags))


def find_relief(
    photo: Photo,
    calibration: Calibration,
    surface: Surface,
    pits: PitCatalogue,
    *,
    lights: Sequence[Light] = (),
    backlit: Photo | None = None,
    aligned: Aligned | None = None,
) -> Relief:
    """Depth per pit from photos with the torch from known sides, and perforations from a back-lit photo.

    ``aligned`` is what ``align`` gave for ``lights``, where it was called before.
    One or two torches serve as well: the rim's shadow then carries the depth alone, and the intervals are wide.
    Raises InputError where the photos do not belong together, two torches stand together, or there is no scale.
    """
    flags: list[Flag] = []
    cups: dict[int, _Fitted] = {}
    depths: dict[int, Measure] = {}
    heights = None
    if lights:
        aligned = aligned or align(photo, calibration, surface, lights)
        flags.extend(aligned.flags)
        pictures = [luminance(picture) for picture in aligned.pictures]
        cups = _cups(photo, calibration, surface, pits, lights, pictures)
        depths = {pit.id: _measure(cups[pit.id], pit) for pit in pits.pits if pit.id in cups}
        if len(lights) < FEWEST_LIGHTS:
            flags.append(raise_flag("few_torches", str(len(lights))))
        heights = _heights(surface, pits, cups)
    through: dict[int, bool] = {}
    holes: tuple[Hole, ...] = ()
    if backlit is not None:
        through, holes = _light_through(
            _aligned(photo, backlit, calibration, surface, flags), calibration, surface, pits, flags
        )
    places = {pit.id: (pit.x_px, pit.y_px) for pit in pits.pits}
    return Relief(
        pit_depths_mm=depths,
        through=through,
        flags=(*dict.fromkeys(flags), *_flags_of(places, depths, heights is not None, holes)),
        torches={number: len(fitted.ways) for number, fitted in cups.items()},
        holes=holes,
        heights=heights,
        places_px=places,
    )


def _check_lights(lights: Sequence[Light]) -> None:
    directions = []
    for number, light in enumerate(lights):
        for earlier in lights[:number]:
            if earlier.photo.sha256 == light.photo.sha256:
                raise InputError(
                    f"{light.photo.name} is the same photo as {earlier.photo.name}; add one photo for each place of the torch."
                )
        if light.position_mm is not None:
            direction = np.asarray(light.position_mm, float)
        else:
            direction = _direction(light)
        directions.append(direction / np.linalg.norm(direction))
    for first in range(len(lights)):
        for second in range(first):
            apart = math.degrees(math.acos(float(np.clip(directions[first] @ directions[second], -1, 1))))
            if apart < LEAST_APART_DEG:
                raise InputError(
                    f"The torches for {lights[second].photo.name} and {lights[first].photo.name} stand only {apart:.0f} degrees "
                    "apart; photograph from clearly different sides and give each its own azimuth."
                )


def _direction(light: Light) -> np.ndarray:
    assert light.azimuth_deg is not None and light.elevation_deg is not None  # a light without a place has both
    azimuth, elevation = math.radians(light.azimuth_deg), math.radians(light.elevation_deg)
    return np.array(
        [math.cos(elevation) * math.cos(azimuth), math.cos(elevation) * math.sin(azimuth), math.sin(elevation)]
    )


def _edges(rgb: np.ndarray, factor: float = 1.0) -> np.ndarray:
    """Strength of edges in the logarithm of brightness, which a lamp elsewhere changes least."""
    if factor < 1:
        rgb = cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    grey = np.log1p(cv2.GaussianBlur(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32), (0, 0), 1.0))
    return cv2.magnitude(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1))


def _shift(first: np.ndarray, second: np.ndarray, factor: float = 1.0) -> tuple[np.ndarray, float]:
    """Shift in pixels of the second picture's edges against the first's by phase correlation (Kuglin and Hines 1975), and its peak."""
    first, second = _edges(first, factor), _edges(second, factor)
    shift, peak = cv2.phaseCorrelate(first, second, cv2.createHanningWindow(first.shape[::-1], cv2.CV_32F))
    return np.array(shift) / factor, peak


def _aligned(photo: Photo, other: Photo, calibration: Calibration, surface: Surface, flags: list[Flag]) -> np.ndarray:
    """The other photo's rgb in the main photo's frame; a nudge of the phone is undone, a moved piece refused."""
    if other.rgb.shape != photo.rgb.shape:
        raise InputError(
            f"{other.name} is {other.width_px} x {other.height_px} pixels and {photo.name} is {photo.width_px} x "
            f"{photo.height_px}; take all photos of one pose with the same camera, not moved."
        )
    if other.sha256 == photo.sha256:
        raise InputError(f"{other.name} is the same photo as {photo.name}; add the one with the light from its side.")
    moved, peak = _shift(photo.rgb, other.rgb, min(1.0, 1200 / max(photo.rgb.shape[:2])))
    if peak < SAME_POSE or np.hypot(*moved) > MOST_SHIFT_PX:
        raise InputError(
            f"{other.name} does not show the same pose as {photo.name}; leave phone and piece where they are and move only the light."
        )
    if calibration.marker_outlines_px:  # flat, and thus without shadows of its own: the better witness of a nudge
        outline = np.concatenate(calibration.marker_outlines_px)
        (left, top), (right, bottom) = (
            np.maximum(outline.min(0).astype(int), 0),
            np.ceil(outline.max(0)).astype(int) + 1,
        )
        if right - left > 60 and bottom - top > 60:
            finer, peak = _shift(photo.rgb[top:bottom, left:right], other.rgb[top:bottom, left:right])
            if peak > VERY_SURE_PEAK or peak > SURE_PEAK and np.hypot(*(finer - moved)) < MOVED_PIECE_PX:
                moved = finer
    x0, y0 = surface.origin_px
    left, top, width, height = cv2.boundingRect(surface.metal.astype(np.uint8))
    margin = round(MOST_SHIFT_PX)
    window = np.s_[
        max(0, y0 + top - margin) : y0 + top + height + margin, max(0, x0 + left - margin) : x0 + left + width + margin
    ]
    own, peak = _shift(photo.rgb[window], other.rgb[window])
    if peak > VERY_SURE_PEAK and np.hypot(*(own - moved)) > MOVED_PIECE_PX:
        raise InputError(
            f"The piece lies elsewhere in {other.name} than in {photo.name}; leave phone and piece where they are and move only the light."
        )
    if np.hypot(*moved) <= NUDGE_PX:
        return other.rgb
    flags.append(raise_flag("pose_nudged", f"{np.hypot(*moved):.1f} pixels in {other.name}"))
    back = np.array([[1, 0, moved[0]], [0, 1, moved[1]]], np.float32)
    return cv2.warpAffine(
        other.rgb,
        back,
        (photo.width_px, photo.height_px),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


# ------------------------------------------------------------------------------------------------------- light and lens


def _blur_px(picture: np.ndarray, calibration: Calibration) -> float:
    """Standard deviation of the photo's blur at the marker's printed edges: from the rise within half a pixel of the middle."""
    inside = np.zeros(picture.shape, np.uint8)
    for outline in calibration.marker_outlines_px:
        cv2.fillPoly(inside, [np.round(outline).astype(np.int32)], 1)
    if not inside.any():
        return USUAL_BLUR_PX
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    along_x, along_y = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    strength = cv2.magnitude(along_x, along_y)
    ridge = (strength >= cv2.dilate(strength, np.ones((3, 3), np.uint8))) & (inside > 0)
    rows, columns = np.nonzero(ridge & (strength > 0.6 * np.percentile(strength[inside > 0], 97)))
    if len(rows) < 30:
        return USUAL_BLUR_PX
    offsets = np.arange(-6, 6.01, 0.25, dtype=np.float32)
    ways = np.stack([along_x[rows, columns], along_y[rows, columns]]) / strength[rows, columns]
    profiles = cv2.remap(
        picture,
        (columns[:, None] + ways[0][:, None] * offsets).astype(np.float32),
        (rows[:, None] + ways[1][:, None] * offsets).astype(np.float32),
        cv2.INTER_CUBIC,
    )
    dark, bright = profiles[:, :12], profiles[:, -12:]
    step = bright.mean(1) - dark.mean(1)
    plain = (step > 0.02) & (np.maximum(dark.std(1), bright.std(1)) < 0.12 * step)
    profiles = (profiles[plain] - dark[plain].mean(1)[:, None]) / step[plain][:, None]
    rises = []
    for profile in profiles:
        first = int(np.argmax(profile > 0.5))
        if 12 < first < 36:
            middle = offsets[first - 1] + 0.25 * (0.5 - profile[first - 1]) / (profile[first] - profile[first - 1])
            rises.append(float(np.diff(np.interp([middle - 0.5, middle + 0.5], offsets, profile))[0]))
    if len(rises) < 30:
        return USUAL_BLUR_PX
    rise = min(max(float(np.median(rises)), 0.2), 0.8)
    return 0.5 / float(ndtri(0.5 + rise / 2))


def _torch_places(lights: Sequence[Light], calibration: Calibration, surface: Surface) -> np.ndarray:
    """(L, 3) in the camera's frame, mm. A direction alone is taken as seen from the piece, at the usual distance."""
    outline = surface.outline_px.astype(np.float64)
    pixel = (0.5 * (outline.min(axis=0) + outline.max(axis=0))).reshape(1, 1, 2)
    ray = np.append(cv2.undistortPoints(pixel, calibration.camera_matrix, calibration.distortion).ravel(), 1.0)
    assert calibration.rotation is not None  # as find_relief asks for
    up = calibration.rotation[:, 2]
    piece = ray * float(up @ calibration.translation_mm) / float(ray @ up)
    return np.array(
        [
            piece + USUAL_DISTANCE_MM * (calibration.rotation @ _direction(light))
            if light.position_mm is None
            else calibration.rotation @ np.asarray(light.position_mm, float) + calibration.translation_mm
            for light in lights
        ]
    )


def _to_torch(torch_mm: np.ndarray, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """From places (N, 3) to the torch (3,), all in the camera's frame: unit vectors, and the light's strength there by that at 300 mm."""
    way = torch_mm - points_mm
    distance = np.linalg.norm(way, axis=1)
    return way / distance[:, None], (USUAL_DISTANCE_MM / distance) ** 2


def _exposures(
    ambient: np.ndarray, calibration: Calibration, surface: Surface, torches: np.ndarray, pictures: Sequence[np.ndarray]
) -> np.ndarray:
    """(L,) each torch's light on a white that faces it from the usual distance, in the photo's units.

    Table and marker are flat and lie where the camera's pose says; their own brightness cancels against the photo without a
    torch, and places that the piece shades fall out by the median.
    """
    height, width = ambient.shape
    assert calibration.rotation is not None  # as find_relief asks for
    metal: np.ndarray = np.zeros(ambient.shape, np.uint8)
    x0, y0 = surface.origin_px
    metal[y0 : y0 + surface.metal.shape[0], x0 : x0 + surface.metal.shape[1]] = surface.metal
    metal = cv2.dilate(metal, np.ones((41, 41), np.uint8))
    step = max(2, round(max(height, width) / 400))
    rows, columns = (grid.ravel() for grid in np.mgrid[0:height:step, 0:width:step])
    smooth = cv2.GaussianBlur(ambient, (0, 0), 2)
    kept = (metal[rows, columns] == 0) & (smooth[rows, columns] > 0.03) & (smooth[rows, columns] < 0.9)
    if kept.sum() < 100:
        raise InputError(
            "The photo shows too little of the table to know how bright each torch was; take the photos from a little farther."
        )
    rows, columns = rows[kept], columns[kept]
    pixels = np.stack([columns, rows], axis=1).astype(np.float64).reshape(-1, 1, 2)
    rays = cv2.undistortPoints(pixels, calibration.camera_matrix, calibration.distortion).reshape(-1, 2)
    rays = np.column_stack([rays, np.ones(len(rays))])
    up = calibration.rotation[:, 2]
    points = rays * (float(up @ calibration.translation_mm) / (rays @ up))[:, None]
    base = smooth[rows, columns]
    found = []
    for torch, picture in zip(torches, pictures, strict=True):
        ways, strength = _to_torch(torch, points)
        by_light = cv2.GaussianBlur(picture, (0, 0), 2)[rows, columns] / base / np.maximum((ways @ up) * strength, 0.02)
        lit = by_light > 0.4 * np.percentile(by_light, 60)
        found.append(float(np.median(by_light[lit])))
    return np.array(found) * float(np.percentile(base, 98))


def _room_shares(ambient: np.ndarray, pictures: Sequence[np.ndarray], exposures: np.ndarray) -> np.ndarray:
    """(L,) the room's light in each torch's photo, by that in the photo without a torch: what is left in the deepest shadows.

    The torch and the room do not change, only the exposure: the photo with the clearest shadows tells it for all. Zero where no
    photo has a shadow.
    """
    smooth = cv2.GaussianBlur(ambient, (0, 0), 2)[::3, ::3]
    bright = smooth > 0.01
    if not bright.any():
        return np.zeros(len(pictures))
    shares = [
        (cv2.GaussianBlur(picture, (0, 0), 2)[::3, ::3] / np.maximum(smooth, 0.01))[bright] for picture in pictures
    ]
    least = np.array([np.percentile(share, 1) for share in shares])
    clear = least < SHADOW_CLEAR * np.array([np.median(share) for share in shares])
    if not clear.any():
        return np.zeros(len(pictures))
    return exposures * float(np.min((least / exposures)[clear]))


# ------------------------------------------------------------------------------------------------------------- the pits


@dataclass(frozen=True, kw_only=True)
class _Place:
    """A pit's patch: sampling positions in the photo and the local frame on the metal (rows: axial, around, outward normal)."""

    columns: np.ndarray  # (CELLS, CELLS) x in the photo
    rows: np.ndarray
    step_mm: float
    px_mm: tuple[
        float, float
    ]  # how far a pixel's blur reaches on the metal along axial and around; more where foreshortened
    frame: np.ndarray  # (3, 3) camera directions of axial, around, normal
    point_mm: np.ndarray  # (3,) in the camera frame


def _place(pit: Pit, calibration: Calibration, surface: Surface) -> _Place | None:
    """None where the metal round the pit is not seen well enough to have a frame."""
    x0, y0 = surface.origin_px
    height, width = surface.metal.shape
    reach = max(3, round(0.6 * pit.equivalent_diameter_px))
    column, row = round(pit.x_px) - x0, round(pit.y_px) - y0
    left, right, top, bottom = (
        max(column - reach, 0),
        min(column + reach, width - 1),
        max(row - reach, 0),
        min(row + reach, height - 1),
    )
    part = (slice(top, bottom + 1), slice(left, right + 1))
    seen = surface.metal[part] & np.isfinite(surface.axial[part])
    if seen.sum() < 9:
        return None
    rows, columns = np.nonzero(seen)
    u, v = columns + left + x0 - pit.x_px, rows + top + y0 - pit.y_px
    design = np.stack([np.ones_like(u), u, v], axis=1).astype(float)
    axial, around = surface.axial[part][seen], surface.around[part][seen]
    jacobian = np.linalg.lstsq(design, np.stack([axial, around], axis=1), rcond=None)[0][
        1:
    ].T  # mm on the metal by pixel
    if abs(np.linalg.det(jacobian)) < 1e-9:
        return None
    # Depth along the optical axis from the area that a pixel covers on the metal.
    focal = 0.5 * (calibration.camera_matrix[0, 0] + calibration.camera_matrix[1, 1])
    depth = focal * np.sqrt(surface.area_per_px[part][seen] * np.cos(np.radians(surface.obliquity_deg[part][seen])))
    pixel = np.stack([columns + left + x0, rows + top + y0], axis=1).astype(np.float64).reshape(-1, 1, 2)
    rays = cv2.undistortPoints(pixel, calibration.camera_matrix, calibration.distortion).reshape(-1, 2)
    points = np.column_stack([rays, np.ones(len(rays))]) * depth[:, None]
    by_pixel = np.linalg.lstsq(design, points, rcond=None)[0]
    by_metal = np.linalg.inv(jacobian).T @ by_pixel[1:]  # camera mm by mm along axial and around
    axial_way, around_way = by_metal / np.linalg.norm(by_metal, axis=1, keepdims=True)
    normal = np.cross(axial_way, around_way)
    normal /= np.linalg.norm(normal)
    if normal @ by_pixel[0] > 0:
        normal = -normal
    around_way = np.cross(normal, axial_way) * np.sign(np.dot(np.cross(normal, axial_way), around_way))
    diameter = pit.equivalent_diameter_mm.value if pit.equivalent_diameter_mm else None
    if not diameter:
        return None
    longest = max(diameter, pit.length_mm.value if pit.length_mm else diameter)
    step = 1.9 * longest / CELLS
    at = (np.arange(CELLS) - (CELLS - 1) / 2) * step
    along, across = np.meshgrid(at, at, indexing="xy")
    offsets = np.linalg.inv(jacobian) @ np.stack([along.ravel(), across.ravel()])
    along_px_mm, around_px_mm = np.linalg.norm(jacobian, axis=1)
    return _Place(
        columns=(offsets[0] + pit.x_px).reshape(CELLS, CELLS).astype(np.float32),
        rows=(offsets[1] + pit.y_px).reshape(CELLS, CELLS).astype(np.float32),
        step_mm=step,
        px_mm=(float(along_px_mm), float(around_px_mm)),
        frame=np.stack([axial_way, around_way, normal]),
        point_mm=by_pixel[0],
    )


@dataclass(frozen=True, kw_only=True)
class _Fitted:
    cup: Cup
    ways: np.ndarray  # (L, 3) to the torches that reach the pit, in its frame


def _cups(
    photo: Photo,
    calibration: Calibration,
    surface: Surface,
    pits: PitCatalogue,
    lights: Sequence[Light],
    pictures: Sequence[np.ndarray],
) -> dict[int, _Fitted]:
    ambient = luminance(photo.rgb)
    places = _torch_places(lights, calibration, surface)
    exposures = _exposures(ambient, calibration, surface, places, pictures)
    room_shares = _room_shares(ambient, pictures, exposures)
    blur_px = _blur_px(ambient, calibration)
    curvature = 0.0
    if surface.radius_mm and surface.view in ("inside", "outside"):
        curvature = (1 if surface.view == "inside" else -1) / surface.radius_mm
    metal = np.zeros(pits.labels.shape, np.float32)
    x0, y0 = surface.origin_px
    metal[y0 : y0 + surface.metal.shape[0], x0 : x0 + surface.metal.shape[1]] = surface.metal
    found: dict[int, _Fitted] = {}
    for pit in pits.pits:
        place = _place(pit, calibration, surface)
        if place is None:
            continue

        def laid(image: np.ndarray, place: _Place = place) -> np.ndarray:
            return cv2.remap(image, place.columns, place.rows, cv2.INTER_LINEAR)

        mouth = laid((pits.labels == pit.id).astype(np.float32)) > 0.5
        other = laid(((pits.labels > 0) & (pits.labels != pit.id)).astype(np.float32)) > 0.3
        taken = cv2.dilate((mouth | other).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        face = (laid(metal) > 0.99) & ~taken
        if mouth.sum() < 15 or face.sum() < 40:
            continue
        torches = [_to_torch(torch, place.point_mm[None]) for torch in places]
        ways = np.array([place.frame @ way[0] for way, _ in torches])
        power = np.array([float(strength[0]) for _, strength in torches]) * exposures
        seen = np.array([laid(picture) for picture in pictures])
        level = np.array([float(np.median(values[face])) for values in seen])
        reached = _reached(seen, level, ways, power, room_shares, laid(ambient), face)
        if not len(reached):
            continue
        pixel_mm = math.sqrt(_pixel_area(surface, pit))
        room = room_shares[reached, None, None] * laid(ambient)
        cup = fit_cup(
            seen[reached] - room,
            level[reached] - np.median(room[:, face], axis=1),
            ways[reached],
            power[reached],
            place.frame @ (-place.point_mm / np.linalg.norm(place.point_mm)),
            mouth,
            cell_mm=place.step_mm,
            cell_per_px=pixel_mm / place.step_mm,
            blur_cells=(blur_px * place.px_mm[0] / place.step_mm, blur_px * place.px_mm[1] / place.step_mm),
            curvature_by_mm=curvature,
        )
        if cup is not None:
            found[pit.id] = _Fitted(cup=cup, ways=ways[reached])
    return found


def _pixel_area(surface: Surface, pit: Pit) -> float:
    """Metal that a pixel covers at the pit, mm2."""
    row, column = round(pit.y_px) - surface.origin_px[1], round(pit.x_px) - surface.origin_px[0]
    part = np.s_[max(0, row - 3) : row + 4, max(0, column - 3) : column + 4]
    return float(np.nanmedian(surface.area_per_px[part]))


def _reached(
    seen: np.ndarray,
    level: np.ndarray,
    ways: np.ndarray,
    power: np.ndarray,
    room_shares: np.ndarray,
    ambient: np.ndarray,
    face: np.ndarray,
) -> np.ndarray:
    """Numbers of the torches whose light reaches the face all round the pit.

    The piece's own rim or anything else may stand in the way: the face is then far darker than the light thrown on it says,
    or a shadow's edge runs through it.
    """
    brightness = np.where(ways[:, 2] > LEAST_HEIGHT, level / np.maximum(power * ways[:, 2], 1e-6), 0)
    compared = np.sort(brightness)[-2] if len(brightness) > 1 else brightness[0]  # the brightest may be gloss
    middle = (CELLS - 1) / 2
    turn = np.arctan2(*(np.mgrid[0:CELLS, 0:CELLS] - middle))
    sector = np.clip(((turn + math.pi) / (2 * math.pi) * 8).astype(int), 0, 7)
    kept = []
    for number, values in enumerate(seen):
        if brightness[number] <= max(SHADE_SHARE * compared, DARKEST_FACE):
            continue
        if level[number] < OVER_ROOM * room_shares[number] * float(np.median(ambient[face])):
            continue
        share = values / np.maximum(ambient, 0.01)
        sides = [np.median(share[part]) for part in (face & (sector == k) for k in range(8)) if part.sum() > 8]
        if sides and min(sides) > EVEN_SHARE * max(sides):
            kept.append(number)
    return np.array(kept, int)


@cache
def _spread_table() -> dict[str, float]:
    return {name: float(value) for name, value in data_table("relief")["spread"].items()}


def _measure(fitted: _Fitted, pit: Pit) -> Measure:
    """The cup's depth with its interval: the fit's own spread, and what it left out as found on renderings with truth."""
    table, cup = _spread_table(), fitted.cup
    fit = table["fit_factor"] * cup.log_spread
    left_out = math.sqrt(
        table["always"] ** 2
        + (table["by_tangent"] * math.tan(math.radians(min(pit.obliquity_deg, 80.0)))) ** 2
        + (table["by_misfit"] * math.log(max(cup.misfit / 2, 1))) ** 2
        + (table["by_doubt"] * (1 - pit.confidence)) ** 2
        + (table["by_missing_torch"] * max(0, FEWEST_LIGHTS - cup.lights)) ** 2
    )
    scale = 0.0
    if pit.equivalent_diameter_mm is not None:
        shared = pit.equivalent_diameter_mm.without(("outline of the mouth",))
        scale = shared.standard_uncertainty / shared.value
    shares = {"shading and shadow": fit, "form of the pit and gloss": left_out, "scale": scale}
    return Measure.by_shares(cup.depth_mm, shares, positive=True)


def _heights(surface: Surface, pits: PitCatalogue, cups: Mapping[int, _Fitted]) -> Heights:
    """The fitted cups in the unrolled face, at the photo's own resolution or 0.05 mm."""
    assert surface.mm_per_px is not None
    step = max(0.05, round(surface.mm_per_px.value, 3))
    blank = np.zeros(
        (surface.origin_px[1] + surface.metal.shape[0], surface.origin_px[0] + surface.metal.shape[1]), np.uint8
    )
    _, seen = unrolled(surface, blank, step)
    axial_mm = float(np.nanmin(surface.axial[surface.metal]))
    around_mm = float(np.nanmin(surface.around[surface.metal]))
    heights = np.where(seen, 0, np.nan).astype(np.float32)
    for pit in pits.pits:
        if pit.id not in cups or pit.axial_mm is None or pit.around_mm is None:
            continue
        cup = cups[pit.id].cup
        reach = 2.5 * cup.radius_mm + step
        column, row = (pit.axial_mm - axial_mm) / step, (pit.around_mm - around_mm) / step
        cells = reach / step
        top, left = max(0, int(row - cells)), max(0, int(column - cells))
        part = heights[top : int(row + cells) + 1, left : int(column + cells) + 1]
        rows, columns = np.mgrid[top : top + part.shape[0], left : left + part.shape[1]]
        depth = cup.depth_at((columns - column) * step, (rows - row) * step)
        part[...] = np.where(np.isnan(part), part, np.minimum(part, -depth))
    heights.flags.writeable = False
    return Heights(mm=heights, step_mm=step, axial_mm=axial_mm, around_mm=around_mm)


# ------------------------------------------------------------------------------------------------------- light through


def _light_through(
    rgb: np.ndarray, calibration: Calibration, surface: Surface, pits: PitCatalogue, flags: list[Flag]
) -> tuple[dict[int, bool], tuple[Hole, ...]]:
    """Pits with light in them, in a photo with the light behind the piece, and light where there is no pit.

    The metal is dark there; a perforation is a bright spot with dark metal all round. The limit lies between both on a linear
    scale of light: a hole smaller than a pixel still adds a share of the background's light. Where the marker lies behind the
    piece no light can come, and nothing is said.
    """
    light = luminance(rgb)
    x0, y0 = surface.origin_px
    height, width = surface.metal.shape
    metal = np.zeros(light.shape, np.uint8)
    metal[y0 : y0 + height, x0 : x0 + width] = surface.metal
    face = cv2.erode(metal, np.ones((7, 7), np.uint8)) > 0
    shut = np.zeros(light.shape, np.uint8)
    if calibration.marker_outlines_px:
        hull = cv2.convexHull(np.concatenate(calibration.marker_outlines_px).astype(np.float32))
        cv2.fillConvexPoly(shut, np.round(hull).astype(np.int32), 1)
    open_face = face & (shut == 0)
    oblique = np.full(light.shape, np.nan, np.float32)
    oblique[y0 : y0 + height, x0 : x0 + width] = surface.obliquity_deg
    beside = (cv2.dilate(metal, np.ones((31, 31), np.uint8)) == 0) & (shut == 0)
    if open_face.sum() < 200 or beside.sum() < 200:
        flags.append(raise_flag("not_backlit"))
        return {}, ()
    dark = float(np.median(light[open_face]))
    spread = 1.4826 * float(np.median(np.abs(light[open_face] - dark)))
    bright = float(np.percentile(light[beside], 75))
    if bright < 4 * dark + 0.02:
        flags.append(raise_flag("not_backlit"))
        return {}, ()
    limit = max(dark + THROUGH_SHARE * (bright - dark), dark + 12 * spread)
    _, spots, figures, centres = cv2.connectedComponentsWithStats((light > limit).astype(np.uint8), connectivity=8)
    near = cv2.dilate(metal, np.ones((3, 3), np.uint8)) > 0
    from_edge_mm = cv2.distanceTransform(metal, cv2.DIST_L2, 5) * (
        surface.mm_per_px.value if surface.mm_per_px else 1.0
    )
    holes: list[Hole] = []
    lit: set[int] = set()
    for number in range(1, len(figures)):
        left, top, w, h = (int(v) for v in figures[number][:4])
        part = spots[top : top + h, left : left + w] == number
        inside = face[top : top + h, left : left + w]
        if not near[top : top + h, left : left + w][part].all() or not inside[part].any():
            continue  # joined to the background: the piece's own edge
        grown = cv2.dilate(np.pad(part, 2).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        rows, columns = np.nonzero(grown)
        rows, columns = (
            np.clip(rows + top - 2, 0, light.shape[0] - 1),
            np.clip(columns + left - 2, 0, light.shape[1] - 1),
        )
        touched = pits.labels[rows, columns]
        touched = np.unique(touched[touched > 0])
        if len(touched):
            mouths = sum(int((pits.labels == t).sum()) for t in touched)
            if part.sum() < 2 * mouths + 12:  # a spot that runs far beyond the mouth is a gleam over it
                lit.update(int(t) for t in touched)
            continue
        x, y = (float(v) for v in centres[number])
        row, column = round(y) - y0, round(x) - x0
        # Away from pits only what cannot be a gleam of the background on the metal: bright, alone
        # in the dark, faced squarely, and off the sawn edge with its burrs and solder.
        near_by = light[max(0, top - 5) : top + h + 5, max(0, left - 5) : left + w + 5]
        peak = float(light[top : top + h, left : left + w][part].max())
        alone = float(np.median(near_by)) < dark + 0.02 * (bright - dark)
        square = oblique[round(y), round(x)] < MOST_OBLIQUE_DEG and from_edge_mm[round(y), round(x)] > EDGE_MM
        if peak < dark + LONELY_SHARE * (bright - dark) or not alone or not square:
            continue
        told = surface.unit == "mm" and surface.metal[row, column]
        holes.append(
            Hole(
                x_px=x,
                y_px=y,
                axial_mm=float(surface.axial[row, column]) if told else None,
                around_mm=float(surface.around[row, column]) if told else None,
            )
        )
    through: dict[int, bool] = {}
    for pit in pits.pits:
        row, column = round(pit.y_px), round(pit.x_px)
        if pit.obliquity_deg > MOST_OBLIQUE_DEG:
            continue  # metal seen edge on mirrors the background
        if pit.id in lit:
            through[pit.id] = True
        elif metal[row, column] and not shut[row, column]:
            through[pit.id] = False
    return through, tuple(holes)
