"""Depth from light: photos of one pose with the torch from known sides, and light from behind that shows perforations.

Each pit is fitted by itself: a mouth of the outline that was found, a depth, and a form from a cup to a steep-walled hole, are
rendered under every torch with shading and cast shadow, and compared with what the photos show against the sound metal round the
pit (near-light photometric stereo after Woodham 1980, with the shadow as evidence instead of a nuisance). The metal's own
brightness cancels, since it is the same under every torch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy import ndimage

from analyzer.flags import Flag, InputError, raise_flag
from analyzer.measured import Measure
from analyzer.photo import Photo
from analyzer.pits import Pit, PitCatalogue
from analyzer.scale import Calibration
from analyzer.surface import Surface

FEWEST_LIGHTS = 3  # two leave depth and brightness mixed (Woodham 1980)
LEAST_APART_DEG = 15.0  # torches closer together say nearly the same
MOST_SHIFT_PX = 12.0  # at the photo's own size: more than that is a moved piece, not a nudged phone

# The forms tried: depth share at a place = (1 - (1 - u)^2)^form, u = 0 at the rim and 1 in the middle. 0.5 is a half
# ellipsoid, 1 a shallow cup, 0.25 a hole with steep walls and a flat floor.
FORMS = (0.25, 0.5, 1.0)
# Depth by the mouth's inscribed radius, on a logarithmic scale.
STEEPNESS = np.geomspace(0.05, 5.0, 36)
AMBIENT = (0.04, 0.12, 0.25)  # light that reaches shadow, as a share of the torch's on the sound metal
PATCH = 48  # pixels of the patch's side: the mouth takes about half
MISFIT_FLOOR = 0.10  # relative misfit that even a right form leaves (specular metal, colour, noise); from the rendered truth
# Independent looks in one pit's patch: neighbouring pixels share blur and roughness.
INDEPENDENT_LOOKS = 6.0


@dataclass(frozen=True, kw_only=True)
class Light:
    """A photo of the same pose with one torch, and where the torch was.

    Either a direction, in degrees: azimuth counter-clockwise from the card's +x edge as seen from above, elevation above the
    card; or the torch's place ``position_mm`` (x, y, z), from the middle of the card's markers, z up.
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
            if not (math.isfinite(self.azimuth_deg) and 3 <= self.elevation_deg <= 85):
                raise InputError(f"The torch for {name} stood {self.elevation_deg:g} degrees high; give 3 to 85 degrees above the card.")
        elif not all(math.isfinite(v) for v in self.position_mm) or self.position_mm[2] <= 5:
            raise InputError(f"The torch for {name} must be above the card; give its place as x, y, z in mm with z above 5.")


@dataclass(frozen=True, kw_only=True)
class Relief:
    """Depth per pit by number, and which pits light comes through; a pit that could not be measured is not there."""

    pit_depths_mm: Mapping[int, Measure] = field(default_factory=dict)
    through: Mapping[int, bool] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()


def find_relief(
    photo: Photo,
    calibration: Calibration,
    surface: Surface,
    pits: PitCatalogue,
    *,
    lights: Sequence[Light] = (),
    backlit: Photo | None = None,
) -> Relief:
    """Depth per pit from photos with the torch from known sides, and perforations from a back-lit photo.

    Raises InputError where the photos do not belong together, the torches are too few or stand together, or there is no scale.
    """
    flags: list[Flag] = []
    depths: dict[int, Measure] = {}
    if lights:
        if surface.unit != "mm" or calibration.rotation is None:
            raise InputError("Depth from several torches needs a scale card, ruler or coin in the photo.")
        _check_lights(lights)
        pictures = [_aligned(photo, light.photo, surface, flags) for light in lights]
        depths = _depths(calibration, surface, pits, lights, pictures)
    through: dict[int, bool] = {}
    if backlit is not None:
        through = _light_through(_aligned(photo, backlit, surface, flags, backlit=True), surface, pits, flags)
    return Relief(pit_depths_mm=depths, through=through, flags=tuple(dict.fromkeys(flags)))


def _check_lights(lights: Sequence[Light]) -> None:
    if len(lights) < FEWEST_LIGHTS:
        raise InputError(f"Depth needs photos with the torch from {FEWEST_LIGHTS} sides or more; there are {len(lights)}.")
    directions = []
    for light in lights:
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
    azimuth, elevation = math.radians(light.azimuth_deg), math.radians(light.elevation_deg)
    return np.array(
        [math.cos(elevation) * math.cos(azimuth), math.cos(elevation) * math.sin(azimuth), math.sin(elevation)]
    )


