"""A small renderer with exact truth for tests of depth: a plate or a half-shell with half-ellipsoid pits, a card, near torches.

Rays meet plane, cylinder and ellipsoids by formula, so shadows and hidden floors are exact; brightness is Lambert's, with the
light that a cup throws on itself (for a hemisphere uniform: a quarter of albedo times the light on the mouth, by the integrating
sphere). Numpy only, besides the lens's blur.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np

from analyzer.base.measured import Measure
from analyzer.marks.catalogue import Pit, PitCatalogue
from analyzer.photo.reading import CameraFacts, Photo
from analyzer.piece.surface import Surface
from analyzer.scale.calibration import Calibration

PLATE_HEIGHT_MM = 1.0  # of the plate's face over the table


@dataclass(frozen=True, kw_only=True)
class Dent:
    """A half-ellipsoid pit: centre on the face, radii along ``axial`` and ``around``, depth; all mm."""

    axial: float
    around: float
    radius: float
    depth: float
    stretch: float = 1.0  # radius along ``axial`` by that along ``around``
    albedo: float = 0.25
    through: bool = False

    @property
    def radii(self) -> tuple[float, float]:
        return self.radius * math.sqrt(self.stretch), self.radius / math.sqrt(self.stretch)


@dataclass(frozen=True, kw_only=True)
class Scene:
    dents: tuple[Dent, ...]
    bore_radius: float | None = None  # a half-shell of this radius, open upwards; None is a flat plate
    length: float = 36.0  # along the axis
    width: float = 24.0  # of a plate
    size: tuple[int, int] = (760, 560)  # columns, rows
    focal: float = 2400.0
    distance: float = 210.0
    tilt_deg: float = 8.0
    blur_px: float = 0.6
    noise: float = 0.003
    seed: int = 3
    shift_px: tuple[float, float] = (0.0, 0.0)  # of the phone
    piece_shift: float = 0.0  # of the piece along x, mm

    @property
    def rotation(self) -> np.ndarray:
        t = math.radians(self.tilt_deg)
        return np.array([[1, 0, 0], [0, -math.cos(t), -math.sin(t)], [0, math.sin(t), -math.cos(t)]])

    @property
    def matrix(self) -> np.ndarray:
        return np.array([[self.focal, 0, (self.size[0] - 1) / 2], [0, self.focal, (self.size[1] - 1) / 2], [0, 0, 1.0]])

    @property
    def translation(self) -> np.ndarray:
        return np.array([0, 0, self.distance])

    @property
    def middle(self) -> np.ndarray:
        """The piece's middle on its axis (bore) or face (plate), in the table's frame; the card's middle is the origin."""
        return np.array([8.0 + self.piece_shift, 0, PLATE_HEIGHT_MM + (self.bore_radius or 0)])


@dataclass(frozen=True, kw_only=True)
class _Hits:
    points: np.ndarray  # (N, 3) where the ray meets table, face or floor
    normals: np.ndarray
    albedo: np.ndarray
    dent: np.ndarray  # number of the dent, -1 for none
    metal: np.ndarray
    axial: np.ndarray  # of the face where the ray enters
    around: np.ndarray
    face_depth: np.ndarray  # along the optical axis, of the face
    face_normals: np.ndarray = field(repr=False)


def _frame(scene: Scene, dent: Dent) -> tuple[np.ndarray, np.ndarray]:
    """The dent's middle on the face, and the frame (rows: axial, around, outward)."""
    if scene.bore_radius is None:
        return scene.middle + [dent.axial, -dent.around, 0], np.array([[1.0, 0, 0], [0, -1.0, 0], [0, 0, 1.0]])
    angle = dent.around / scene.bore_radius
    outward = np.array([0, math.sin(angle), math.cos(angle)])
    around = np.array([0, -math.cos(angle), math.sin(angle)])
    return scene.middle + [dent.axial, 0, 0] - scene.bore_radius * outward, np.array([[1.0, 0, 0], around, outward])


