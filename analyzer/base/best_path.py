"""The path through a field that gathers the most and bends the least.

By dynamic programming with a price for each shift between neighbouring columns, which the path searches of libraries (a price for
each place alone) do not have.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def best_path(gain: np.ndarray, prices: Sequence[float]) -> tuple[int, np.ndarray]:
    """The sheet and the path through its columns with the largest sum of gain less the price of its shifts.

    ``gain`` is (sheets, places, columns); ``prices[k]`` is the price of a shift by k places to either side, and a longer one than
    the last is not taken. Gives the sheet's number and (columns,) places.
    """
    best, came = gain[..., 0].copy(), np.zeros(gain.shape, np.int8)
    columns = gain.shape[-1]
    farthest = len(prices) - 1
    for column in range(1, columns):
        reach = np.full_like(best, -np.inf)
        for step in range(farthest, -farthest - 1, -1):
            shifted = np.full_like(best, -np.inf)
            if step > 0:
                shifted[:, step:] = best[:, :-step]
            elif step < 0:
                shifted[:, :step] = best[:, -step:]
            else:
                shifted[:] = best
            shifted -= prices[abs(step)]
            better = shifted > reach
            reach[better] = shifted[better]
            came[..., column][better] = step
        best = reach + gain[..., column]
    sheet, place = (int(i) for i in np.unravel_index(int(best.argmax()), best.shape))
    path = np.empty(columns, np.intp)
    for column in range(columns - 1, -1, -1):
        path[column] = place
        place -= int(came[sheet, place, column])
    return sheet, path


def best_round(gain: np.ndarray, prices: Sequence[float]) -> np.ndarray:
    """(columns,) places of the best path through one sheet (places, columns) whose last column lies beside its first."""
    columns = gain.shape[1]
    _, path = best_path(
        np.concatenate([gain, gain], axis=1)[None], prices
    )  # twice round: its middle is settled and closed
    half = columns // 2
    return np.concatenate([path[columns : columns + half], path[half:columns]])
