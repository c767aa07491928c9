"""The outline mended by taps: a person points at metal, or at what is none, and the piece is cut out anew at once.

The method is GrabCut (Rother, Kolmogorov, Blake 2004, "GrabCut: interactive foreground extraction using iterated graph cuts"),
begun from what the door took for the piece and held by the taps, on the photo reduced so that it takes a fraction of a second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from analyzer.base.flags import InputError
from analyzer.door import specimen as look
from analyzer.door.specimen import COVERED, METAL, SIDE, TABLE, Specimen, graph_cut
from analyzer.photo.reading import Photo

# Judgements, no source.
# All in pixels of the reduced photo, SIDE x SIDE, or counted there.
HELD_PX = 6  # round a tap this much is what was said
PATCH_PX = 10  # round a tap this much is its colour
ROUNDS = 3  # of the graph cut
LIKE_THE_TAP = 0.5  # times nearer in colour to the tap than to the far half of what it was taken for
LIKE_THE_METAL = 0.75
GREW = 1.5  # a tap on missed metal that adds less than half of the piece asks for what has its colour as well
FEWEST_PX = 150
CONTRADICTS_PX = 3.0  # two taps nearer than this cannot say different things
ALIKE_SPREAD = 5.0  # least spread of a colour, levels of CIELAB in 8 bits


@dataclass(frozen=True, kw_only=True)
class Tap:
    """A place of the upright photo, and whether it is ``metal`` of the piece or no part of it."""

    x_px: float
    y_px: float
    metal: bool


def mended(photo: Photo, piece: np.ndarray, found: Specimen | None, taps: Sequence[Tap]) -> Specimen:
    """The piece cut out anew.

    ``piece`` (H, W) bool: what was taken for it so far; ``found``: the network's look, whose classes within the piece are kept (a sawn rim,
    tape). ``taps``, one or more, work in their order, each on what the one before left. Parts that a tap calls metal belong together;
    what lies between them counts as covered.
    Raises InputError where a tap lies off the photo, two contradict each other, or nothing is left of the piece.
    """
    span = float(max(photo.width_px, photo.height_px))
    left, top = (photo.width_px - span) / 2, (photo.height_px - span) / 2
    square, origin, step = look.window_of(photo.rgb, left, top, span)
    columns, rows = (np.arange(SIDE) * step + start for start in origin)
    inside = np.outer((rows >= 0) & (rows <= photo.height_px - 1), (columns >= 0) & (columns <= photo.width_px - 1))
    box = np.ix_(inside.any(axis=1), inside.any(axis=0))
    corner = np.argwhere(inside)[0][::-1]
    places = _placed(photo, taps, np.asarray(origin) + step * corner, step)
    small = cv2.resize(piece.astype(np.uint8), inside[box].shape[::-1], interpolation=cv2.INTER_AREA) > 0
    cut = np.zeros(inside.shape, bool)
    cut[box] = mask = _folded(np.ascontiguousarray(square[box]), small, places)
    if mask.sum() < FEWEST_PX:
        raise InputError("The taps leave nothing of the piece; take one back, or tap the middle of the metal.")
    hull = np.zeros(inside.shape, np.uint8)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.argwhere(cut)[:, ::-1].astype(np.int32)), 1)
    parts = cv2.connectedComponents(cut.astype(np.uint8), connectivity=8)[0] - 1
    shares = _classes(found, origin, step, cut)
    if parts > 1:
        between = (hull > 0) & ~cut
        shares[:, between] = 0
        shares[COVERED, between] = 1
    shares = np.stack([cv2.GaussianBlur(plane, (0, 0), 0.7) for plane in shares])
    if found is None:
        return Specimen(
            shares=shares, origin=origin, step=step, view_shares=None, source="taps", version="taps-1", far=shares
        )
    return replace(found, shares=shares, origin=origin, step=step, far=shares)


def _placed(photo: Photo, taps: Sequence[Tap], corner: np.ndarray, step: float) -> list[tuple[tuple[int, int], bool]]:
    """The taps as (column, row) of the reduced photo, with what each says."""
    for tap in taps:
        if not (0 <= tap.x_px < photo.width_px and 0 <= tap.y_px < photo.height_px):
            raise InputError(
                f"The tap at {tap.x_px:.0f}, {tap.y_px:.0f} lies off the photo, which has {photo.width_px} x {photo.height_px} pixels."
            )
    for number, tap in enumerate(taps):
        for other in taps[:number]:
            apart = np.hypot(tap.x_px - other.x_px, tap.y_px - other.y_px)
            if tap.metal != other.metal and apart < CONTRADICTS_PX * step:
                raise InputError(
                    f"Two taps at {tap.x_px:.0f}, {tap.y_px:.0f} say that it is metal and that it is not; take one of them back."
                )
    size = np.maximum(1, np.round(np.array([photo.width_px, photo.height_px]) / step)).astype(int)
    return [
        (tuple(np.clip(np.round((np.array([tap.x_px, tap.y_px]) - corner) / step).astype(int), 0, size - 2).tolist()), tap.metal)
        for tap in taps
    ]  # fmt: skip


def _folded(rgb: np.ndarray, piece: np.ndarray, taps: list[tuple[tuple[int, int], bool]]) -> np.ndarray:
    lab = cv2.cvtColor(cv2.GaussianBlur(rgb, (0, 0), 1.5), cv2.COLOR_RGB2LAB).astype(np.float32)
    for number, (place, metal) in enumerate(taps, 1):
        column, row = place
        so_far, wrong = taps[:number], bool(piece[row, column]) != metal
        if metal:
            new = _tidied(_cut(rgb, piece, so_far), so_far, piece)
            if wrong and new.sum() < GREW * piece.sum():
                more = _tidied(_cut(rgb, piece | _alike(lab, ~piece, place, LIKE_THE_METAL), so_far), so_far, piece)
                new = more if more.sum() > new.sum() else new
        else:
            kept = piece & ~_alike(lab, piece, place, LIKE_THE_TAP) if wrong else piece
            new = _tidied(_cut(rgb, kept, so_far), so_far, kept)
        piece = new
    return piece


def _alike(lab: np.ndarray, among: np.ndarray, place: tuple[int, int], nearer: float) -> np.ndarray:
    """Where colours among a mask are nearer to the tap's than to those of the half of the mask that is least like the tap."""
    patch = _disc(among.shape, place, PATCH_PX)
    distance = _colour_distance(lab, patch)
    rest = among & (distance > np.median(distance[among])) if among.any() else among
    if not rest.any():
        return np.zeros(among.shape, bool)
    return among & (distance < nearer * _colour_distance(lab, rest))


