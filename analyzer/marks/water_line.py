"""The water line: a deposit on two films that meet, fitted across and followed along."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from scipy import ndimage, special

from analyzer.base.best_path import best_path
from analyzer.marks.layout import CELL_AROUND_MM, CELL_AXIAL_MM, LEAST_STEP, Cells, look_of

# Where "pictures with known truth" does not stand beside a figure: judgement while the room was built; which pictures served was not recorded.
LEAST_LINE_SPAN = 0.6  # a water line runs over at least this share of the length seen
LINE_WIDTHS_MM = (0.5, 3.5)  # widths of water line that are tried
FINER = 4  # the line's path is found to a quarter of a cell
BEND_PRICES = (
    0.0,
    0.3,
    1.2,
)  # log-odds of a shift by that many quarter cells: a water level leaves an almost straight line
LINE_FROM_RIM_MM = 4.0
LINE_CANDIDATES = 3
LINE_NEUTRAL = 0.1  # likelihood that speaks neither for a line nor against it: the net is shy of lines unlike those it learned from
LEAST_LINE_TRUST = 0.15  # mean likelihood along the line
LEAST_LINE_PROMINENCE = 1.9  # likelihood times how far it stands out over the ordinary, by pictures with known truth
LINE_OFFSETS_MM = np.linspace(-3.5, 3.5, 57)  # of metal across that a line's look is read over
LINE_SHIFTS_MM = np.linspace(-1, 1, 33)  # by which its path may be moved
LINE_ROUNDS = 2  # the path is found anew once the look across is known, and the other way round
LINE_ALONG_MM = 3.0
LINE_INDEPENDENT = 1 / 12  # share of what is read across that stands for itself: neighbours are alike
LINE_ROWS_ALIKE = 4.0  # the same for the median look
LINE_SLOPE_RIDGE = 0.3
LINE_SIZE_MM = (0.7, 0.7)  # prior of half the width: median, and spread of the logarithm
LINE_EVEN_COST = 4.0  # prior against a deposit that ends at an edge
LINE_EDGE_MM = 0.12
LINE_CENTRE_MM = 0.12
LINE_CENTRE_SHARE = (
    0.5  # of it that the path is moved by: path and profile each know the middle to a tenth of a millimetre
)
LINE_BLUR_MM = 0.15  # standard deviation of camera, cells and path together, by pictures with known truth
LINE_SIGMA_SEEN = 1.05  # a line's half width in standard deviations of its deposit is the inverse, by the same
LINE_LEAST_SIGMA_MM = 0.3
LOOK_NOISE = np.array([1.5, 1.0, 1.0, 0.7])  # CIELAB and roughness of the median along a line
NET_WEIGHT_PATH = 0.3
SHIFT_PRICES = (0.0, 0.4, 1.6)  # log-odds of a shift by that many times 0.06 mm from one cell to the next


def fit_line(likelihood: np.ndarray, cells: Cells) -> np.ndarray:
    """The water line, or nothing: of up to three paths along the pipe that gather evidence, the one that stands out most.

    A highlight along the pipe may gather more of the net's evidence than the line, so the next paths are looked at too.
    """
    empty = np.zeros(likelihood.shape, np.float32)
    seen_columns = np.flatnonzero(cells.seen.any(0))
    rows_seen = np.flatnonzero(cells.seen.mean(1) > 0.3)
    if len(seen_columns) < 2 or len(rows_seen) == 0:
        return empty
    net = special.logit(np.clip(likelihood, 1e-4, 1 - 1e-4))
    odds = np.where(cells.seen, np.clip(net - special.logit(LINE_NEUTRAL), -4, 4), -0.5).astype(np.float32)
    rim = round(
        LINE_FROM_RIM_MM / CELL_AROUND_MM
    )  # nearer to the long edge of the metal it is that edge and its reflection
    odds[: rows_seen[0] + rim] = -4
    odds[rows_seen[-1] + 1 - rim :] = -4
    look = look_of(cells)
    best, best_score = empty, LEAST_LINE_PROMINENCE
    for _ in range(LINE_CANDIDATES):
        if ((odds > 0) & cells.seen).any(0).sum() < 0.5 * LEAST_LINE_SPAN * len(seen_columns):
            break
        middle, half = _line_path(odds, seen_columns)
        if half == 0:
            break
        path = ndimage.gaussian_filter1d(middle / FINER - 0.5, 2.0, mode="nearest")
        for _ in range(LINE_ROUNDS):
            path = _traced(look, path, _deposit(look, path, cells.seen), odds)
        deposit = _deposit(look, path, cells.seen)
        path = path + LINE_CENTRE_SHARE * deposit.centre_mm / CELL_AROUND_MM
        field = _drawn_line(path, deposit.half_width_mm, len(odds))
        along = _straightened(likelihood, path, np.array([-0.25, 0.0, 0.25]))[..., 0]
        trust = float(along[:, cells.seen.any(0)].mean(1).max())
        stands = trust >= LEAST_LINE_TRUST and deposit.contrast >= LEAST_STEP
        score = trust * _prominence(field > 0.5, cells) if stands else 0.0
        if score >= best_score:
            best, best_score = field, score
        odds[np.abs(np.arange(len(odds))[:, None] - middle[None] / FINER) < (half / FINER + rim / 2)] = -4
    return best


def _line_path(odds: np.ndarray, seen_columns: np.ndarray) -> tuple[np.ndarray, int]:
    """Middle (columns,) and half width in fine rows of the path of one width that gathers the most evidence; 0 where none does.

    Evidence is the sum of log-odds between the line's edges over the whole length, which also holds where the line fades.
    """
    height, width = odds.shape
    fine = cv2.resize(odds, (width, FINER * height), interpolation=cv2.INTER_LINEAR)
    total = np.vstack([np.zeros((1, width), np.float32), np.cumsum(fine, 0) / FINER])  # evidence above each fine border
    halves = np.rint(np.arange(LINE_WIDTHS_MM[0], LINE_WIDTHS_MM[1], 0.125) / CELL_AROUND_MM * FINER / 2).astype(int)
    borders = np.arange(FINER * height + 1)
    top = np.maximum(borders[None] - halves[:, None], 0)
    bottom = np.minimum(borders[None] + halves[:, None], FINER * height)
    gain = total[bottom] - total[top]  # (widths, borders, columns)
    chosen, middle = best_path(gain, BEND_PRICES)
    supported = gain[chosen, middle, np.arange(width)] > 0
    return middle, int(halves[chosen]) if supported[seen_columns].mean() >= LEAST_LINE_SPAN else 0


@dataclass(frozen=True, kw_only=True)
class _Deposit:
    """How a water line looks across: two films that meet under it, and on them a deposit.

    The deposit thins out from its middle like a normal distribution, and counts as line to one standard deviation, where the eye
    sees it end; or it is even and ends at an edge, and counts to half its height.
    """

    even: bool
    size_mm: float  # standard deviation, or half width
    centre_mm: float  # from the path it was read along
    blend_mm: float  # over which the films change
    weights: np.ndarray  # (5, 4) of ``_deposit_basis`` in CIELAB and roughness

    @property
    def contrast(self) -> float:
        """CIELAB distance of the deposit from the films under it, by the median along the line: lettering leaves gaps and has none."""
        return float(np.linalg.norm(self.weights[4, :3]))

    @property
    def half_width_mm(self) -> float:
        if self.even:
            return self.size_mm
        sharp = np.sqrt(max(self.size_mm**2 - LINE_BLUR_MM**2, LINE_LEAST_SIGMA_MM**2))
        return float(sharp) / LINE_SIGMA_SEEN

    def at(self, shift_mm: float) -> np.ndarray:
        """(n, 4) look at ``LINE_OFFSETS_MM`` of the line when it lies that far below the path."""
        offset = LINE_OFFSETS_MM - self.centre_mm - shift_mm
        return _deposit_basis(offset, self.even, self.size_mm, self.blend_mm) @ self.weights


def _deposit_basis(offset_mm: np.ndarray, even: bool, size_mm: float, blend_mm: float) -> np.ndarray:
    """(n, 5): the film above, the change to the film below, a slope in each, the deposit."""
    below = special.expit(2 * offset_mm / blend_mm)
    slope = np.clip(offset_mm, LINE_OFFSETS_MM[0], LINE_OFFSETS_MM[-1])
    if even:
        deposit = special.expit((size_mm - np.abs(offset_mm)) / LINE_EDGE_MM)
    else:
        deposit = np.exp(-0.5 * (offset_mm / size_mm) ** 2)
    return np.stack([np.ones_like(below), below, slope * (1 - below), slope * below, deposit], -1)


@cache
def _deposit_solvers() -> tuple[list[tuple[bool, float, float, float]], np.ndarray, np.ndarray, np.ndarray]:
    """What is tried (even, size, centre, blend), each one's basis (m, n + 5, 5), its pseudo-inverse, and what its prior costs.

    Slopes are held small (ridge regression), or they would stand for a wide deposit.
    """
    held = np.diag(np.sqrt(np.array([0, 0, LINE_SLOPE_RIDGE, LINE_SLOPE_RIDGE, 0]) * len(LINE_OFFSETS_MM) / 10))
    tried = [
        (even, float(size), centre, blend)
        for even, sizes in ((False, np.arange(0.24, 1.6, 0.03)), (True, np.arange(0.3, 1.75, 0.03)))
        for size in sizes
        for centre in (-0.2, -0.1, 0.0, 0.1, 0.2)
        for blend in (0.3, 0.6, 1.2)
    ]
    basis = np.stack(
        [
            np.vstack([_deposit_basis(LINE_OFFSETS_MM - centre, even, size, blend), held])
            for even, size, centre, blend in tried
        ]
    )
    cost = [
        (np.log(size / LINE_SIZE_MM[0]) / LINE_SIZE_MM[1]) ** 2 + (centre / LINE_CENTRE_MM) ** 2 + LINE_EVEN_COST * even
        for even, size, centre, _ in tried
    ]
    return tried, basis, np.linalg.pinv(basis), np.array(cost)


def _deposit(look: np.ndarray, middle: np.ndarray, seen: np.ndarray) -> _Deposit:
    """Fit to the median look along the path (rows of the map, by column); least squares, and a mild prior on width and place."""
    profile = np.median(_straightened(look, middle)[:, seen.any(0)], 1) / LOOK_NOISE
    padded = np.vstack([profile, np.zeros((5, 4))])
    tried, basis, inverse, cost = _deposit_solvers()
    weights = inverse @ padded
    left = ((padded - basis @ weights) ** 2).sum((1, 2)) / LINE_ROWS_ALIKE + cost
    best = int(left.argmin())
    even, size, centre, blend = tried[best]
    return _Deposit(even=even, size_mm=size, centre_mm=centre, blend_mm=blend, weights=weights[best] * LOOK_NOISE)


def _straightened(field: np.ndarray, middle: np.ndarray, offsets_mm: np.ndarray | None = None) -> np.ndarray:
    """The map (h, w, k) read at ``offsets_mm`` below the path ``middle`` (w,): (n, w, k)."""
    offsets = (LINE_OFFSETS_MM if offsets_mm is None else offsets_mm) / CELL_AROUND_MM
    row = (middle[None] + offsets[:, None]).astype(np.float32)
    column = np.repeat(np.arange(field.shape[1], dtype=np.float32)[None], len(offsets), 0)
    out = cv2.remap(field.astype(np.float32), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out.reshape(*row.shape, -1)


def _traced(look: np.ndarray, middle: np.ndarray, deposit: _Deposit, odds: np.ndarray) -> np.ndarray:
    """The path moved, column by column, to where the look across fits the deposit best, with the net's evidence between its edges.

    Misfit is weighed by the covariance of what the texture leaves over, over 3 mm along the line.
    """
    near = np.abs(LINE_OFFSETS_MM) < max(1.0, 1.6 * deposit.size_mm) + 0.5
    here = ndimage.gaussian_filter1d(_straightened(look, middle)[near], LINE_ALONG_MM / 2 / CELL_AXIAL_MM, axis=1)
    left = here - deposit.at(0.0)[near][:, None]
    covariance = np.einsum("ijk,ijl->kl", left, left) / left[..., 0].size + 0.3 * np.eye(4)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance)).T
    ordinary = ((left @ whiten) ** 2).mean((1, 2))
    misfit = np.stack(
        [
            ((((here - deposit.at(shift)[near][:, None]) @ whiten) ** 2).sum(2) / ordinary[:, None]).sum(0)
            for shift in LINE_SHIFTS_MM
        ]
    )
    fine_mm = np.arange(-4, 4.01, 0.0625)
    total = np.cumsum(_straightened(odds, middle, fine_mm)[..., 0], 0) * (0.0625 / CELL_AROUND_MM)
    upper = np.searchsorted(fine_mm, LINE_SHIFTS_MM - deposit.half_width_mm)
    lower = np.minimum(np.searchsorted(fine_mm, LINE_SHIFTS_MM + deposit.half_width_mm), len(fine_mm) - 1)
    gain = NET_WEIGHT_PATH * (total[lower] - total[upper]) - misfit / 2 * LINE_INDEPENDENT
    moved = LINE_SHIFTS_MM[best_path(gain[None], SHIFT_PRICES)[1]]
    return middle + ndimage.gaussian_filter1d(moved, 1.5, mode="nearest") / CELL_AROUND_MM


def _drawn_line(middle: np.ndarray, half_width_mm: float, height: int) -> np.ndarray:
    """Field of a line of even width along the path."""
    rows, half = np.arange(height)[:, None], half_width_mm / CELL_AROUND_MM
    return np.clip(0.5 + half - np.abs(rows - middle[None]), 0, 1).astype(np.float32)


def _prominence(line: np.ndarray, cells: Cells) -> float:
    """How far the line stands out over the same path moved round the pipe.

    Both what the line itself shows (its colour less the mean of its two sides) and the step between its sides are compared with
    the root mean square of the moved ones; the larger ratio counts. 1 is ordinary.
    """
    look = look_of(cells)[..., :3]
    height, width = line.shape
    columns = np.flatnonzero(line.any(0) & cells.seen.any(0))
    top = line[:, columns].argmax(0)
    bottom = height - line[::-1, columns].argmax(0)
    total = np.concatenate([np.zeros((1, width, 3)), np.cumsum(look, 0)])
    reach, gap = round(1.5 / CELL_AROUND_MM), 1

    def contrasts(move: int) -> np.ndarray | None:
        upper, lower = top + move, bottom + move
        inside = (upper >= reach + gap) & (lower <= height - reach - gap)
        if inside.mean() < 0.6:
            return None
        u, d, c = upper[inside], lower[inside], columns[inside]
        middle = (total[d, c] - total[u, c]) / (d - u)[:, None]
        above = (total[u - gap, c] - total[u - gap - reach, c]) / reach
        below = (total[d + gap + reach, c] - total[d + gap, c]) / reach
        return np.array(
            [np.linalg.norm(np.median(middle - (above + below) / 2, 0)), np.linalg.norm(np.median(above - below, 0))]
        )

    here = contrasts(0)
    if here is None:
        return 0.0
    apart = int(np.median(bottom - top)) + reach + 2
    elsewhere = [c for move in range(-height, height, 2) if abs(move) >= apart and (c := contrasts(move)) is not None]
    ordinary = np.sqrt(np.mean(np.square(elsewhere), 0)) if elsewhere else np.ones(2)
    return float((here / np.maximum(ordinary, 1.0)).max())
