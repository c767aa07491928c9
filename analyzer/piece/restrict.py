"""One way to leave metal out: what stays to be examined, and the operation that every result of looking has.

A person draws outlines on the photo; ``keep`` turns them into the metal that is left. Each result of looking (surface, ring,
pits with their mounds, bands with their colours, relief with its light holes) has a method ``restricted`` that gives the same
result of that metal alone: what lies wholly outside is gone, what reaches across is measured anew on what is left.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from analyzer.base.flags import InputError
from analyzer.piece.surface import Surface

LEAST_METAL_PX, LEAST_SIDE_PX = 100, 10  # less than this left is no piece to examine: a judgement, no source

Points = tuple[tuple[float, float], ...]  # x, y in the upright photo


@dataclass(frozen=True, kw_only=True)
class Kept:
    """The metal that is left to be examined."""

    origin_px: tuple[int, int]  # x, y of the window's first pixel in the upright photo
    allowed: np.ndarray  # (h, w) bool over the surface's window: where outlines leave metal in, metal or not
    surface: Surface  # what is left of the surface
    share: float  # of the seen metal's area, 0..1

    @property
    def everything(self) -> bool:
        """Whether no metal is left out."""
        return self.share == 1.0

    def holds(self, x_px: float, y_px: float) -> bool:
        """Whether a place of the upright photo is left in; a place beyond the window counts as the nearest one in it."""
        row, column = round(y_px) - self.origin_px[1], round(x_px) - self.origin_px[0]
        height, width = self.allowed.shape
        return bool(self.allowed[min(max(row, 0), height - 1), min(max(column, 0), width - 1)])


def keep(surface: Surface, outlines: Iterable[tuple[str, Points]]) -> Kept:
    """What outlines leave of the metal: ``examine_only`` keeps the inside of its polygon, ``leave_out`` the outside; all hold together.

    Raises InputError where hardly any metal is left to examine.
    """
    allowed = np.ones(surface.metal.shape, bool)
    for kind, points in outlines:
        outline = np.zeros(allowed.shape, np.uint8)
        cv2.fillPoly(outline, [np.round(np.array(points) - surface.origin_px).astype(np.int32)], 1)
        allowed &= (outline > 0) if kind == "examine_only" else (outline == 0)
    metal = surface.metal & allowed
    if np.array_equal(metal, surface.metal):
        return Kept(origin_px=surface.origin_px, allowed=allowed, surface=surface, share=1.0)
    rows, columns = np.nonzero(surface.examined & allowed)
    if len(rows) < LEAST_METAL_PX or min(np.ptp(rows), np.ptp(columns)) + 1 < LEAST_SIDE_PX:
        raise InputError(
            f"Hardly any metal is left to examine ({len(rows)} pixels) inside the outlines; draw them so that a piece of at "
            f"least {LEAST_SIDE_PX} by {LEAST_SIDE_PX} pixels is left."
        )
    share = float(surface.area_per_px[metal].sum() / surface.area_per_px[surface.metal].sum())
    return Kept(origin_px=surface.origin_px, allowed=allowed, surface=surface.restricted(metal), share=share)