def _cast(scene: Scene, columns: np.ndarray, rows: np.ndarray) -> _Hits:
    rays = np.stack(
        [
            (columns - scene.matrix[0, 2] - scene.shift_px[0]) / scene.focal,
            (rows - scene.matrix[1, 2] - scene.shift_px[1]) / scene.focal,
            np.ones_like(columns),
        ],
        axis=1,
    )
    ways = rays @ scene.rotation
    eye = -scene.rotation.T @ scene.translation
    count = len(ways)
    reach = -eye[2] / ways[:, 2]
    points = eye + reach[:, None] * ways
    normals = np.tile([0, 0, 1.0], (count, 1))
    albedo = _table(points)
    metal = np.zeros(count, bool)
    axial, around = np.full(count, np.nan), np.full(count, np.nan)
    relative = eye - scene.middle
    if scene.bore_radius is None:
        t = -relative[2] / ways[:, 2]
        at = relative + t[:, None] * ways
        metal = (np.abs(at[:, 0]) < scene.length / 2) & (np.abs(at[:, 1]) < scene.width / 2)
        face_normals = normals.copy()
        axial, around = at[:, 0], -at[:, 1]
    else:
        a = (ways[:, 1:] ** 2).sum(axis=1)
        b = (relative[1:] * ways[:, 1:]).sum(axis=1)
        c = (relative[1:] ** 2).sum() - scene.bore_radius**2
        root = b * b - a * c
        t = (-b + np.sqrt(np.maximum(root, 0))) / a
        at = relative + t[:, None] * ways
        metal = (root > 0) & (np.abs(at[:, 0]) < scene.length / 2) & (at[:, 2] < 0)
        face_normals = -at / scene.bore_radius
        face_normals[:, 0] = 0
        axial = at[:, 0]
        around = scene.bore_radius * np.arctan2(-at[:, 1], -at[:, 2])
    points[metal] = (at + scene.middle)[metal]
    reach = np.where(metal, t, reach)
    normals[metal] = face_normals[metal]
    # tarnish: mottled on a scale of millimetres, with fine scratches along the axis
    mottle = np.sin(1.9 * axial + 2.3 * np.sin(0.8 * around)) * np.sin(2.4 * around + 1.1 * np.sin(1.3 * axial))
    albedo[metal] = (0.3 + 0.06 * mottle + 0.03 * np.sin(17 * around + 3 * np.sin(0.4 * axial)))[metal]
    owner = np.full(count, -1)
    face_depth = reach.copy()
    for number, dent in enumerate(scene.dents):
        centre, frame = _frame(scene, dent)
        stretch = np.array([dent.radii[0], dent.radii[1], dent.depth])
        reach_mm = 1.2 * max(dent.radii)
        with np.errstate(invalid="ignore"):
            near = np.flatnonzero(
                metal & (np.abs(axial - dent.axial) < reach_mm) & (np.abs(around - dent.around) < reach_mm)
            )
        start = (points[near] - centre) @ frame.T
        within = ((start[:, :2] / stretch[:2]) ** 2).sum(axis=1) < 1
        near, start = near[within], start[within]
        if not len(near):
            continue
        origin, way = start / stretch, (ways[near] @ frame.T) / stretch
        a, b, c = (way**2).sum(axis=1), (origin * way).sum(axis=1), (origin**2).sum(axis=1) - 1
        far = (-b + np.sqrt(np.maximum(b * b - a * c, 0))) / a
        floor = origin + far[:, None] * way
        points[near] = centre + (floor * stretch) @ frame
        inner = -(floor / stretch) @ frame
        normals[near] = inner / np.linalg.norm(inner, axis=1, keepdims=True)
        albedo[near] = dent.albedo
        owner[near] = number
    return _Hits(
        points=points, normals=normals, albedo=albedo, dent=owner, metal=metal, axial=axial, around=around,
        face_depth=face_depth, face_normals=face_normals,
    )  # fmt: skip


def _table(points: np.ndarray) -> np.ndarray:
    """A grey table with a white card about the origin's left that carries four black squares."""
    albedo = np.full(len(points), 0.35) + 0.03 * np.sin(points[:, 0] * 1.7) * np.cos(points[:, 1] * 2.3)
    x, y = points[:, 0] + CARD_LEFT, points[:, 1]
    card = (np.abs(x) < 10) & (np.abs(y) < 18)
    albedo[card] = 0.8
    for corner_x in (-5.0, 5.0):
        for corner_y in (-9.0, 9.0):
            albedo[(np.abs(x - corner_x) < 3) & (np.abs(y - corner_y) < 3)] = 0.05
    return albedo


CARD_LEFT = 21.0  # the card's middle lies this far to the left of the frame's origin, mm


