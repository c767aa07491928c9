"""How often stated 95 % intervals hold the truth, by view and marker: scale, seen and examined area, openings by size, largest pit, number, density.

Used by ``python -m tests.accuracy``. The number of pits and the density are of metal seen at up to 60 degrees from square; which
true pits lie there is told by the program's own surface at each true pit (``squarely``), the true area there by its share of
the true seen area: a scene's truth holds no map of obliquity.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from analyzer.marks.number import SQUARELY_DEG
from analyzer.piece.surface import Surface

SIZES_MM = ((0.3, 0.8), (0.8, 1.5), (1.5, 99.0))
VIEWS, MARKERS = ("inside", "outside", "flat"), ("aruco_card", "ruler", "disc")
LEAST_HELD, MOST_HELD, LEAST_BY_VIEW = 0.90, 0.99, 0.85


def squarely(surface: Surface, truth: Mapping[str, Any]) -> dict[str, float]:
    """True countable pits whose nearest metal is seen squarely, and the share of the seen metal that is."""
    rows, columns = np.nonzero(surface.metal)
    where = cKDTree(np.stack([columns + surface.origin_px[0], rows + surface.origin_px[1]], -1))
    pits = 0
    for pit in truth["pits"]:
        if pit["countable"] and pit["centroid_px"]:
            nearest = int(where.query(pit["centroid_px"])[1])
            pits += bool(surface.obliquity_deg[rows[nearest], columns[nearest]] <= SQUARELY_DEG)
    here = surface.metal & (surface.obliquity_deg <= SQUARELY_DEG)
    return {"pits": pits, "share": float(surface.area_per_px[here].sum() / surface.area_per_px[surface.metal].sum())}


def held_in(row: Mapping[str, Any], truth: Mapping[str, Any], folder: Path) -> dict[str, list[bool]]:
    """For one picture: each kind of interval, and for each that was stated whether it holds the truth."""
    said = json.loads((folder / "examination.json").read_text())
    here = json.loads((folder / "squarely.json").read_text())
    held: dict[str, list[bool]] = {
        "scale": [row["cover_scale"]],
        "seen area": [row["cover_area"]],
    }
    examined = said["surface"]["examined_area_mm2"]
    if examined is not None:
        low, high = examined["interval_95"]
        held["examined area"] = [low <= truth["visible_area_within_70deg_mm2"] <= high]
    for least, most in SIZES_MM:
        name = f"openings {least:g} to {most:g} mm" if most < 90 else f"openings from {least:g} mm"
        held[name] = [ok for ok, size in zip(row["cover_diam"], row["diam_sizes"], strict=True) if least <= size < most]
    sizes = [pit["equivalent_diameter_mm"] for pit in truth["pits"] if pit["countable"]]
    largest = said["density"]["largest_diameter_mm"]
    if sizes and largest is not None:
        low, high = largest["interval_95"]
        held["largest pit"] = [low <= max(sizes) <= high]
    number, density = said["density"]["pit_count"], said["density"]["pits_per_cm2"]
    if number is not None:
        low, high = number["interval_95"]
        held["number of pits"] = [low <= here["pits"] <= high]
    if density is not None:
        low, high = density["interval_95"]
        held["density"] = [low <= here["pits"] / (truth["visible_area_mm2"] * here["share"] / 100) <= high]
    return {name: [bool(ok) for ok in cases if ok is not None] for name, cases in held.items()}


def ratios(folders: Sequence[Path]) -> list[float]:
    """High over low of the number of pits in each picture; infinite where none at all is possible."""
    made = []
    for folder in folders:
        number = json.loads((folder / "examination.json").read_text())["density"]["pit_count"]
        if number is not None:
            low, high = number["interval_95"]
            made.append(high / low if low > 0 else float("inf"))
    return made


def against_truth(truth: Mapping[str, Any], folder: Path) -> tuple[float, float, float, float] | None:
    """(true number, estimate, true density, density) of the metal seen squarely; None where none was stated."""
    said = json.loads((folder / "examination.json").read_text())["density"]
    here = json.loads((folder / "squarely.json").read_text())
    if said["pit_count"] is None or said["pits_per_cm2"] is None:
        return None
    area_cm2 = truth["visible_area_mm2"] * here["share"] / 100
    return here["pits"], said["pit_count"]["value"], here["pits"] / area_cm2, said["pits_per_cm2"]["value"]


def print_table(cases: Sequence[tuple[str, str, Mapping[str, list[bool]]]]) -> dict[str, dict[str, tuple[float, int]]]:
    """Print the table of (view, marker, held) and give it: kind of interval -> all, each view, each marker -> (share held, number)."""
    kinds = list(dict.fromkeys(name for _, _, held in cases for name in held))
    groups = ("all", *VIEWS, *MARKERS)
    table: dict[str, dict[str, tuple[float, int]]] = {}
    print(f"{'95 % intervals hold, %':<26}" + "".join(f"{group:>17}" for group in groups))
    for kind in kinds:
        table[kind] = {}
        for group in groups:
            own = [ok for view, marker, held in cases if group in ("all", view, marker) for ok in held.get(kind, [])]
            table[kind][group] = (float(np.mean(own)) if own else float("nan"), len(own))
        cells = [f"{100 * share:.0f} of {n}" if n else "-" for share, n in table[kind].values()]
        print(f"{kind:<26}" + "".join(f"{cell:>17}" for cell in cells))
    return table
