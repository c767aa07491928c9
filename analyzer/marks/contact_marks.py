"""Contact marks: lengths of the pipe that two edges part from the metal on both sides, by the net and by the colours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, special

from analyzer.base.best_path import best_path
from analyzer.marks.layout import CELL_AXIAL_MM, LEAST_STEP, Cells, look_of

# Where "pictures with known truth" does not stand beside a figure: judgement while the room was built; which pictures served was not recorded.
LEAST_MARK_MM = 3.0  # narrower than this along the pipe it is a blot, not the mark of a contact
LEAST_MARK_SPAN = 0.5  # a contact mark goes across at least this share of the width seen
LEAST_AGREEMENT = 0.7  # share of the rows that step the same way there
LEAST_STEP_RATIO = 1.7  # of the steps at its edges to the ordinary ones along the piece
STEP_REACH = 4  # cells on either side of a border that are compared: 2 mm
TAPE_RIM = 3  # cells
CUT_END = 2  # cells at each end that are compared with nothing
MARK_COLUMNS = (10, 54)  # a mark is 5 to 27 mm long
PAIR_ALONE = 17.0  # strength of a pair of edges that stands without the net, by pictures with known truth
PAIR_WITH_NET = 5.0  # and with some of the net's evidence between them
MARK_PLAY = 5  # cells by which a mark's edge may waver: 2.5 mm
MARK_BEND_PRICES = (0.0, 1.0, 4.0)
NET_WEIGHT = 1.0  # of the log-odds of the net against those of the colours, where edges are drawn


def fit_marks(likelihood: np.ndarray, tape: np.ndarray, cells: Cells) -> np.ndarray:
    """Contact marks: a length of the pipe that two edges part from the metal on both sides.

    Two ways lead to a candidate: the net's likelihood, and the pair of edges across the pipe at which the colour steps there
    and back (``_steps``). A candidate stands where both agree, or where one of them is strong. Its edges are then drawn row by
    row between the colours inside and outside.
    """
    seen = cells.seen
    height, width = seen.shape
    field = np.zeros(likelihood.shape, np.float32)
    taped = ndimage.binary_dilation(tape > 0.5, np.ones((1, 2 * TAPE_RIM + 1)))  # cells at its rim are of both
    steps = _steps(cells, seen & ~taped)
    wide = max(1, int(seen.any(1).sum()))
    candidates: list[tuple[int, int]] = []
    pair = _strongest_pair(steps, width)
    if pair is not None:
        start, stop, strength = pair
        trust = float(likelihood[:, start:stop][seen[:, start:stop]].mean()) if seen[:, start:stop].any() else 0.0
        ends = [start, stop]
        step, agreement = min(steps.size[ends]), min(steps.agreement[ends])
        alone = strength >= PAIR_ALONE and step >= LEAST_STEP and agreement >= LEAST_AGREEMENT
        if alone or (strength >= PAIR_WITH_NET and trust >= 0.2 and step >= LEAST_STEP and agreement >= 0.85):
            candidates.append((start, stop))
    parts, count = ndimage.label(ndimage.binary_opening(likelihood > 0.5, np.ones((3, 3))))
    for part in range(1, count + 1):
        here = parts == part
        across = here.sum(0) >= LEAST_MARK_SPAN * wide
        if across.sum() * CELL_AXIAL_MM < LEAST_MARK_MM:
            continue
        rows = here.any(1)
        start = round(float(np.median(here[rows].argmax(1))))
        stop = width - round(float(np.median(here[rows, ::-1].argmax(1))))
        if any(start < other_stop and other_start < stop for other_start, other_stop in candidates):
            continue
        if tape[here].mean() > 0.5:
            continue
        if _stand_out(steps, start, stop):
            candidates.append((start, stop))
    for start, stop in candidates:
        field = np.maximum(field, _drawn_mark(start, stop, likelihood, cells))
    return field


@dataclass(frozen=True, kw_only=True)
class _Steps:
    """How the colour steps at each column border (0..w), NaN near the ends: medians over the rows."""

    vector: np.ndarray  # (w + 1, 4): CIELAB and roughness after less before
    size: np.ndarray  # (w + 1,) CIELAB distance
    agreement: np.ndarray  # (w + 1,) share of rows that step the same way


def _steps(cells: Cells, bare: np.ndarray) -> _Steps:
    """Compare the 2 mm before with the 2 mm after each column border, row by row; ``bare`` (h, w) is metal without tape."""
    look = look_of(cells)[cells.seen.mean(1) > 0.5]
    width = cells.seen.shape[1]
    vector, agreement = np.full((width + 1, 4), np.nan), np.full(width + 1, np.nan)
    if len(look) and width > 2 * STEP_REACH:
        total = np.concatenate([np.zeros((len(look), 1, 4)), np.cumsum(look, 1)], 1)
        middle = total[:, STEP_REACH:-STEP_REACH]
        step = (total[:, 2 * STEP_REACH :] - 2 * middle + total[:, : -2 * STEP_REACH]) / STEP_REACH
        median = np.median(step, 0)
        covered = np.convolve(bare.mean(0), np.ones(2 * STEP_REACH) / (2 * STEP_REACH), mode="valid")
        median[covered < 0.85] = np.nan  # tape or a gap: its rims are no edges of a mark
        median[:CUT_END] = np.nan  # nor is the cut end with its burr and glare
        median[len(median) - CUT_END :] = np.nan
        vector[STEP_REACH:-STEP_REACH] = median
        same_way = (step[..., :3] * np.nan_to_num(median[:, :3])).sum(-1) > 0
        agreement[STEP_REACH:-STEP_REACH] = same_way.mean(0)
    return _Steps(vector=vector, size=np.linalg.norm(vector[:, :3], axis=1), agreement=agreement)


def _strongest_pair(steps: _Steps, width: int) -> tuple[int, int, float] | None:
    """The two borders, 5 to 27 mm apart, where the colour steps furthest there and back: (start, stop, strength).

    Strength is minus the product of the two steps by the square of the piece's ordinary step, so 1 is ordinary.
    """
    known = np.flatnonzero(np.isfinite(steps.size))
    if len(known) < MARK_COLUMNS[0] + 2:
        return None
    vector = np.nan_to_num(steps.vector)
    ordinary = float(np.median((vector[known] ** 2).sum(1)))
    product = -vector @ vector.T / max(ordinary, 1e-6)
    apart = np.arange(width + 1)[None] - np.arange(width + 1)[:, None]
    product[(apart < MARK_COLUMNS[0]) | (apart > MARK_COLUMNS[1])] = -np.inf
    start, stop = (int(i) for i in np.unravel_index(int(product.argmax()), product.shape))
    return (start, stop, float(product[start, stop])) if product[start, stop] > 0 else None


def _stand_out(steps: _Steps, start: int, stop: int) -> bool:
    """Whether the colour steps at these two borders more than it does elsewhere along the pipe.

    A blotch or the end of a shadow fades and fails; an edge that lies at the piece's own end is not asked for.
    """
    at, elsewhere = [], np.isfinite(steps.size)
    for border in (start, stop):
        near = np.arange(max(0, border - 2), min(len(steps.size), border + 3))
        near = near[np.isfinite(steps.size[near])]
        elsewhere[max(0, border - STEP_REACH) : border + STEP_REACH + 1] = False
        if len(near):
            best = near[steps.size[near].argmax()]
            if steps.size[best] < LEAST_STEP or steps.agreement[best] < LEAST_AGREEMENT:
                return False
            at.append(float(steps.size[best]))
    if not at or elsewhere.sum() < 10:
        return True  # the mark fills the piece: nothing to compare with
    ordinary = float(np.sqrt(np.mean(np.square(steps.size[elsewhere]))))
    return float(np.sqrt(np.mean(np.square(at)))) >= LEAST_STEP_RATIO * ordinary


def _drawn_mark(start: int, stop: int, likelihood: np.ndarray, cells: Cells) -> np.ndarray:
    """Field of one mark: its two edges drawn row by row where the colour inside gives way to the colour outside.

    Evidence in each cell is the log-odds of two normal distributions with one covariance (linear discriminant: Fisher 1936),
    inside against the 8 mm outside, and the net's; edges are the paths that gather the most of it.
    """
    look, seen = look_of(cells), cells.seen
    height, width = seen.shape
    inside, outside = np.zeros_like(seen), np.zeros_like(seen)
    margin = min(2, (stop - start) // 4)
    inside[:, max(0, start + margin) : stop - margin] = True
    outside[:, max(0, start - 18) : max(0, start - 2)] = True
    outside[:, stop + 2 : stop + 18] = True
    inside &= seen
    outside &= seen
    net = np.clip(special.logit(np.clip(likelihood, 1e-3, 1 - 1e-3)), -3, 3)
    odds = net
    if inside.sum() > 50 and outside.sum() > 50:
        # the net has as much say in where the edges run as it tells the mark from what lies beside it
        net = net * max(0.0, float(likelihood[inside].mean() - likelihood[outside].mean()))
        first, second = look[inside].mean(0), look[outside].mean(0)
        within = np.cov(look[inside].T) + np.cov(look[outside].T) + np.eye(4)
        axis = np.linalg.solve(within / 2, first - second)
        odds = np.clip((look - (first + second) / 2) @ axis, -3, 3) + NET_WEIGHT * net
    odds = np.where(seen, odds, 0.0)
    total = np.concatenate([np.zeros((height, 1)), np.cumsum(odds, 1)], 1)
    middle = (start + stop) // 2
    lowest, highest = max(0, start - MARK_PLAY), min(width, stop + MARK_PLAY)
    left = np.arange(lowest, min(start + MARK_PLAY, middle - 1) + 1)
    right = np.arange(max(stop - MARK_PLAY, middle + 1), highest + 1)
    # rows are the steps of the path: (1, places, rows); an edge may run out of the piece
    first_edge = left[best_path((-total[:, left].T)[None], MARK_BEND_PRICES)[1]].astype(float)
    second_edge = right[best_path(total[:, right].T[None], MARK_BEND_PRICES)[1]].astype(float)
    if start > STEP_REACH or first_edge.mean() > 1.5:
        first_edge = ndimage.gaussian_filter1d(first_edge, 1.5, mode="nearest")
    else:
        first_edge[:] = -1.0
    if stop < width - STEP_REACH or second_edge.mean() < width - 1.5:
        second_edge = ndimage.gaussian_filter1d(second_edge, 1.5, mode="nearest")
    else:
        second_edge[:] = width + 1.0
    columns = np.arange(width)[None]
    return np.clip(
        0.5 + np.minimum(columns - (first_edge[:, None] - 0.5), second_edge[:, None] - 0.5 - columns), 0, 1
    ).astype(np.float32)