def _colour_distance(lab: np.ndarray, of: np.ndarray) -> np.ndarray:
    mean, spread = lab[of].mean(axis=0), lab[of].std(axis=0) + ALIKE_SPREAD
    return (((lab - mean) / spread) ** 2).sum(axis=-1)


def _disc(shape: tuple[int, ...], place: tuple[int, int], radius: int) -> np.ndarray:
    return cv2.circle(np.zeros(shape, np.uint8), place, radius, 1, -1) > 0


def _cut(rgb: np.ndarray, piece: np.ndarray, taps: list[tuple[tuple[int, int], bool]]) -> np.ndarray:
    marks = np.where(piece, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    for place, metal in taps:
        marks[_disc(marks.shape, place, HELD_PX)] = cv2.GC_FGD if metal else cv2.GC_BGD
    on = (marks == cv2.GC_FGD) | (marks == cv2.GC_PR_FGD)
    if on.all() or not on.any():  # nothing to part: all that was said agrees
        return on
    return graph_cut(rgb, marks, ROUNDS)


def _tidied(cut: np.ndarray, taps: list[tuple[tuple[int, int], bool]], before: np.ndarray) -> np.ndarray:
    """Without specks and holes: the parts that a tap calls metal and what is left of the piece ``before``, but no part whose middle
    a tap says is none."""
    mask = cv2.morphologyEx(cut.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8))
    for place, metal in taps:
        mask[_disc(mask.shape, place, HELD_PX // 2)] = metal
    _, labels = cv2.connectedComponents(mask, connectivity=8)
    kept = {int(labels[row, column]) for (column, row), metal in taps if metal}
    shared = np.bincount(labels[before], minlength=labels.max() + 1)
    shared[0] = 0
    left = int(np.argmax(shared))
    spoken_off = any(not metal and _filled(labels == left)[row, column] for (column, row), metal in taps)
    if shared[left] and not (spoken_off and kept):
        kept.add(left)
    part = np.isin(labels, sorted(kept - {0})).astype(np.uint8)
    filled = _filled(part > 0).astype(np.uint8)
    for place, metal in taps:  # a hole that a person pointed at stays one
        if not metal and not part[place[1], place[0]]:
            _, holes = cv2.connectedComponents(((filled > 0) & (part == 0)).astype(np.uint8), connectivity=4)
            filled[(holes == holes[place[1], place[0]]) & (holes > 0)] = 0
    return filled > 0


def _filled(part: np.ndarray) -> np.ndarray:
    contours, _ = cv2.findContours(part.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.drawContours(np.zeros(part.shape, np.uint8), contours, -1, 1, -1) > 0


def _classes(found: Specimen | None, origin: tuple[float, float], step: float, cut: np.ndarray) -> np.ndarray:
    """(6, SIDE, SIDE): within the piece the network's classes where it saw pipe there, else metal; table without."""
    shares = np.zeros((len(look.CLASSES), SIDE, SIDE), np.float32)
    shares[METAL] = 1
    if found is not None and found.source == "learned":
        seen = np.stack([look.resampled(plane, found.origin, found.step, origin, step) for plane in found.shares])
        seen[[TABLE, look.MARKER]] = 0
        pipe = seen.sum(axis=0)
        shares = np.where(pipe > 0.5, seen / np.maximum(pipe, 1e-6), shares)
    shares[:, ~cut] = 0
    shares[TABLE, ~cut] = 1
    return shares.astype(np.float32)
