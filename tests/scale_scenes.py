"""Flat scale markers photographed by OpenCV's own camera model: the exact truth for the scale's tests.

A marker is drawn on a plane at a known number of dots by millimetre, then seen through a known pose by
``cv2.warpPerspective`` (and a known lens by ``cv2.remap``). Nothing here uses the code under test.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

import cv2
import numpy as np

from analyzer.photo.reading import CameraFacts, Photo

DOTS = 20  # a millimetre


@dataclass(frozen=True, kw_only=True)
class Scene:
    photo: Photo
    rotation: np.ndarray
    translation_mm: np.ndarray
    camera_matrix: np.ndarray

    def pixel_of(self, points_mm: np.ndarray) -> np.ndarray:
        """(N, 2) pixels of points of the plane (N, 2), by OpenCV."""
        space = np.concatenate([points_mm, np.zeros((len(points_mm), 1))], axis=1).astype(np.float64)
        turn = cv2.Rodrigues(self.rotation)[0]
        return cv2.projectPoints(space, turn, self.translation_mm, self.camera_matrix, None)[0][:, 0]

    def mm_per_px(self, pixel: np.ndarray) -> float:
        """Depth of the plane along the optical axis at a pixel by the focal length in pixels."""
        ray = np.linalg.inv(self.camera_matrix) @ np.append(pixel, 1.0)
        normal = self.rotation[:, 2]
        return float((normal @ self.translation_mm) / (normal @ ray) / self.camera_matrix[0, 0])


def pose(tilt_x_deg: float, tilt_y_deg: float, turn_deg: float, distance_mm: float, shift_mm=(0.0, 0.0)):
    """A camera that looks down: rotation and translation of the plane (x right, y up, z to the camera)."""
    down = np.diag([1.0, -1.0, -1.0])
    turn = cv2.Rodrigues(np.array([0.0, 0.0, math.radians(turn_deg)]))[0]
    tilt = cv2.Rodrigues(np.array([math.radians(tilt_x_deg), 0.0, 0.0]))[0]
    tilt = cv2.Rodrigues(np.array([0.0, math.radians(tilt_y_deg), 0.0]))[0] @ tilt
    return tilt @ down @ turn, np.array([shift_mm[0], shift_mm[1], distance_mm])


def seen(
    drawing: np.ndarray,
    rotation: np.ndarray,
    translation_mm: np.ndarray,
    *,
    size: tuple[int, int] = (1600, 1200),
    focal_35mm: float = 28.0,
    recorded: bool = True,
    table: tuple[int, int, int] = (118, 100, 84),
    k1: float = 0.0,
    noise: float = 1.0,
    wall_mm: float = 0.0,
    wall: np.ndarray | None = None,
) -> Scene:
    """A drawing (RGBA, its middle the plane's origin, y up) photographed on an even table; blurred by half a pixel, noisy.

    ``wall_mm``: the body under it, as slices of the drawing ``wall``.
    """
    width, height = size
    focal = focal_35mm * math.hypot(width, height) / math.hypot(36, 24)
    matrix = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    rows, columns = drawing.shape[:2]
    to_plane = np.array([[1 / DOTS, 0, -(columns - 1) / 2 / DOTS], [0, -1 / DOTS, (rows - 1) / 2 / DOTS], [0, 0, 1]])
    over = 2  # drawn at twice the size and averaged, so that edges fall between pixels as a sensor's do
    larger = np.array([[over, 0, (over - 1) / 2], [0, over, (over - 1) / 2], [0, 0, 1]])
    picture = np.zeros((height, width, 4), dtype=np.float32)
    heights = [*np.arange(-wall_mm, -0.01, 0.15), 0.0] if wall_mm else [0.0]
    for above in heights:
        place = np.column_stack([rotation[:, 0], rotation[:, 1], translation_mm + above * rotation[:, 2]])
        homography = matrix @ place @ to_plane
        edge = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], dtype=np.float64).reshape(-1, 1, 2)
        corners = cv2.perspectiveTransform(edge, homography)[:, 0]
        left, top = np.clip(np.floor(corners.min(axis=0)).astype(int) - 2, 0, [width - 1, height - 1])
        right, bottom = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 3, [left + 1, top + 1], [width, height])
        shift = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1]])
        layer = _linear(drawing if above == 0 or wall is None else wall)
        layer = cv2.warpPerspective(layer, larger @ shift @ homography, ((right - left) * over, (bottom - top) * over))
        layer = cv2.resize(layer, (right - left, bottom - top), interpolation=cv2.INTER_AREA)
        window = picture[top:bottom, left:right]
        picture[top:bottom, left:right] = layer + (1 - layer[..., 3:]) * window
    if k1:
        grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).reshape(-1, 1, 2).astype(np.float64)
        straight = cv2.undistortPoints(grid, matrix, np.array([k1, 0, 0, 0, 0]), P=matrix).reshape(height, width, 2)
        straight = straight.astype(np.float32)
        picture = cv2.remap(picture, straight[..., 0], straight[..., 1], cv2.INTER_LINEAR)
    ground = (np.array(table) / 255.0) ** 2.2
    light = picture[..., :3] + (1 - picture[..., 3:]) * ground
    light = cv2.GaussianBlur(light, (0, 0), 0.6)
    encoded = np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055) * 255
    encoded += np.random.default_rng(7).normal(0, noise, encoded.shape)
    rgb = np.clip(np.rint(encoded), 0, 255).astype(np.uint8)
    return Scene(
        photo=photo_of(rgb, focal_35mm if recorded else None),
        rotation=rotation,
        translation_mm=translation_mm,
        camera_matrix=matrix,
    )


def _linear(drawing: np.ndarray) -> np.ndarray:
    """RGBA to linear light, weighted by its own cover (IEC 61966-2-1)."""
    level = drawing.astype(np.float32) / 255
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4).astype(np.float32)
    linear[..., 3] = level[..., 3]
    linear[..., :3] *= linear[..., 3:]
    return linear


def photo_of(rgb: np.ndarray, focal_35mm: float | None = 28.0) -> Photo:
    rgb = np.ascontiguousarray(rgb)
    rgb.setflags(write=False)
    return Photo(
        role="main",
        name="scene.jpg",
        sha256=hashlib.sha256(rgb.tobytes()).hexdigest(),
        rgb=rgb,
        camera=CameraFacts(focal_35mm=focal_35mm),
    )


def blank(width_mm: float, height_mm: float, colour: tuple[int, int, int]) -> np.ndarray:
    drawing = np.zeros((int(height_mm * DOTS), int(width_mm * DOTS), 4), dtype=np.uint8)
    drawing[..., :3], drawing[..., 3] = colour, 255
    return drawing


def card_drawing(
    centres_mm: dict[int, tuple[float, float]],
    *,
    size_mm: tuple[float, float] = (120.0, 80.0),
    side_mm: float = 20.0,
    paper: tuple[int, int, int] = (228, 226, 222),
) -> np.ndarray:
    """White paper with markers at those middles (x right, y up), drawn by OpenCV's own generator."""
    drawing = blank(*size_mm, paper)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    rows, columns = drawing.shape[:2]
    for marker_id, (x, y) in centres_mm.items():
        dots = int(round(side_mm * DOTS))
        bits = cv2.aruco.generateImageMarker(dictionary, marker_id, 6)
        marker = cv2.resize(bits, (dots, dots), interpolation=cv2.INTER_NEAREST)
        left, top = int(round(columns / 2 + x * DOTS - dots / 2)), int(round(rows / 2 - y * DOTS - dots / 2))
        drawing[top : top + dots, left : left + dots, :3] = np.where(marker[..., None] > 0, np.array(paper), 24)
    return drawing


def ruler_drawing(
    *,
    marks: int = 100,
    step_mm: float = 1.0,
    long_every: tuple[tuple[int, float], ...] = ((10, 6.5), (5, 4.8)),
    short_mm: float = 3.2,
    width_mm: float = 25.0,
) -> np.ndarray:
    """A pale ruler; mark 0 lies ``5 mm`` from its left end, the marks' feet on its lower edge."""
    drawing = blank(marks * step_mm + 10, width_mm, (214, 206, 180))
    rows = drawing.shape[0]
    for number in range(marks + 1):
        length = next((long for every, long in long_every if number % every == 0), short_mm)
        x = (5 + number * step_mm) * DOTS
        drawing[rows - int(length * DOTS) :, int(round(x - 2)) : int(round(x + 2)), :3] = (38, 34, 30)
    return drawing


def disc_drawing(diameter_mm: float, colour: tuple[int, int, int] = (176, 178, 182)) -> np.ndarray:
    """A round face with a slightly darker middle: what is exact here is its outline."""
    side = int((diameter_mm + 4) * DOTS) | 1
    drawing = np.zeros((side, side, 4), dtype=np.uint8)
    y, x = np.mgrid[0:side, 0:side] - (side - 1) / 2
    drawing[np.hypot(x, y) <= diameter_mm / 2 * DOTS] = (*colour, 255)
    drawing[np.hypot(x, y) <= (diameter_mm / 2 - 1.2) * DOTS, :3] -= 12
    return drawing


def coin_seen(diameter_mm: float, rotation: np.ndarray, translation_mm: np.ndarray, **kwargs) -> Scene:
    """A coin with a side wall of 1.5 mm, darker than its face; the plane is that of its face."""
    return seen(
        disc_drawing(diameter_mm),
        rotation,
        translation_mm,
        wall_mm=1.5,
        wall=disc_drawing(diameter_mm, (118, 120, 124)),
        **kwargs,
    )