def _lit(scene: Scene, hits: _Hits, torch: np.ndarray) -> np.ndarray:
    """Light on each place by that on a white square to the torch at 300 mm."""
    way = torch - hits.points
    distance = np.linalg.norm(way, axis=1)
    way /= distance[:, None]
    strength = (300.0 / distance) ** 2
    light = np.clip((way * hits.normals).sum(axis=1), 0, None)
    if scene.bore_radius is not None:  # the shell's own far wall: where the ray leaves the circle
        here = hits.points - scene.middle
        a, b = (way[:, 1:] ** 2).sum(axis=1), (here[:, 1:] * way[:, 1:]).sum(axis=1)
        c = np.minimum((here[:, 1:] ** 2).sum(axis=1) - scene.bore_radius**2, 0)
        t = (-b + np.sqrt(np.maximum(b * b - a * c, 0))) / a
        leave = here + t[:, None] * way
        light[hits.metal & (leave[:, 2] < 0) & (np.abs(leave[:, 0]) < scene.length / 2)] = 0
    for number, dent in enumerate(scene.dents):
        own = hits.dent == number
        if not own.any():
            continue
        centre, frame = _frame(scene, dent)
        local, turned = (hits.points[own] - centre) @ frame.T, way[own] @ frame.T
        out = local - (local[:, 2] / turned[:, 2])[:, None] * turned
        clear = (turned[:, 2] > 0) & (((out[:, :2] / np.array(dent.radii)) ** 2).sum(axis=1) < 1)
        direct = light[own] * clear
        again = 0.25 * dent.albedo / (1 - 0.5 * dent.albedo) * max(float(turned[:, 2].mean()), 0)
        share = 1 / (1 + (dent.radius / dent.depth) ** 2)  # a shallow cup throws less on itself; a hemisphere is exact
        light[own] = direct + (2 * share * again if direct.any() else 0.0)
    return light * strength


