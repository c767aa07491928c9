"""Where the picture itself has the piece's edges: mean colour profiles across stretches of a curve already near them.

A pit or a stain changes the profile at one point, an edge changes it all along the stretch: the mean over a stretch keeps
only the edge.
"""

from __future__ import annotations

import cv2
import numpy as np

from analyzer.base.colour import cielab_of_srgb

# The factor: judgement while the room was built; which pictures served was not recorded.
LEAST_RISE = 2.2  # an edge stands out from the profile's other changes by this factor at least


def laid_for_edges(
    rgb: np.ndarray, window: tuple[int, int, int, int], step: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """A window (x0, y0, x1, y1) of the photo in CIELAB (float32), reduced so that a pixel is about ``step`` photo pixels.

    Returns (picture, first pixel's place in the photo (2,), photo pixels per pixel).
    """
    x0, y0, x1, y1 = window
    part = rgb[y0:y1, x0:x1]
    times = max(1.0, step)
    size = (max(8, round(part.shape[1] / times)), max(8, round(part.shape[0] / times)))
    if times > 1:
        part = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    per = (x1 - x0) / part.shape[1]
    lab = cielab_of_srgb(part)
    return lab, np.array([x0, y0]) + (per - 1) / 2, per


def normals_of(pixels: np.ndarray, middle: np.ndarray) -> np.ndarray:
    """(N, 2) unit normals of a curve (N, 2) that point away from ``middle``."""
    tangent = np.gradient(pixels, axis=0)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], 1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-12
    if np.sum((pixels - middle) * normal) < 0:
        normal = -normal
    return normal


def edge_offsets(
    picture: np.ndarray,
    origin: np.ndarray,
    per: float,
    pixels: np.ndarray,
    normals: np.ndarray,
    stretches: list[np.ndarray],
    *,
    reach: float,
    band: float,
    trusts: list[float],
    seconds: list[tuple[float, float] | None],
) -> list[tuple[float, float] | None]:
    """For each stretch (indices into ``pixels``) how far outwards the edge lies, in photo pixels: (offset, rise) or None.

    ``reach``: how far to look on either side; ``band``: over which width the colours on both sides are taken; ``trusts``:
    for each stretch the spread of the distances at which its edge is expected. ``seconds``: for a stretch whose edge is followed outwards by
    another one (a sawn rim's outer edge), the distances (least, most) between the two: the first of the pair is meant.
    All in photo pixels.
    """
    grain = max(1.0, per)
    wide = max(
        reach + max([0.0, *(pair[1] for pair in seconds if pair)]), 6 * band
    )  # what the profile's other changes are is read from here
    t = np.arange(-wide - band, wide + band + grain, grain)
    places = ((pixels[:, None, :] + t[None, :, None] * normals[:, None, :]) - origin) / per
    height, width = picture.shape[:2]
    within = (
        (places[..., 0] >= 0) & (places[..., 1] >= 0) & (places[..., 0] <= width - 1) & (places[..., 1] <= height - 1)
    )
    profile = cv2.remap(
        picture,
        places[..., 0].astype(np.float32),
        places[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    half = max(1, round(band / grain))
    found: list[tuple[float, float] | None] = []
    for stretch, trust, second in zip(stretches, trusts, seconds):
        if len(stretch) < 5 or within[stretch].mean() < 0.95:
            found.append(None)
            continue
        mean = profile[stretch].mean(0)  # (T, 3)
        run = np.concatenate([np.zeros((1, 3)), np.cumsum(mean, axis=0)])
        at = np.arange(half, len(t) - half)
        # the edge lies between sample at - 1 and sample at
        inner = (run[at] - run[at - half]) / half
        outer = (run[at + half] - run[at]) / half
        rise = np.linalg.norm(outer - inner, axis=1)
        offset = t[at] - grain / 2
        usual = float(np.median(rise)) + 0.5
        summed = rise
        if second is not None:
            low, high = max(1, round(second[0] / grain)), max(1, round(second[1] / grain))
            ahead = [np.concatenate([rise[k:], np.zeros(k)]) for k in range(low, high + 1)]
            # the weaker of the two counts as much: one strong edge alone is no pair
            summed = np.sqrt(rise * np.max(ahead, axis=0)) + 0.2 * rise
        near = np.abs(offset) <= reach
        rise, offset, summed = rise[near], offset[near], summed[near]
        weighed = summed * np.exp(-0.5 * (offset / trust) ** 2)
        best = int(np.argmax(weighed))
        if best in (0, len(rise) - 1) or rise[best] < LEAST_RISE * usual:
            found.append(None)
            continue
        # climb to the summit of the rise itself, then between its samples
        while 0 < best < len(rise) - 1 and max(rise[best - 1], rise[best + 1]) > rise[best]:
            best += 1 if rise[best + 1] > rise[best - 1] else -1
        if best in (0, len(rise) - 1):
            found.append(None)
            continue
        low, peak, high = rise[best - 1], rise[best], rise[best + 1]
        bend = low - 2 * peak + high
        shift = 0.5 * (low - high) / bend if bend < 0 else 0.0
        found.append((float(offset[best] + shift * grain), float(peak / usual)))
    return found
