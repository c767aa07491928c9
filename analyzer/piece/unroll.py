"""The metal laid flat: a picture of the photo in ``axial`` by ``around``."""

from __future__ import annotations

import cv2
import numpy as np

from analyzer.piece.surface import Surface


def unrolled(surface: Surface, image: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
    """The picture laid out flat: (map, seen), ``axial`` to the right, ``around`` downwards, ``step`` units a pixel.

    ``image`` is (H, W) or (H, W, 3) in the upright photo's frame; where nothing is seen the map is 0 and ``seen`` False.
    The map's first pixel is at the smallest ``axial`` and ``around`` seen.
    """
    if step <= 0:
        raise ValueError("step is a positive length")
    x0, y0 = surface.origin_px
    height, width = surface.metal.shape
    window = image[y0 : y0 + height, x0 : x0 + width]
    rows, columns = np.nonzero(surface.metal)
    if not len(rows):
        return np.zeros((1, 1, *image.shape[2:]), image.dtype), np.zeros((1, 1), bool)
    axial, around = surface.axial[rows, columns], surface.around[rows, columns]
    left, top = float(axial.min()), float(around.min())
    shape = (int((around.max() - top) / step) + 1, int((axial.max() - left) / step) + 1)
    # where each map pixel lies in the photo: means over the photo's pixels that fall into it, holes closed from their
    # neighbours
    place = ((around - top) / step).astype(np.int32) * shape[1] + ((axial - left) / step).astype(np.int32)
    count = np.bincount(place, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float32)
    sums = [
        np.bincount(place, weights=v, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float32)
        for v in (columns, rows)
    ]
    seen = count > 0
    known = [np.where(seen, s / np.maximum(count, 1), 0).astype(np.float32) for s in sums]
    for reach in (3, 5, 9):
        weight = cv2.blur(seen.astype(np.float32), (reach, reach))
        grown = [cv2.blur(np.where(seen, k, 0), (reach, reach)) / np.maximum(weight, 1e-6) for k in known]
        # a map pixel without a photo pixel of its own counts as seen when most around it are
        fresh = ~seen & (weight > 0.45)
        known = [np.where(fresh, g, k) for g, k in zip(grown, known)]
        seen = seen | fresh
    laid = cv2.remap(window, known[0], known[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    laid[~seen] = 0
    return laid, seen
