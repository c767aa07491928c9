"""Marks that an estimate of the number of pits rests on, made for a list of pits with known confidence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analyzer.marks.catalogue import Pit
from analyzer.marks.number import Marks


def marks_of(pits: Sequence[Pit], *, unseen: float = 0.2, scatter: float = 0.25, constant: float = 1.0) -> Marks:
    """Each pit is a mark; beside each that is one ``unseen`` more go unseen, exactly."""
    n = len(pits)
    return Marks(
        x_px=np.array([pit.x_px for pit in pits], float),
        y_px=np.array([pit.y_px for pit in pits], float),
        confidence=np.array([pit.confidence for pit in pits], float),
        pit=np.array([pit.id for pit in pits], int),
        oblique_deg=np.array([pit.obliquity_deg for pit in pits], float),
        pixels=np.array([pit.equivalent_diameter_px for pit in pits], float),
        spread=np.full(n, 0.1),
        unseen=np.full(n, unseen),
        slopes=np.zeros((n, 3)),
        covariance=np.zeros((3, 3)),
        scatter=scatter,
        constant=constant,
    )
