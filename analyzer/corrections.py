"""What a person corrects by hand. A correction never changes the automatic result: it stands beside it, with who, when and why.

The corrected figures are computed from the automatic result and the entries, in order, each time anew; so undo is
leaving an entry away.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import chi2

from analyzer.flags import InputError
from analyzer.measured import Measure
from analyzer.pits import Mound, Pit, PitCatalogue
from analyzer.surface import Surface
from analyzer.tomlfile import read_table, shown

KINDS = ("remove_pit", "confirm_pit", "call_mound", "add_pit", "examine_only", "leave_out", "known_length")
MOST_PX = 1e5  # no photo is as wide
POINTING_PX = 2.0  # how far off a fingertip or mouse points on a photo shown at its size: a judgement, no source


@dataclass(frozen=True, kw_only=True)
class Correction:
    """One entry.

    ``remove_pit``, ``confirm_pit``, ``call_mound`` name a ``pit``; ``add_pit`` has one point and ``diameter_px``;
    ``examine_only`` and ``leave_out`` have a polygon of three or more points; ``known_length`` has two points on the metal and
    ``length_mm``. Points are x, y in the upright photo.
    """

    kind: str
    who: str
    when: str
    why: str = ""
    pit: int | None = None
    points_px: tuple[tuple[float, float], ...] | None = None
    diameter_px: float | None = None
    length_mm: float | None = None

    def as_json(self) -> dict[str, object]:
        return {
            "kind": self.kind,
            "who": self.who,
            "when": self.when,
            "why": self.why,
            "pit": self.pit,
            "points_px": None if self.points_px is None else [list(point) for point in self.points_px],
            "diameter_px": self.diameter_px,
            "length_mm": self.length_mm,
        }


def read_corrections(path: str | Path) -> tuple[Correction, ...]:
    """Corrections from a TOML file of ``[[correction]]`` tables. Raises InputError naming the entry that cannot be right."""
    document = read_table(path, what="corrections")
    rows = document.get("correction", [])
    if not isinstance(rows, list) or set(document) - {"correction"}:
        raise InputError(f"The corrections file {path} may hold [[correction]] tables and nothing else; take the rest out.")
    return tuple(make_correction(row, number) for number, row in enumerate(rows, 1))


def make_correction(row: dict[str, object], number: int = 1) -> Correction:
    """A checked Correction from plain data."""

    def wrong(what: str) -> InputError:
        return InputError(f"Correction {number}: {what}.")

    if not isinstance(row, dict):
        raise wrong("write it as a [[correction]] table")
    unknown = set(row) - {"kind", "who", "when", "why", "pit", "points_px", "diameter_px", "length_mm"}
    if unknown:
        raise wrong(f"{shown(', '.join(sorted(unknown)))} is not a field of a correction; see the README for the fields")
    kind = row.get("kind")
    if kind not in KINDS:
        raise wrong(f"kind is one of {', '.join(KINDS)}")
    points = row.get("points_px")
    try:
        points_px = None if points is None else tuple((float(x), float(y)) for x, y in points)  # type: ignore[attr-defined]
        numbers = {name: None if row.get(name) is None else float(row[name]) for name in ("diameter_px", "length_mm")}  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise wrong("points are [[x, y], ...] and lengths are numbers") from None
    pit = row.get("pit")
    if pit is not None and (isinstance(pit, bool) or not isinstance(pit, int) or pit < 1):
        raise wrong(f"pit is the pit's number on the marked photo, not {shown(pit)}")
    if not all(isinstance(row.get(name, ""), str) for name in ("who", "when", "why")):
        raise wrong("who, when and why are texts in quotes")
    if points_px is not None and not all(abs(v) < MOST_PX for point in points_px for v in point):  # nan too
        raise wrong("points are x, y in pixels of the upright photo; a point lies far outside any photo")
    diameter = numbers["diameter_px"]
    if diameter is not None and not 1 <= diameter < MOST_PX:
        raise wrong("diameter_px is the pit's width in pixels of the photo, 1 or more")
    if any(v is not None and not (math.isfinite(v) and v > 0) for v in numbers.values()):
        raise wrong("a length is a number above zero")
    count = 0 if points_px is None else len(points_px)
    if kind in ("remove_pit", "confirm_pit", "call_mound") and pit is None:
        raise wrong(f"{kind} names the pit by its number")
    if kind == "add_pit" and (count != 1 or numbers["diameter_px"] is None):
        raise wrong("add_pit has one point and diameter_px")
    if kind in ("examine_only", "leave_out") and count < 3:
        raise wrong(f"{kind} has three points or more")
    if kind == "known_length" and (count != 2 or numbers["length_mm"] is None or points_px[0] == points_px[1]):  # type: ignore[index]
        raise wrong("known_length has two different points and length_mm")
    return Correction(
        kind=str(kind),
        who=str(row.get("who", "")),
        when=str(row.get("when", "")),
        why=str(row.get("why", "")),
        pit=pit,
        points_px=points_px,
        **numbers,
    )


@dataclass(frozen=True, kw_only=True)
class Corrected:
    """The surface and catalogue after the corrections."""

    surface: Surface
    pits: PitCatalogue
    removed_pits: tuple[int, ...]
    added_pits: tuple[Pit, ...]
    mounds: tuple[int, ...]
    scale_factor: float | None  # new mm_per_px by the automatic one, where a known length was marked


def apply_corrections(surface: Surface, catalogue: PitCatalogue, corrections: Iterable[Correction]) -> Corrected:
    """Apply the entries in order. Raises InputError where one names a pit that is not there or a place off the metal."""
    pits = {pit.id: pit for pit in catalogue.pits}
    known = dict(pits)
    removed: list[int] = []
    added: list[Pit] = []
    mounds: list[Mound] = list(catalogue.mounds)
    mound_ids: list[int] = []
    metal = surface.metal.copy()
    factor: Measure | None = None
    next_id = max(pits, default=0) + 1
    for entry in corrections:
        if entry.kind in ("remove_pit", "confirm_pit", "call_mound"):
            if entry.pit not in known:
                raise InputError(f"There is no pit {entry.pit} to correct; the numbers stand on the marked photo.")
            pit = known[entry.pit]
            if entry.kind == "confirm_pit":
                pits[pit.id] = replace(pit, confidence=1.0)
                continue
            pits.pop(pit.id, None)
            added = [other for other in added if other.id != pit.id]
            removed.append(pit.id)
            if entry.kind == "call_mound":
                mound_ids.append(pit.id)
                mounds.append(_as_mound(pit))
        elif entry.kind == "add_pit":
            pit = _drawn_pit(surface, next_id, entry)
            next_id += 1
            pits[pit.id] = known[pit.id] = pit
            added.append(pit)
        elif entry.kind in ("examine_only", "leave_out"):
            drawn = np.zeros(metal.shape, np.uint8)
            polygon = np.round(np.array(entry.points_px) - surface.origin_px).astype(np.int32)
            cv2.fillPoly(drawn, [polygon], 1)
            metal &= (drawn > 0) if entry.kind == "examine_only" else (drawn == 0)
            if not metal.any():
                raise InputError("Nothing is left to examine after that outline; draw it round the metal.")
        else:
            factor = _length_factor(surface, entry)
    kept_surface = _trimmed(surface, metal)
    x0, y0 = surface.origin_px
    kept = tuple(
        pit
        for pit in pits.values()
        if metal[
            min(max(int(round(pit.y_px)) - y0, 0), metal.shape[0] - 1),
            min(max(int(round(pit.x_px)) - x0, 0), metal.shape[1] - 1),
        ]
        or not _on(surface, pit)
    )
    labels = catalogue.labels.copy()
    labels[np.isin(labels, sorted(set(known) - {pit.id for pit in kept}))] = 0
    for pit in added:
        cv2.circle(labels, (round(pit.x_px), round(pit.y_px)), max(1, round(pit.equivalent_diameter_px / 2)), pit.id, -1)
    n = len(kept)
    # A person has looked: what is left is the chance of a pit overlooked or invented, taken from the automatic interval's
    # width only where nothing was confirmed. The count as corrected is stated as it is, with the Poisson limits.
    count = Measure(value=float(n), budget={"pits as corrected by hand": math.sqrt(n)}, interval=_poisson_95(n))
    corrected = replace(catalogue, pits=kept, mounds=tuple(mounds), labels=labels, count=count)
    if factor is not None and kept_surface.mm_per_px is not None:
        kept_surface, corrected = _rescaled(kept_surface, corrected, factor)
        added = [pit for pit in corrected.pits if pit.id in {p.id for p in added}]
    return Corrected(
        surface=kept_surface,
        pits=corrected,
        removed_pits=tuple(removed),
        added_pits=tuple(added),
        mounds=tuple(mound_ids),
        scale_factor=None if factor is None else factor.value,
    )


def _poisson_95(count: int) -> tuple[float, float]:
    """Exact 95 % limits of a Poisson mean (Garwood 1936)."""
    return (0.0 if count == 0 else float(chi2.ppf(0.025, 2 * count) / 2), float(chi2.ppf(0.975, 2 * count + 2) / 2))


def _on(surface: Surface, pit: Pit) -> bool:
    x, y = round(pit.x_px) - surface.origin_px[0], round(pit.y_px) - surface.origin_px[1]
    return 0 <= y < surface.metal.shape[0] and 0 <= x < surface.metal.shape[1] and bool(surface.metal[y, x])


def _as_mound(pit: Pit) -> Mound:
    return Mound(
        id=pit.id,
        x_px=pit.x_px,
        y_px=pit.y_px,
        area_px=pit.opening_area_px,
        colour_class="",
        axial_mm=pit.axial_mm,
        around_mm=pit.around_mm,
        area_mm2=pit.opening_area_mm2,
    )


def _drawn_pit(surface: Surface, number: int, entry: Correction) -> Pit:
    assert entry.points_px is not None and entry.diameter_px is not None
    x, y = entry.points_px[0]
    if entry.diameter_px > max(surface.metal.shape):
        raise InputError(f"The pit added at {x:.0f}, {y:.0f} would be wider than the piece; draw it again with its true width.")
    column, row = round(x) - surface.origin_px[0], round(y) - surface.origin_px[1]
    if not (0 <= row < surface.metal.shape[0] and 0 <= column < surface.metal.shape[1] and surface.metal[row, column]):
        raise InputError(f"The pit added at {x:.0f}, {y:.0f} lies off the metal; point at the metal inside the outline.")
    disc = np.zeros(surface.metal.shape, np.uint8)
    cv2.circle(disc, (column, row), max(1, round(entry.diameter_px / 2)), 1, -1)
    inside = (disc > 0) & surface.metal
    area_px = math.pi * entry.diameter_px**2 / 4
    pointing = 2 * POINTING_PX / entry.diameter_px  # relative, of the area
    millimetres: dict[str, object] = {}
    if surface.mm_per_px is not None:
        area = area_px * float(np.mean(surface.area_per_px[inside]))
        shares = {source: part / surface.mm_per_px.value for source, part in surface.mm_per_px.budget.items()}
        diameter = math.sqrt(4 * area / math.pi)

        def drawn(value: float, power: int) -> Measure:
            budget = {source: power * share * value for source, share in shares.items()}
            return Measure(value=value, budget={**budget, "pointing": power * value * pointing / 2})

        length = drawn(diameter, 1)
        millimetres = {
            "axial_mm": float(surface.axial[row, column]),
            "around_mm": float(surface.around[row, column]),
            "opening_area_mm2": drawn(area, 2),
            "equivalent_diameter_mm": length,
            "length_mm": length,
            "width_mm": length,
        }
    return Pit(
        id=number,
        x_px=x,
        y_px=y,
        opening_area_px=area_px,
        equivalent_diameter_px=entry.diameter_px,
        confidence=1.0,
        through=None,
        obliquity_deg=float(surface.obliquity_deg[row, column]),
        contrast=0.0,
        **millimetres,  # type: ignore[arg-type]
    )


def _trimmed(surface: Surface, metal: np.ndarray) -> Surface:
    if np.array_equal(metal, surface.metal):
        return surface
    metal.setflags(write=False)

    def part(area: Measure, before: np.ndarray, after: np.ndarray) -> Measure:
        whole = float(surface.area_per_px[before].sum())
        return area.times(float(surface.area_per_px[after].sum()) / whole) if whole else area

    trimmed = replace(surface, metal=metal)
    return replace(
        trimmed,
        seen_area=part(surface.seen_area, surface.metal, metal),
        examined_area=part(surface.examined_area, surface.examined, trimmed.examined),
    )


def _length_factor(surface: Surface, entry: Correction) -> Measure:
    """The marked length by the length that the automatic scale gives between the same two points on the metal."""
    if surface.mm_per_px is None:
        raise InputError("The photo has no scale to correct; give the known length as its marker instead.")
    assert entry.points_px is not None and entry.length_mm is not None
    places = []
    for x, y in entry.points_px:
        column, row = round(x) - surface.origin_px[0], round(y) - surface.origin_px[1]
        if not (0 <= row < surface.metal.shape[0] and 0 <= column < surface.metal.shape[1] and surface.metal[row, column]):
            raise InputError(f"The length's end at {x:.0f}, {y:.0f} lies off the metal; mark both ends on the metal.")
        places.append((float(surface.axial[row, column]), float(surface.around[row, column])))
    before = math.dist(*places)
    if before <= 0:
        raise InputError("Both ends of the known length are at the same place; mark them further apart.")
    pixels = math.dist(*entry.points_px)
    factor = entry.length_mm / before
    if not 0.2 < factor < 5:
        raise InputError(
            f"The known length of {entry.length_mm:g} mm is {factor:.3g} times what the photo's scale gives; check the "
            "number and its unit."
        )
    return Measure(value=factor, budget={"pointing": factor * math.sqrt(2) * POINTING_PX / pixels})


def _rescaled(surface: Surface, catalogue: PitCatalogue, factor: Measure) -> tuple[Surface, PitCatalogue]:
    """Every length times the factor, every area times its square; the marked length replaces the marker as the scale's source."""
    assert surface.mm_per_px is not None
    relative = factor.standard_uncertainty / factor.value
    f = factor.value
    replaced = surface.mm_per_px.budget  # what the automatic scale rested on; every other source of a measure stays

    def scaled(measure: Measure | None, power: int) -> Measure | None:
        if measure is None:
            return None
        value = measure.value * f**power
        own = {source: part * f**power for source, part in measure.budget.items() if source not in replaced}
        return Measure(value=value, budget={**own, "known length": power * value * relative})

    new_surface = replace(
        surface,
        mm_per_px=scaled(surface.mm_per_px, 1),
        seen_area=scaled(surface.seen_area, 2),
        examined_area=scaled(surface.examined_area, 2),
        axial_length=scaled(surface.axial_length, 1),
        axial=surface.axial * np.float32(f),
        around=surface.around * np.float32(f),
        area_per_px=surface.area_per_px * np.float32(f * f),
        radius_mm=None if surface.radius_mm is None else surface.radius_mm * f,
    )
    pits = tuple(
        replace(
            pit,
            axial_mm=None if pit.axial_mm is None else pit.axial_mm * f,
            around_mm=None if pit.around_mm is None else pit.around_mm * f,
            opening_area_mm2=scaled(pit.opening_area_mm2, 2),
            equivalent_diameter_mm=scaled(pit.equivalent_diameter_mm, 1),
            length_mm=scaled(pit.length_mm, 1),
            width_mm=scaled(pit.width_mm, 1),
        )
        for pit in catalogue.pits
    )
    mounds = tuple(replace(mound, area_mm2=scaled(mound.area_mm2, 2)) for mound in catalogue.mounds)
    return new_surface, replace(catalogue, pits=pits, mounds=mounds)
