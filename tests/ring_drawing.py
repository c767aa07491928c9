"""Cut rings drawn with exact truth: anti-aliased, blurred, with saw marks, noise, deposit and glare."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from analyzer.photo.reading import CameraFacts, Photo

OUTSIDE_DIAMETER_MM = 15.875  # ASTM B88, 1/2 in


@dataclass(frozen=True, kw_only=True)
class Drawn:
    photo: Photo
    mm_per_px: float
    wall_mm: np.ndarray  # (360,) at image angles -180 .. 179
    centre_px: tuple[float, float]


def wall_with_pits(
    base_mm: float, pits: list[tuple[float, float, float]], waviness_mm: float = 0.0, phase: float = 0.0
) -> np.ndarray:
    """(7200,) wall by twentieth of a degree from -180: ``pits`` are (image angle, depth mm, full width degrees)."""
    angle = np.arange(-180, 180, 0.05)
    wall = base_mm + waviness_mm * np.cos(np.radians(2 * angle + phase))
    for place, depth, width in pits:
        away = np.abs((angle - place + 180) % 360 - 180) / (width / 2)
        wall = np.minimum(wall, base_mm - depth * np.sqrt(np.clip(1 - away**2, 0, 1)))
    return np.maximum(wall, 0.0)


def draw(
    wall: np.ndarray, *, radius_px: float = 120.0, seed: int = 0, blur_px: float = 1.0, noise: float = 2.5, rim: tuple[float, float, float] = (0.42, 0.24, 0.19),
    bore: tuple[float, float, float] = (0.03, 0.018, 0.012), table: tuple[float, float, float] = (0.16, 0.17, 0.19), saw: float = 0.15, light_deg: float = 30.0,
    gain: float = 1.0, squash: float = 0.0, deposit_deg: tuple[float, float] | None = None, outside_loss: tuple[float, float, float] | None = None,
    through_table: bool = False,
) -> Drawn:  # fmt: skip
    """Draw a ring of 1/2 in tube; colours in linear light, ``wall`` as ``wall_with_pits`` gives it.

    ``squash``: ovality as a share of the radius; ``outside_loss``: (image angle, depth mm, width degrees) taken from outside;
    ``through_table``: the table shows through the bore, as on a short ring.
    """
    rng = np.random.default_rng(seed)
    side, over = int(3.2 * radius_px), 3
    centre = (side / 2 + rng.uniform(-8, 8), side / 2 + rng.uniform(-8, 8))
    mm = OUTSIDE_DIAMETER_MM / (2 * radius_px)
    grid = (np.arange(side * over) + 0.5) / over - 0.5
    dx, dy = grid[None, :] - centre[0], centre[1] - grid[:, None]
    angle = np.degrees(np.arctan2(dy, dx))
    distance = np.hypot(dx, dy)
    outer = radius_px * (1 + squash * np.cos(np.radians(2 * angle)))
    index = ((angle + 180) * 20).astype(int) % 7200
    lost = np.zeros(7200)
    if outside_loss is not None:
        place, depth, width = outside_loss
        away = np.abs((np.arange(-180, 180, 0.05) - place + 180) % 360 - 180) / (width / 2)
        lost = depth * np.sqrt(np.clip(1 - away**2, 0, 1))
    edge = outer - lost[index] / mm
    inner = outer - wall[index] / mm
    metal = (distance <= edge) & (distance >= inner)
    in_bore = distance < np.minimum(inner, edge)
    streaks = 1 + saw * np.repeat(rng.normal(0, 1, 900), 8)[index]
    lamp = 1 + 0.25 * np.cos(np.radians(angle - light_deg))
    picture = np.empty((side * over, side * over, 3), np.float32)
    for c in range(3):
        back = np.float32(table[c] * (0.7 if through_table else 1.0))
        floor = np.where(distance < 0.75 * radius_px, back, bore[c]) if through_table else bore[c]
        if deposit_deg is not None:
            green = (0.06, 0.22, 0.17)[c]
            in_deposit = (angle > deposit_deg[0]) & (angle < deposit_deg[1]) & (distance > inner - 0.2 / mm)
            floor = np.where(in_deposit, green, floor)
        picture[..., c] = np.where(metal, rim[c] * streaks * lamp * gain, np.where(in_bore, floor, table[c]))
    picture = cv2.resize(picture, (side, side), interpolation=cv2.INTER_AREA)
    weave = cv2.GaussianBlur(rng.normal(0, 1, (side, side)), (0, 0), 2.0)
    picture = np.clip(cv2.GaussianBlur(picture, (0, 0), blur_px), 0, 1)
    coded = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * picture ** (1 / 2.4) - 0.055) * 255
    coded = coded + rng.normal(0, noise, coded.shape) + (1.5 * weave / weave.std())[..., None]
    rgb = np.clip(np.round(coded), 0, 255).astype(np.uint8)
    rgb.setflags(write=False)
    degrees = (wall - lost).reshape(360, 20)[:, 0]
    photo = Photo(role="main", name="drawn", sha256="0" * 64, rgb=rgb, camera=CameraFacts())
    return Drawn(photo=photo, mm_per_px=mm, wall_mm=np.maximum(degrees, 0.0), centre_px=centre)
