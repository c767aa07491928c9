"""Mouths in which the ground behind the piece may be seen: a question to the person, never a finding.

Where a hole goes through the wall, a part of its floor is not metal but what lies behind: it has the colour of the table, in whatever
shade, and a sharp edge against the rest of the mouth. Colour without shade is ln(red/green), ln(blue/green) of linear light; how much
commoner a colour is on the table than on the piece is told by smoothed histograms of both, from the same photo (a likelihood ratio).

The levels were chosen on 46 rendered pictures (``d``, ``e``, even ``h``, true outlines: 5 of 7 asked were holes, of 62). On 74 others
(``c``, ``cw``, odd ``h``) 9 of 15 asked were holes, of 49 that can be seen from outside; 5 pictures asked of a pit that was none.
"""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
from scipy import ndimage as ndi

from analyzer.base.colour import linear

SAMPLED_EVERY = 4  # pixels, for the histograms
BINS, LOWEST, HIGHEST = 48, -2.0, 2.0  # of both logarithms
SMOOTHED = 1.2  # bins
RARE = 1e-4  # added to a share, so that a colour that was not met is no proof
LEAST_GROUND_PX = 200  # sampled pixels of table without which nothing is said
LEAST_MOUTH_PX, LEAST_PART_PX = 80, 15
LEAST_PART = 0.04  # of the mouth
LIKELIER = 3.0  # ln of the ratio from which a pixel may be ground
LEAST_STEP = 0.35  # of ln brightness, between the part and the rest of the mouth round it
DARKEST = 0.004  # linear light below which no colour is told


def may_be_seen_through(
    rgb: np.ndarray, labels: np.ndarray, numbers: Iterable[int], ground: np.ndarray, piece: np.ndarray
) -> tuple[int, ...]:
    """Which of the mouths ``numbers`` of ``labels`` (H, W) may show what lies behind the piece.

    ``rgb`` (H, W, 3) uint8 sRGB; ``ground`` and ``piece`` (H, W) bool: where the table and the piece surely are.
    """
    every = np.s_[::SAMPLED_EVERY, ::SAMPLED_EVERY]
    sampled = cv2.blur(rgb, (3, 3))[every]
    table, metal = ground[every], piece[every]
    if table.sum() < LEAST_GROUND_PX or metal.sum() < LEAST_GROUND_PX:
        return ()
    colours = _unshaded(sampled)
    ratio = _commonness(colours[table]) - _commonness(colours[metal])
    wanted = set(numbers)
    asked = []
    for number, box in enumerate(ndi.find_objects(labels), start=1):
        if number not in wanted or box is None:
            continue
        around = tuple(slice(max(side.start - 4, 0), side.stop + 4) for side in box)
        mouth = labels[around] == number
        if mouth.sum() < LEAST_MOUTH_PX:
            continue
        near = cv2.GaussianBlur(np.ascontiguousarray(rgb[around]), (0, 0), 0.8)
        light = linear(near).mean(axis=-1)
        inner = cv2.erode(mouth.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        likely = (_read(ratio, _unshaded(near)) > LIKELIER) & inner & (light > DARKEST)
        count, parts, boxes, _ = cv2.connectedComponentsWithStats(likely.astype(np.uint8))
        if count < 2:
            continue
        largest = 1 + int(np.argmax(boxes[1:, cv2.CC_STAT_AREA]))
        part = parts == largest
        if part.sum() < max(LEAST_PART_PX, LEAST_PART * mouth.sum()):
            continue
        grown = [cv2.dilate(part.astype(np.uint8), np.ones((size, size), np.uint8)) > 0 for size in (3, 7)]
        rest = grown[1] & ~grown[0] & mouth
        if (
            rest.sum() > 5
            and abs(np.log(light[part] + DARKEST).mean() - np.log(light[rest] + DARKEST).mean()) > LEAST_STEP
        ):
            asked.append(number)
    return tuple(asked)


def _unshaded(rgb: np.ndarray) -> np.ndarray:
    """(..., 2) float32: ln of red and of blue by green, in linear light."""
    light = linear(rgb) + DARKEST
    return np.stack([np.log(light[..., 0] / light[..., 1]), np.log(light[..., 2] / light[..., 1])], axis=-1)


def _places(colours: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    place = np.clip((colours - LOWEST) / (HIGHEST - LOWEST) * BINS, 0, BINS - 1).astype(int)
    return place[..., 0], place[..., 1]


def _commonness(colours: np.ndarray) -> np.ndarray:
    """(BINS, BINS): ln of each colour's share among ``colours`` (n, 2)."""
    counts: np.ndarray = np.zeros((BINS, BINS), np.float32)
    np.add.at(counts, _places(colours), 1)
    counts = cv2.GaussianBlur(counts, (0, 0), SMOOTHED)
    return np.log(counts / counts.sum() + RARE)


def _read(table: np.ndarray, colours: np.ndarray) -> np.ndarray:
    return table[_places(colours)]
