"""Does the outline of the piece lie on edges of the picture, or do colour and brightness go on across it?"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import uniform_filter1d

LONGEST_PX = 700  # of the reduced photo on which all below is counted
BESIDE_PX = 5  # how far inside and outside colours are taken
MAY_BE_OFF_PX = 5  # the network's outline lies this close to the edge
ALONG_PX = 21  # stretch over which colours are averaged
LEAST_STEP = 5.0  # CIELAB difference that is an edge
SHORTEST_PX = 40  # of an outline, and of the part of it within the picture
# On 15 d, e and h true outlines lie on edges over .98 to 1 of their length, those of made-up parts of the same pieces over .28 to .87,
# of pieces cut in half over .68 to .99, and outlines drawn a fortieth of the picture too large over 0 to .32.
LEAST_ON_EDGES = 0.92


def share_on_edges(rgb: np.ndarray, piece: np.ndarray) -> float | None:
    """Share of the outline's length, the picture's own border left out, across which the colour changes.

    ``rgb`` (h, w, 3) uint8, ``piece`` (h, w) bool. None where too little of an outline lies within the picture to say.
    """
    shrink = min(1.0, LONGEST_PX / max(piece.shape))
    small = cv2.resize(rgb, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else rgb
    height, width = small.shape[:2]
    mask = cv2.resize(piece.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours or len(outline := max(contours, key=cv2.contourArea)[:, 0].astype(np.float64)) < SHORTEST_PX:
        return None
    smooth = uniform_filter1d(outline, 17, axis=0, mode="wrap")
    along = np.roll(smooth, -4, axis=0) - np.roll(smooth, 4, axis=0)
    across = np.stack([along[:, 1], -along[:, 0]], 1) / (np.linalg.norm(along, axis=1, keepdims=True) + 1e-9)
    reach = BESIDE_PX + MAY_BE_OFF_PX + 2
    within = np.all((outline > reach) & (outline < np.array([width, height]) - 1 - reach), axis=1)
    if np.count_nonzero(within) < SHORTEST_PX:
        return None
    lab = cv2.cvtColor(cv2.GaussianBlur(small, (0, 0), 1.0).astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    steps = np.arange(-reach, reach + 1)
    places = (outline[None] + steps[:, None, None] * across[None]).astype(np.float32)
    colours = cv2.remap(lab, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    colours = uniform_filter1d(colours, ALONG_PX, axis=1, mode="wrap")
    changes = []
    for off in range(-MAY_BE_OFF_PX, MAY_BE_OFF_PX + 1):
        middle = reach + off
        outer = colours[middle + 2 : middle + 2 + BESIDE_PX].mean(axis=0)
        inner = colours[max(0, middle - 1 - BESIDE_PX) : middle - 1].mean(axis=0)
        changes.append(np.linalg.norm(outer - inner, axis=-1))
    return float((np.max(changes, axis=0)[within] > LEAST_STEP).mean())
