"""Sub-pixel edges along short scans of a picture, in linear light."""

from __future__ import annotations

import cv2
import numpy as np

from analyzer.base.colour import LINEAR, LUMINANCE


def linear_crop(rgb: np.ndarray, x: float, y: float, width: float, height: float) -> tuple[np.ndarray, tuple[int, int]]:
    """(h, w, 3) float32 linear light of the part of the picture in that box, and the place (x, y) of its first pixel."""
    rows, columns = rgb.shape[:2]
    x0, y0 = max(int(np.floor(x)), 0), max(int(np.floor(y)), 0)
    x1, y1 = min(int(np.ceil(x + width)) + 1, columns), min(int(np.ceil(y + height)) + 1, rows)
    x1, y1 = max(x1, x0 + 1), max(y1, y0 + 1)
    return LINEAR[rgb[y0:y1, x0:x1]], (x0, y0)


def luminance_crop(
    rgb: np.ndarray, x: float, y: float, width: float, height: float
) -> tuple[np.ndarray, tuple[int, int]]:
    """As ``linear_crop``, (h, w) luminance: an edge under blur keeps its place at half height only in linear light."""
    crop, origin = linear_crop(rgb, x, y, width, height)
    return crop @ LUMINANCE, origin


def green_crop(rgb: np.ndarray, x: float, y: float, width: float, height: float) -> tuple[np.ndarray, tuple[int, int]]:
    """As ``luminance_crop`` by the green channel alone: most of the luminance at a quarter of the work."""
    rows, columns = rgb.shape[:2]
    x0, y0 = max(int(np.floor(x)), 0), max(int(np.floor(y)), 0)
    x1, y1 = min(int(np.ceil(x + width)) + 1, columns), min(int(np.ceil(y + height)) + 1, rows)
    x1, y1 = max(x1, x0 + 1), max(y1, y0 + 1)
    return LINEAR[rgb[y0:y1, x0:x1, 1]], (x0, y0)


def scan(image: np.ndarray, points: np.ndarray, directions: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """Values (N, M) of a float32 image at ``points`` (N, 2) + ``offsets`` (M,) along ``directions`` (N, 2); NaN outside."""
    places = points[:, None, :] + offsets[None, :, None] * directions[:, None, :]
    places = places.astype(np.float32)
    return cv2.remap(
        image,
        np.ascontiguousarray(places[..., 0]),
        np.ascontiguousarray(places[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )


def half_height_edges(profiles: np.ndarray, offsets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where each profile (dark at the start, bright at the end) crosses half height: (place, contrast), NaN where it does not.

    The two levels are the medians of the outer quarters; of several crossings the one nearest to the middle counts.
    """
    quarter = max(len(offsets) // 4, 2)
    dark = np.median(profiles[:, :quarter], axis=1)
    bright = np.median(profiles[:, -quarter:], axis=1)
    level = (dark + bright) / 2
    contrast = bright - dark
    below = profiles < level[:, None]
    crossing = below[:, :-1] & ~below[:, 1:]
    middle = np.abs((offsets[:-1] + offsets[1:]) / 2)
    cost = np.where(crossing, middle[None, :], np.inf)
    best = np.argmin(cost, axis=1)
    rows = np.arange(len(profiles))
    found = np.isfinite(cost[rows, best]) & np.isfinite(contrast) & (contrast > 0)
    low, high = profiles[rows, best], profiles[rows, best + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (level - low) / (high - low)
    place = offsets[best] + share * (offsets[best + 1] - offsets[best])
    return np.where(found, place, np.nan), np.where(found, contrast, np.nan)


def fit_line(points: np.ndarray, *, rounds: int = 4) -> tuple[np.ndarray, np.ndarray, float, np.ndarray] | None:
    """Line through points (N, 2), outliers left out: (centre, direction, rms across, kept); None with fewer than 4 left."""
    kept = np.all(np.isfinite(points), axis=1)
    centre = direction = np.full(2, np.nan)
    rms = 0.0
    for _ in range(rounds):
        if np.count_nonzero(kept) < 4:
            return None
        centre = points[kept].mean(axis=0)
        direction = np.linalg.svd(points[kept] - centre, full_matrices=False)[2][0]
        across = (points - centre) @ np.array([-direction[1], direction[0]])
        spread = 1.4826 * np.median(np.abs(across[kept] - np.median(across[kept])))
        with np.errstate(invalid="ignore"):
            kept_now = np.abs(across) < max(3.0 * spread, 0.15)
        rms = float(np.sqrt(np.mean(across[kept] ** 2)))
        if np.array_equal(kept_now, kept):
            break
        kept = kept_now
    return centre, direction, rms, kept


def meet(line_a: tuple, line_b: tuple) -> np.ndarray:
    """Where two lines (centre, direction, ...) meet."""
    matrix = np.stack([line_a[1], -line_b[1]], axis=1)
    along = np.linalg.solve(matrix, line_b[0] - line_a[0])
    return line_a[0] + along[0] * line_a[1]
