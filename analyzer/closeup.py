"""Pits on metal seen without a scale, found by the picture's own contrast: nothing here was trained.

Drawn, ground, rolled or worn metal has a lay: its streaks, grooves, ridges, reflections and shadows run one way, so near any
point the brightness changes along one direction only. A pit breaks the lay: at its rim and on its floor the brightness changes
in every direction, and it is darker than the metal before and behind it on the same streak. Both are measured without a length
or a colour:

- *breaks*: the smaller eigenvalue of the structure tensor of log brightness (Shi and Tomasi 1994: zero where all change runs one
  way), in units of its spread over the metal of the same picture;
- *darkness*: the least rise over line closings in all directions (Soille, Morphological Image Analysis, ch. 8): zero along
  anything that runs on in at least one direction, the depth of the shade where the metal is brighter on all sides.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy import ndimage as ndi

SETTINGS_VERSION = "contrast-1"

WORKING_SIDE_PX = 1000  # shorter side that the search works at; larger pictures are reduced first
INTEGRATION_PX = (2.5, 5.0, 10.0)  # windows over which a break of the lay is gathered
SURE_BREAK = 5.0  # spreads above the picture's metal: a pit starts here
POSSIBLE_BREAK = 2.7  # and reaches down to here
LEAST_DARKNESS = 0.04  # mean shade of a pit against its surroundings, natural log
LINE_SHARE = 0.5  # longest dark mark that counts as a spot, as a share of the shorter side


def pit_regions(
    rgb: np.ndarray, metal: np.ndarray, *, pixel_mm: float | None = None, likelihood: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Outline the pits: (labels, score).

    ``rgb`` is (h, w, 3) uint8, ``metal`` (h, w) bool. ``labels`` is (h, w) int32 with the mouths 1..n (0 is no pit), ``score`` is
    (n,) float: how many spreads of the picture's own metal the strongest break of the lay stands out; larger is surer.
    """
    h, w = metal.shape
    none = np.zeros((h, w), np.int32), np.zeros(0)
    if metal.sum() < 64:
        return none
    reduce = max(1.0, min(h, w) / WORKING_SIDE_PX)
    size = max(8, round(w / reduce)), max(8, round(h / reduce))
    small = rgb if reduce == 1 else cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    on = metal if reduce == 1 else cv2.resize(metal.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    if not on.any():
        return none
    shade = cv2.GaussianBlur(_log_brightness(small, on), (0, 0), 1.0)
    region = np.zeros(on.shape, bool)
    strongest = np.zeros(on.shape, np.float32)
    for integration in INTEGRATION_PX:
        z = _breaks(shade, on, integration)
        r = round(0.9 * integration)
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
        region |= cv2.erode((z > POSSIBLE_BREAK).astype(np.uint8), disc) > 0
        np.maximum(strongest, z, out=strongest)
    region &= on
    region = ndi.binary_fill_holes(ndi.binary_closing(region, iterations=2)) & on
    parts, n = ndi.label(region, np.ones((3, 3)))
    if n == 0:
        return none
    index = np.arange(1, n + 1)
    score = ndi.maximum(strongest, parts, index)
    dark = ndi.mean(_darkness(shade, LINE_SHARE * min(on.shape)), parts, index)
    keep = (score > SURE_BREAK) & (dark > LEAST_DARKNESS)
    new = np.zeros(n + 1, np.int32)
    new[1:][keep] = np.arange(1, keep.sum() + 1)
    labels = new[parts]
    if reduce != 1:
        labels = cv2.resize(labels.astype(np.float32), (w, h), interpolation=cv2.INTER_NEAREST).astype(np.int32)
    labels[~metal] = 0
    return labels, score[keep]


def _log_brightness(rgb: np.ndarray, metal: np.ndarray) -> np.ndarray:
    """Natural log of brightness, (h, w) float32: a difference is a ratio of light. Off the metal the nearest metal goes on."""
    grey = rgb.astype(np.float32) @ np.float32([0.299, 0.587, 0.114])
    shade = np.log((grey + 8) / 263)  # 8 of 255 keeps the sensor's noise in the dark from looking like contrast
    if not metal.all():
        near = ndi.distance_transform_edt(~metal, return_distances=False, return_indices=True)
        shade = shade[tuple(near)]
    return shade


def _breaks(shade: np.ndarray, metal: np.ndarray, integration: float) -> np.ndarray:
    """How far the breaks of the lay stand out of the picture's metal, in spreads of the quieter side, (h, w) float32."""
    gx = cv2.Scharr(shade, cv2.CV_32F, 1, 0, scale=1 / 32)
    gy = cv2.Scharr(shade, cv2.CV_32F, 0, 1, scale=1 / 32)
    xx, yy, xy = (cv2.GaussianBlur(a, (0, 0), integration) for a in (gx * gx, gy * gy, gx * gy))
    least = (xx + yy) / 2 - np.sqrt(((xx - yy) / 2) ** 2 + xy * xy)
    texture = 0.5 * np.log(np.maximum(least, 0) + 1e-7)
    middle = np.median(texture[metal])
    spread = max(middle - np.percentile(texture[metal], 15.87), 0.15)
    h, w = texture.shape
    k = max(1, min(h, w) // 32)
    coarse = cv2.resize(np.where(metal, texture, middle), (w // k, h // k), interpolation=cv2.INTER_AREA)
    coarse[coarse > middle + 2.5 * spread] = middle  # a pit must not raise the level it is measured against
    ground = np.clip(cv2.GaussianBlur(coarse, (0, 0), min(coarse.shape) / 8), middle - 0.7, middle + 0.7)
    return (texture - cv2.resize(ground, (w, h))) / spread


def _darkness(shade: np.ndarray, length: float) -> np.ndarray:
    """Least rise over line closings in twelve directions: shade against brighter metal on all sides, (h, w) float32."""
    lowest = None
    for step in range(12):
        closed = cv2.morphologyEx(shade, cv2.MORPH_CLOSE, _line(length, np.pi * step / 12))
        lowest = closed if lowest is None else np.minimum(lowest, closed)
    return lowest - shade


def _line(length: float, angle: float) -> np.ndarray:
    n = int(length) | 1
    c = n // 2
    dx, dy = round(np.cos(angle) * c), round(np.sin(angle) * c)
    kernel = np.zeros((n, n), np.uint8)
    cv2.line(kernel, (c - dx, c - dy), (c + dx, c + dy), 1)
    return kernel
