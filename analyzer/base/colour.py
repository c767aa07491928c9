"""Colours of the photo as light and as the eye's distances: sRGB to linear light, luminance and CIELAB, stated once.

An edge under blur keeps its place at half height only in linear light.
"""

from __future__ import annotations

import cv2
import numpy as np

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # of linear sRGB, ITU-R BT.709


def _linear_levels() -> np.ndarray:
    level = np.arange(256) / 255.0
    levels = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4).astype(np.float32)
    levels.flags.writeable = False
    return levels


LINEAR = _linear_levels()  # linear light 0..1 of the 256 sRGB values, IEC 61966-2-1


def linear(rgb: np.ndarray) -> np.ndarray:
    """sRGB bytes (..., 3) to linear light 0..1, float32."""
    return LINEAR[rgb]


def luminance(rgb: np.ndarray) -> np.ndarray:
    """sRGB bytes (..., 3) to luminance 0..1 (...), linear in light, float32."""
    return LINEAR[rgb] @ LUMINANCE


def cielab(linear_rgb: np.ndarray) -> np.ndarray:
    """CIELAB (D65, 2 degree observer) of linear sRGB 0..1, any shape (..., 3); what is over 1 is clipped."""
    flat = np.clip(linear_rgb, 0, 1).astype(np.float32).reshape(1, -1, 3)
    return cv2.cvtColor(flat, cv2.COLOR_LRGB2LAB).reshape(linear_rgb.shape)


def cielab_of_srgb(rgb: np.ndarray) -> np.ndarray:
    """CIELAB (D65, 2 degree observer) of sRGB bytes (h, w, 3), float32."""
    return cv2.cvtColor(rgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
