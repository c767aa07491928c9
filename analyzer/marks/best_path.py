"""The path through a field that gathers the most and bends the least."""

from __future__ import annotations

import numpy as np

STEEPEST = 2  # quarter cells of shift per cell of length: a water level leaves an almost straight line


def best_path(gain: np.ndarray, bend_cost: float) -> tuple[int, np.ndarray]:
    """The sheet and the path through its columns with the largest sum of gain less the cost of its shifts.

    ``gain`` is (sheets, places, columns); gives the sheet's number and (columns,) places.
    """
    best, came = gain[..., 0].copy(), np.zeros(gain.shape, np.int8)
    columns = gain.shape[-1]
    for column in range(1, columns):
        reach = np.full_like(best, -np.inf)
        for step in range(-STEEPEST, STEEPEST + 1):
            shifted = np.full_like(best, -np.inf)
            if step > 0:
                shifted[:, step:] = best[:, :-step]
            elif step < 0:
                shifted[:, :step] = best[:, -step:]
            else:
                shifted[:] = best
            shifted -= bend_cost * step * step
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
