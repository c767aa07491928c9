"""The wall of a new tube by its standard, with the legal tolerance."""

from __future__ import annotations

from analyzer.base.measured import Measure, in_range
from analyzer.house.tables import Tube, rows


def largest_relative_tolerance() -> float:
    """The widest tolerance on the wall in ASTM B88 types K, L and M, as a share of the wall: about 0.11."""
    return max(
        float(row["wall_tol_plusminus_in"]) / float(row["wall_in"])
        for row in rows("copper_tube_b88")
        if row["spec"] == "ASTM B88"
    )


def nominal_wall(tube: Tube | None) -> tuple[Measure | None, str]:
    """The wall of a new tube with its legal tolerance, and the sentence's source; a range over the types where only the size is known."""
    if tube is None:
        return None, ""
    if tube.wall_mm is not None:
        tolerance = tube.wall_tolerance_mm
        source = _standard(tube)
        if tolerance is None:
            tolerance = largest_relative_tolerance() * tube.wall_mm
            source = f"{source}; no standard was named, so the widest tolerance of ASTM B88 was taken"
        return (
            in_range(tube.wall_mm - tolerance, tube.wall_mm + tolerance, "tolerance of a new tube", value=tube.wall_mm),
            source,
        )
    if tube.wall_range_mm is None:
        return None, ""
    thin, thick = tube.wall_range_mm
    relative = largest_relative_tolerance()
    low, high = thin * (1 - relative), thick * (1 + relative)
    return (
        in_range(low, high, "type not known", value=0.5 * (thin + thick)),
        f"{_standard(tube)}: the type is not known",
    )


def _standard(tube: Tube) -> str:
    """The standard's name without the keys of its sources."""
    return tube.source.split(" (")[0]