def _linear(rgb: np.ndarray) -> np.ndarray:
    """Luminance, linear in light (IEC 61966-2-1 inverted, weights of ITU-R BT.709)."""
    share = np.arange(256) / 255.0
    table = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return table[rgb] @ np.array([0.2126, 0.7152, 0.0722], np.float32)


def _aligned(photo: Photo, other: Photo, surface: Surface, flags: list[Flag], *, backlit: bool = False) -> np.ndarray:
    """The other photo's rgb in the main photo's frame; a nudge of the phone is undone, a moved piece refused.

    The surroundings decide (table and card do not change with the light as much as the metal's relief does): edges of both
    pictures are registered by phase correlation (Kuglin and Hines 1975).
    """
    if other.rgb.shape != photo.rgb.shape:
        raise InputError(
            f"{other.name} is {other.width_px} x {other.height_px} pixels and {photo.name} is {photo.width_px} x "
            f"{photo.height_px}; take all photos of one pose with the same camera, not moved."
        )
    if other.sha256 == photo.sha256:
        raise InputError(f"{other.name} is the same photo as {photo.name}; add the one with the torch from its side.")
    factor = min(1.0, 1200 / max(photo.rgb.shape[:2]))

    def edges(rgb: np.ndarray) -> np.ndarray:
        grey = cv2.cvtColor(cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
        grey = np.log1p(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.0))
        return cv2.magnitude(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1))

    first, second = edges(photo.rgb), edges(other.rgb)
    window = cv2.createHanningWindow(first.shape[::-1], cv2.CV_32F)
    (dx, dy), response = cv2.phaseCorrelate(first, second, window)
    shift = math.hypot(dx, dy) / factor
    if response < 0.03 or shift > MOST_SHIFT_PX:
        raise InputError(
            f"{other.name} does not show the same pose as {photo.name}; leave phone and piece where they are and move only the light."
        )
    if shift <= 0.6:
        return other.rgb
    flags.append(raise_flag("pose_nudged", f"{shift:.1f} pixels in {other.name}"))
    move = np.float32([[1, 0, -dx / factor], [0, 1, -dy / factor]])
    return cv2.warpAffine(other.rgb, move, (photo.width_px, photo.height_px), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


@dataclass(frozen=True, kw_only=True)
class _Place:
    """A pit's patch: sampling positions in the photo and the local frame on the metal (rows: axial, around, outward normal)."""

    columns: np.ndarray  # (PATCH, PATCH) x in the photo
    rows: np.ndarray
    step_mm: float
    frame: np.ndarray  # (3, 3) camera directions of axial, around, normal
    point_mm: np.ndarray  # (3,) in the camera frame


def _place(pit: Pit, calibration: Calibration, surface: Surface) -> _Place | None:
    """None where the metal round the pit is not seen well enough to have a frame."""
    x0, y0 = surface.origin_px
    height, width = surface.metal.shape
    reach = max(3, round(0.6 * pit.equivalent_diameter_px))
    column, row = round(pit.x_px) - x0, round(pit.y_px) - y0
    left, right, top, bottom = max(column - reach, 0), min(column + reach, width - 1), max(row - reach, 0), min(row + reach, height - 1)
    part = (slice(top, bottom + 1), slice(left, right + 1))
    seen = surface.metal[part] & np.isfinite(surface.axial[part])
    if seen.sum() < 9:
        return None
    rows, columns = np.nonzero(seen)
    u, v = columns + left + x0 - pit.x_px, rows + top + y0 - pit.y_px
    design = np.stack([np.ones_like(u), u, v], axis=1).astype(float)
    axial, around = surface.axial[part][seen], surface.around[part][seen]
    jacobian = np.linalg.lstsq(design, np.stack([axial, around], axis=1), rcond=None)[0][1:].T  # mm on the metal by pixel
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
    step = 1.9 * longest / PATCH
    at = (np.arange(PATCH) - (PATCH - 1) / 2) * step
    along, across = np.meshgrid(at, at, indexing="xy")
    offsets = np.linalg.inv(jacobian) @ np.stack([along.ravel(), across.ravel()])
    return _Place(
        columns=(offsets[0] + pit.x_px).reshape(PATCH, PATCH).astype(np.float32),
        rows=(offsets[1] + pit.y_px).reshape(PATCH, PATCH).astype(np.float32),
        step_mm=step,
        frame=np.stack([axial_way, around_way, normal]),
        point_mm=by_pixel[0],
    )


def _depths(
    calibration: Calibration, surface: Surface, pits: PitCatalogue, lights: Sequence[Light], pictures: Sequence[np.ndarray]
) -> dict[int, Measure]:
    light_pictures = [_linear(rgb) for rgb in pictures]
    burnt = [rgb.max(axis=2) >= 253 for rgb in pictures]
    metal = np.zeros(pits.labels.shape, np.float32)
    x0, y0 = surface.origin_px
    metal[y0 : y0 + surface.metal.shape[0], x0 : x0 + surface.metal.shape[1]] = surface.metal
    found: dict[int, Measure] = {}
    for pit in pits.pits:
        place = _place(pit, calibration, surface)
        if place is None:
            continue
        mouth = cv2.remap((pits.labels == pit.id).astype(np.float32), place.columns, place.rows, cv2.INTER_LINEAR) > 0.5
        other = cv2.remap(((pits.labels > 0) & (pits.labels != pit.id)).astype(np.float32), place.columns, place.rows, cv2.INTER_LINEAR) > 0.3
        on_metal = cv2.remap(metal, place.columns, place.rows, cv2.INTER_LINEAR) > 0.99
        sound = on_metal & ~cv2.dilate((mouth | other).astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
        if mouth.sum() < 20 or sound.sum() < 60:
            continue
        seen, ways = [], []
        for light, picture, clipped in zip(lights, light_pictures, burnt, strict=True):
            if light.position_mm is not None:
                at = calibration.rotation @ np.asarray(light.position_mm, float) + calibration.translation_mm
                way = at - place.point_mm
            else:
                way = calibration.rotation @ _direction(light)
            way = place.frame @ (way / np.linalg.norm(way))
            values = cv2.remap(picture, place.columns, place.rows, cv2.INTER_LINEAR)
            lost = cv2.remap(clipped.astype(np.float32), place.columns, place.rows, cv2.INTER_LINEAR) > 0.2
            level = float(np.median(values[sound & ~lost])) if (sound & ~lost).any() else 0.0
            # A torch below this part of the metal's own horizon, or in the shadow of the piece's own rim, says nothing here.
            if way[2] < 0.12 or level < 0.004:
                continue
            seen.append(np.where(lost, np.nan, values / level))
            ways.append(way)
        if len(ways) < FEWEST_LIGHTS - 1:
            continue
        fitted = _fit_depth(np.array(seen), np.array(ways), mouth, place.step_mm, pit)
        if fitted is not None:
            found[pit.id] = fitted
    return found


def _fit_depth(seen: np.ndarray, ways: np.ndarray, mouth: np.ndarray, step_mm: float, pit: Pit) -> Measure | None:
    """Depth of one pit by comparing rendered cups with the photos.

    ``seen`` (lights, P, P): brightness by that of the sound metal round the pit. ``ways`` (lights, 3): to the torch, in the
    frame axial, around, outward.
    """
    inside = ndimage.distance_transform_edt(np.pad(mouth, 1))[1:-1, 1:-1]
    radius = float(inside.max())
    u = np.clip(inside / radius, 0, 1)
    blur = 0.45 * PATCH / (1.9 * max(pit.equivalent_diameter_px, 3.0))  # half a pixel of the photo, in patch pixels
    look = cv2.dilate(mouth.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    usable = np.isfinite(seen).all(axis=0) & look
    if usable.sum() < 20:
        return None
    observed = np.clip(seen[:, usable], 0, 3.0)
    depths_px = STEEPNESS * radius
    costs = np.full((len(FORMS), len(AMBIENT), len(STEEPNESS)), np.inf)
    for form_index, form in enumerate(FORMS):
        share = (1 - (1 - u) ** 2) ** form * (u > 0)
        share = cv2.GaussianBlur(share.astype(np.float32), (0, 0), 0.8)
        slope_rows, slope_columns = np.gradient(share)
        critical = [_shadow_from(share, way) for way in ways]
        for depth_index, depth_px in enumerate(depths_px):
            # The metal's face is z = -depth * share; its outward normal is (depth * d share/dx, depth * d share/dy, 1).
            length = np.sqrt(1 + depth_px**2 * (slope_columns**2 + slope_rows**2))
            shading = []
            for way, limit in zip(ways, critical, strict=True):
                facing = (depth_px * (slope_columns * way[0] + slope_rows * way[1]) + way[2]) / length
                lit = np.clip(facing, 0, None) * (depth_px <= limit)
                shading.append(cv2.GaussianBlur((lit / way[2]).astype(np.float32), (0, 0), blur))
            direct = np.array(shading)[:, usable]
            open_sky = 1 / np.sqrt(1 + (depth_px * share[usable] / (0.7 * radius)) ** 2)  # how much of the sky the floor still sees
            for ambient_index, ambient in enumerate(AMBIENT):
                model = (direct + ambient * open_sky) / (1 + ambient)
                albedo = np.clip((observed * model).sum(axis=0) / np.maximum((model**2).sum(axis=0), 1e-6), 0.15, 1.8)
                miss = np.minimum(np.abs(observed - albedo * model) / (0.25 + 0.75 * albedo * model), 0.9)
                costs[form_index, ambient_index, depth_index] = float(np.mean(miss**2))
    best = float(costs.min())
    weights = np.exp(-0.5 * INDEPENDENT_LOOKS * len(ways) * (costs - best) / (best + MISFIT_FLOOR**2))
    by_depth = weights.sum(axis=(0, 1))
    by_depth /= by_depth.sum()
    log_depth = np.log(depths_px * step_mm)
    middle = float((by_depth * log_depth).sum())
    spread = float(np.sqrt((by_depth * (log_depth - middle) ** 2).sum()))
    value = math.exp(middle)
    scale = 0.0
    if pit.equivalent_diameter_mm is not None:
        scale = pit.equivalent_diameter_mm.standard_uncertainty / pit.equivalent_diameter_mm.value
    return Measure(
        value=value,
        budget={"shading and shadow": value * math.hypot(spread, MODEL_SPREAD), "mouth and scale": value * scale},
        interval=(
            value * math.exp(-1.96 * math.sqrt(spread**2 + MODEL_SPREAD**2 + scale**2)),
            value * math.exp(1.96 * math.sqrt(spread**2 + MODEL_SPREAD**2 + scale**2)),
        ),
    )


MODEL_SPREAD = 0.25  # relative scatter of fitted depth against truth on the rendered sets, beyond the fit's own


def _shadow_from(share: np.ndarray, way: np.ndarray) -> np.ndarray:
    """(P, P): the depth (in patch pixels) from which on a place lies in cast shadow for this torch.

    A place p is in shadow where, for some step s towards the torch, the ground there rises above the ray:
    depth * (share(p) - share(p + s)) > s * tan(elevation).
    """
    across = math.hypot(way[0], way[1])
    if across < 1e-6:
        return np.full(share.shape, np.inf)
    rise = way[2] / across
    columns, rows = np.meshgrid(np.arange(share.shape[1], dtype=np.float32), np.arange(share.shape[0], dtype=np.float32))
    limit = np.full(share.shape, np.inf)
    for step in range(1, share.shape[0]):
        there = cv2.remap(
            share, columns + np.float32(step * way[0] / across), rows + np.float32(step * way[1] / across), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=0,
        )  # fmt: skip
        drop = share - there
        with np.errstate(divide="ignore", invalid="ignore"):
            limit = np.minimum(limit, np.where(drop > 1e-3, step * rise / drop, np.inf))
    return limit


def _light_through(rgb: np.ndarray, surface: Surface, pits: PitCatalogue, flags: list[Flag]) -> dict[int, bool]:
    """Pits with light in them, in a photo with the light behind the piece.

    The metal itself is dark there; a perforation is as bright as the background. The limit lies between both on a linear
    scale of light: a hole smaller than a pixel still adds a share of the background's light.
    """
    light = _linear(rgb)
    x0, y0 = surface.origin_px
    height, width = surface.metal.shape
    window = light[y0 : y0 + height, x0 : x0 + width]
    face = cv2.erode(surface.metal.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    if face.sum() < 200:
        return {}
    dark = float(np.median(window[face]))
    spread = 1.4826 * float(np.median(np.abs(window[face] - dark)))
    outside = cv2.dilate(surface.metal.astype(np.uint8), np.ones((31, 31), np.uint8)) == 0
    around = window[outside] if outside.sum() > 200 else light.ravel()
    bright = float(np.percentile(around, 75))
    if bright < 4 * dark + 0.02:
        flags.append(raise_flag("not_backlit"))
        return {}
    limit = max(dark + 0.12 * (bright - dark), dark + 12 * spread)
    found: dict[int, bool] = {}
    for pit in pits.pits:
        reach = max(2, round(0.5 * pit.equivalent_diameter_px))
        top, left = max(0, round(pit.y_px) - reach), max(0, round(pit.x_px) - reach)
        part = light[top : round(pit.y_px) + reach + 1, left : round(pit.x_px) + reach + 1]
        found[pit.id] = bool(part.size and part.max() > limit)
    return found
