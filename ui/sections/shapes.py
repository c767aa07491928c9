"""The piece's part of the photo and what is drawn on it, in the pixels of the picture that is sent to the browser."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import cv2

from analyzer.result.examination import Examination
from analyzer.show import drawing
from ui import looking

LONGEST_PX = 3200  # of the picture that is sent to the browser, once
LEAST_HEIGHT = 0.5  # of the width: a thin pipe is shown with what lies beside it
KEPT_JPEGS = 8
_JPEGS: dict[tuple[Any, ...], bytes] = {}  # of what was shown last, by photo and part: a correction changes no pixel
looking.FORGETS.append(_JPEGS.clear)
LEGEND = {
    "pit": "pit",
    "unsure": "doubtful pit",
    "added": "pit added by hand",
    "mound": "mound",
    "contact_mark": "contact mark",
    "water_line": "water line",
    "overall_stain": "stain all over",
    "other": "other mark",
    "outline": "metal looked at",
    "edge": "edge of the wall",
    "thinnest": "thinnest place",
}


def window(examination: Examination, *, whole: bool = False) -> tuple[int, int, int, int, float]:
    """The piece's part of the photo (``whole``: all of it), small enough to send once: left, top, width, height, enlargement."""
    left, top, right, bottom = _part(examination, whole)
    enlarge = min(1.0, LONGEST_PX / max(right - left, bottom - top))
    return left, top, max(1, round((right - left) * enlarge)), max(1, round((bottom - top) * enlarge)), enlarge


def picture(examination: Examination, *, whole: bool = False) -> tuple[int, int, int, int, float, bytes]:
    """The window and its JPEG."""
    left, top, width, height, enlarge = window(examination, whole=whole)
    right, bottom = _part(examination, whole)[2:]
    key = (examination.photo.sha256, left, top, right, bottom, width)
    if key not in _JPEGS:
        part = cv2.resize(examination.photo.rgb[top:bottom, left:right], (width, height), interpolation=cv2.INTER_AREA)
        _JPEGS[key] = drawing.jpeg(part)
        while len(_JPEGS) > KEPT_JPEGS:
            _JPEGS.pop(next(iter(_JPEGS)), None)
    return left, top, width, height, enlarge, _JPEGS[key]


def _part(examination: Examination, whole: bool) -> tuple[int, int, int, int]:
    photo = examination.photo
    if whole:
        return 0, 0, photo.width_px, photo.height_px
    left, top, right, bottom = drawing.window(photo, examination.surface)
    more = round((LEAST_HEIGHT * (right - left) - (bottom - top)) / 2)
    if more > 0:
        top, bottom = max(0, top - more), min(photo.height_px, bottom + more)
    return left, top, right, bottom


def shapes(examination: Examination, left: int, top: int, enlarge: float) -> list[dict[str, Any]]:
    if examination.surface.view == "end":
        return _ring(examination, left, top, enlarge)
    added = {pit.id for pit in examination.corrected.added_pits} if examination.corrected else set()
    drawn: list[dict[str, Any]] = [
        {"kind": "outline", "points": _scaled(examination.standing_surface.outline_px, left, top, enlarge)}
    ]
    for kind, outline in drawing.band_outlines(examination.standing_bands):
        drawn.append({"kind": f"band {kind}", "points": _scaled(outline, left, top, enlarge)})
    doubtful = {pit.id for pit in examination.standing_pits.pits if pit.confidence < drawing.SURE_FROM}
    for number, outline in drawing.pit_outlines(examination.standing_pits).items():
        kind = "added" if number in added else "pit unsure" if number in doubtful else "pit"
        drawn.append({"kind": kind, "id": number, "points": _scaled(outline, left, top, enlarge)})
    for mound in examination.standing_pits.mounds:
        drawn.append({"kind": "mound", "id": mound.id, "points": _scaled(drawing.triangle(mound), left, top, enlarge)})
    return drawn


def _ring(examination: Examination, left: int, top: int, enlarge: float) -> list[dict[str, Any]]:
    """Both edges of the wall and a line across its thinnest place."""
    ring = examination.standing_ring
    if ring is None:
        return []
    drawn: list[dict[str, Any]] = [
        {"kind": "edge", "points": _scaled(edge, left, top, enlarge)} for edge in drawing.ring_edges(ring)
    ]
    for end in drawing.thinnest_arrows(ring):
        drawn.append({"kind": "thinnest", "points": _scaled(end, left, top, enlarge)})
    return drawn


def _scaled(points: Iterable[Any], left: int, top: int, enlarge: float) -> list[list[float]]:
    return [
        [round(float((x - left + 0.5) * enlarge), 1), round(float((y - top + 0.5) * enlarge), 1)] for x, y in points
    ]
