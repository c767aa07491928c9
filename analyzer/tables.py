"""Published dimensions, stresses and limits, each stated once in ``data/*.csv`` with its source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Tube:
    """A tube's nominal dimensions; ``wall_mm`` is None where the type is not known."""

    label: str  # as a person says it: "1/2 M", "3/4", "22.2 x 1.1 mm"
    outside_diameter_mm: float
    wall_mm: float | None
    wall_tolerance_mm: float | None  # a new tube may be under or over nominal by this
    size: str | None = None  # "1/2"
    type: str | None = None  # "K", "L", "M"
    wall_range_mm: tuple[float, float] | None = None  # over the types sold in that size, where the type is not known


def read_tube(text: str) -> Tube:
    """The tube that ``text`` names: "1/2 M", "1/2", or outside diameter and wall as "15.9x0.7" in millimetres."""
    raise NotImplementedError