@lru_cache(maxsize=6)
def _all_hits(scene: Scene) -> tuple[_Hits, tuple[np.ndarray, np.ndarray], tuple[_Hits, ...]]:
    """Hits at pixel centres, the pixels (rows, columns) that an edge crosses, and nine hits within each of these."""
    columns, rows = scene.size
    grid_x, grid_y = np.meshgrid(np.arange(columns, dtype=float), np.arange(rows, dtype=float))
    plain = _cast(scene, grid_x.ravel(), grid_y.ravel())
    busy = cv2.dilate((plain.dent >= 0).reshape(rows, columns).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    busy |= cv2.morphologyEx(plain.albedo.reshape(rows, columns), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0.15
    y, x = np.nonzero(busy)
    offsets = (-1 / 3, 0.0, 1 / 3)
    return plain, (y, x), tuple(_cast(scene, x + dx, y + dy) for dx in offsets for dy in offsets)


@lru_cache(maxsize=40)
def photograph(
    scene: Scene, *, torch: tuple[float, float, float] | None = None, behind: bool = False, name: str = "photo.png"
) -> Photo:
    """A photo with room light, with a torch at (x, y, z) mm from the frame's origin, or with light from behind."""
    columns, rows = scene.size
    plain, (y, x), finer = _all_hits(scene)

    def light_of(hits: _Hits) -> np.ndarray:
        if behind:
            on_card = (hits.albedo > 0.7) | (hits.albedo < 0.1)
            bright = np.where(hits.metal, 0.003, np.where(on_card, 0.05 * hits.albedo, 0.6))
            for number, dent in enumerate(scene.dents):
                if dent.through:
                    centre, frame = _frame(scene, dent)
                    floor = (hits.points - centre) @ frame.T
                    bright[(hits.dent == number) & (floor[:, 2] < -0.85 * dent.depth)] = 0.6
            return bright
        room = 0.35 * hits.albedo * np.clip(hits.normals[:, 2], 0.1, 1)
        if torch is None:
            return room
        return 0.05 * room + 0.5 * hits.albedo * _lit(scene, hits, np.asarray(torch, float))

    total = light_of(plain).reshape(rows, columns)
    total[y, x] = np.mean([light_of(hits) for hits in finer], axis=0)
    total = cv2.GaussianBlur(total, (0, 0), scene.blur_px)
    seed = int.from_bytes(hashlib.sha256(repr((scene.seed, torch, behind)).encode()).digest()[:4], "big")
    total = np.clip(total + np.random.default_rng(seed).normal(0, scene.noise, total.shape), 0, 1)
    encoded = np.where(total <= 0.0031308, 12.92 * total, 1.055 * total ** (1 / 2.4) - 0.055)
    rgb = np.repeat(np.round(255 * encoded).astype(np.uint8)[..., None], 3, axis=2)
    rgb.flags.writeable = False
    return Photo(
        role="main", name=name, rgb=rgb, sha256=hashlib.sha256(rgb.tobytes()).hexdigest(), camera=CameraFacts()
    )


def truth(scene: Scene, *, mouth_error: float = 1.0) -> tuple[Calibration, Surface, PitCatalogue]:
    """The scene's calibration, surface and pits as perfect earlier stages would give them; mouths may be off by a factor."""
    columns, rows = scene.size
    grid_x, grid_y = np.meshgrid(np.arange(columns, dtype=float), np.arange(rows, dtype=float))
    hits = _all_hits(scene)[0]
    rays = np.stack(
        [
            (grid_x.ravel() - scene.matrix[0, 2]) / scene.focal,
            (grid_y.ravel() - scene.matrix[1, 2]) / scene.focal,
            np.ones(rows * columns),
        ],
        axis=1,
    )
    turned = hits.face_normals @ scene.rotation.T
    facing = np.abs((rays * turned).sum(axis=1))
    oblique = np.degrees(np.arccos(np.clip(facing / np.linalg.norm(rays, axis=1), 0, 1)))
    area = hits.face_depth**2 / scene.focal**2 / np.maximum(facing, 0.02)
    shape = (rows, columns)
    metal = hits.metal.reshape(shape)

    def laid(values: np.ndarray) -> np.ndarray:
        return np.where(metal, values.reshape(shape), np.nan).astype(np.float32)

    corners = np.array([[-31, -18, 0], [-11, -18, 0], [-11, 18, 0], [-31, 18, 0]], float)
    seen = corners @ scene.rotation.T + scene.translation
    outline = (seen[:, :2] / seen[:, 2:]) * scene.focal + scene.matrix[:2, 2]
    calibration = Calibration(
        method="card", camera_matrix=scene.matrix, distortion=np.zeros(5), focal_source="exif", rotation=scene.rotation,
        translation_mm=scene.translation, marker_plane_height_mm=0.0, mm_per_px_marker=Measure(value=scene.distance / scene.focal),
        marker_outlines_px=(outline,),
    )  # fmt: skip
    contours, _ = cv2.findContours(metal.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    seen_area = Measure(value=float(area.reshape(shape)[metal].sum()))
    surface = Surface(
        view="flat" if scene.bore_radius is None else "inside", view_source="told", unit="mm", origin_px=(0, 0), metal=metal,
        axial=laid(hits.axial), around=laid(hits.around), obliquity_deg=laid(oblique), area_per_px=laid(area),
        radius_mm=scene.bore_radius, mm_per_px=Measure(value=scene.distance / scene.focal), seen_area=seen_area,
        examined_area=seen_area, axial_length=Measure(value=scene.length),
        outline_px=max(contours, key=cv2.contourArea)[:, 0].astype(np.float32),
    )  # fmt: skip
    labels = np.zeros(shape, np.uint16)
    pits = []
    for number, dent in enumerate(scene.dents, start=1):
        off = np.hypot((surface.axial - dent.axial) / dent.radii[0], (surface.around - dent.around) / dent.radii[1])
        mouth = np.nan_to_num(off, nan=9.0) < mouth_error
        labels[mouth] = number
        y, x = np.nonzero(mouth)
        diameter = 2 * dent.radius * mouth_error
        pits.append(
            Pit(
                id=number, x_px=float(x.mean()), y_px=float(y.mean()), opening_area_px=float(len(x)),
                equivalent_diameter_px=math.sqrt(4 * len(x) / math.pi), confidence=0.95, through=None,
                obliquity_deg=float(np.nanmean(surface.obliquity_deg[mouth])), contrast=10.0, axial_mm=dent.axial,
                around_mm=dent.around, opening_area_mm2=Measure(value=math.pi * diameter**2 / 4),
                equivalent_diameter_mm=Measure(value=diameter), length_mm=Measure(value=diameter * max(dent.stretch, 1 / dent.stretch) ** 0.5),
                width_mm=Measure(value=diameter * min(dent.stretch, 1 / dent.stretch) ** 0.5),
            )
        )  # fmt: skip
    catalogue = PitCatalogue(
        pits=tuple(pits), mounds=(), labels=labels, count=Measure(value=float(len(pits))), smallest_counted_mm=0.3,
        evidence="learned", evidence_version="truth",
    )  # fmt: skip
    return calibration, surface, catalogue


def torch_at(azimuth_deg: float, elevation_deg: float, distance: float = 260.0) -> tuple[float, float, float]:
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    return (distance * math.cos(e) * math.cos(a), distance * math.cos(e) * math.sin(a), distance * math.sin(e))
