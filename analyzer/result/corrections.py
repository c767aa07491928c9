"""What a person corrects by hand. A correction never changes the automatic result: it stands beside it, with who, when and why.

The corrected figures are computed from the automatic result and the entries, in order, each time anew; so undo is
leaving an entry away.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple, overload

import cv2
import numpy as np

from analyzer.base.flags import InputError
from analyzer.base.measured import Measure
from analyzer.base.text import LONGEST, LONGEST_NAME, shown, whole_line
from analyzer.base.tomlfile import read_table
from analyzer.door.mend import Tap
from analyzer.marks.bands import Bands
from analyzer.marks.catalogue import SMALLEST_MM, Mound, Pit, PitCatalogue, metal_per_pixel, pit_at
from analyzer.piece.restrict import Kept, keep
from analyzer.piece.surface import Surface
from analyzer.relief.lights import Relief
from analyzer.ring.cut_ring import Ring
from analyzer.scale.calibration import Marker

KINDS = (
    "remove_pit",
    "confirm_pit",
    "call_mound",
    "add_pit",
    "examine_only",
    "leave_out",
    "known_length",
    "metal_here",
    "not_metal_here",
)
TAPS = ("metal_here", "not_metal_here")
LENGTHS = ("diameter_px", "diameter_mm", "length_mm")
ABOUT_A_PIT = ("remove_pit", "confirm_pit", "call_mound")
MOST_PX = 1e5  # no photo is as wide
POINTING_PX = 2.0  # how far off a fingertip or mouse points on a photo shown at its size: a judgement, no source
TOLD_WIDTH_MM = 0.1  # how well a person reads a mouth's width: a caliper 0.03, a ruler 0.3; a judgement, no source


@dataclass(frozen=True, kw_only=True)
class Correction:
    """One entry.

    ``remove_pit``, ``confirm_pit``, ``call_mound`` name a ``pit``, and with a point they stay with the pit that lies there when the
    photo is looked at anew and numbers change; ``add_pit`` has one point and ``diameter_mm`` on the metal or
    ``diameter_px``, or two points across its mouth; ``examine_only`` and ``leave_out`` have a polygon of three or more points;
    ``known_length`` has two points on the metal and ``length_mm`` (in a photo without a scale it gives the scale); ``metal_here`` and
    ``not_metal_here`` have one point, and the outline of the piece is cut out anew. Points are x, y in the upright photo.
    """

    kind: str
    who: str
    when: str
    why: str = ""
    pit: int | None = None
    points_px: tuple[tuple[float, float], ...] | None = None
    diameter_px: float | None = None
    diameter_mm: float | None = None
    length_mm: float | None = None


def read_corrections(path: str | Path) -> tuple[Correction, ...]:
    """Corrections from a TOML file of ``[[correction]]`` tables. Raises InputError naming the entry that cannot be right."""
    document = read_table(path, what="corrections")
    rows = document.get("correction", [])
    if not isinstance(rows, list) or set(document) - {"correction"}:
        raise InputError(
            f"The corrections file {path} may hold [[correction]] tables and nothing else; take the rest out."
        )
    return tuple(make_correction(row, number) for number, row in enumerate(rows, 1))


def make_correction(row: dict[str, object], number: int = 1) -> Correction:
    """A checked Correction from plain data."""

    def wrong(what: str) -> InputError:
        return InputError(f"Correction {number}: {what}.")

    if not isinstance(row, dict):
        raise wrong("write it as a [[correction]] table")
    unknown = set(row) - {"kind", "who", "when", "why", "pit", *LENGTHS, "points_px"}
    if unknown:
        raise wrong(
            f"{shown(', '.join(sorted(unknown)))} is not a field of a correction; see the README for the fields"
        )
    kind = row.get("kind")
    if kind not in KINDS:
        raise wrong(f"kind is one of {', '.join(KINDS)}")
    points = row.get("points_px")
    try:
        points_px = None if points is None else tuple((float(x), float(y)) for x, y in points)  # type: ignore[attr-defined]
        numbers = {name: None if row.get(name) is None else float(row[name]) for name in LENGTHS}  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise wrong("points are [[x, y], ...] and lengths are numbers") from None
    pit = row.get("pit")
    if pit is not None and (isinstance(pit, bool) or not isinstance(pit, int) or pit < 1):
        raise wrong(f"pit is the pit's number on the marked photo, not {shown(pit)}")
    if not all(isinstance(row.get(name, ""), str) for name in ("who", "when", "why")):
        raise wrong("who, when and why are texts in quotes")
    who, when, why = (
        whole_line(row.get(name, ""), f"Correction {number}: {name}", longest=longest)
        for name, longest in (("who", LONGEST_NAME), ("when", LONGEST_NAME), ("why", LONGEST))
    )
    if points_px is not None and not all(abs(v) < MOST_PX for point in points_px for v in point):  # nan too
        raise wrong("points are x, y in pixels of the upright photo; a point lies far outside any photo")
    diameter = numbers["diameter_px"]
    if diameter is not None and not 1 <= diameter < MOST_PX:
        raise wrong("diameter_px is the pit's width in pixels of the photo, 1 or more")
    if any(v is not None and not (math.isfinite(v) and v > 0) for v in numbers.values()):
        raise wrong("a length is a number above zero")
    count = 0 if points_px is None else len(points_px)
    if kind in ABOUT_A_PIT and (pit is None or count > 1):
        raise wrong(f"{kind} names the pit by its number, and may have one point where it lies")
    widths = sum(numbers[name] is not None for name in ("diameter_px", "diameter_mm"))
    across = count == 2 and points_px[0] != points_px[1]  # type: ignore[index]
    if kind == "add_pit" and not (count == 1 and widths == 1 or across and widths == 0):
        raise wrong(
            "add_pit has one point and diameter_mm or diameter_px, or two different points across the pit's mouth"
        )
    if kind in ("examine_only", "leave_out") and count < 3:
        raise wrong(f"{kind} has three points or more")
    if kind == "known_length" and (count != 2 or numbers["length_mm"] is None or points_px[0] == points_px[1]):  # type: ignore[index]
        raise wrong("known_length has two different points and length_mm")
    if kind in TAPS and count != 1:
        raise wrong(f"{kind} has one point")
    return Correction(
        kind=str(kind),
        who=who,
        when=when,
        why=why,
        pit=pit,
        points_px=points_px,
        **numbers,
    )


@dataclass(frozen=True, kw_only=True)
class Corrected:
    """What stands after the corrections."""

    surface: Surface
    pits: PitCatalogue
    bands: Bands | None
    relief: Relief | None
    ring: Ring | None  # of the same photo, on a cut end
    removed_pits: tuple[int, ...]  # of the program's pits, those that are none; mounds too
    added_pits: tuple[Pit, ...]
    mounds: tuple[int, ...]  # numbers of the pits that were called mounds
    scale_factor: float | None  # new mm_per_px by the automatic one, where a known length was marked
    kept: Kept  # the metal that outlines leave in
    without_pit: tuple[Correction, ...] = ()  # said of a pit at a place where none lies any more


def apply_corrections(
    surface: Surface,
    catalogue: PitCatalogue,
    corrections: Iterable[Correction],
    *,
    bands: Bands | None = None,
    relief: Relief | None = None,
    ring: Ring | None = None,
    lasting: Collection[str] = (),
) -> Corrected:
    """What stands after the entries: the last word on each pit counts, the last known length, and all outlines together.

    ``ring``: the cut ring where the photo itself shows one. ``lasting``: sources of the scale's uncertainty that a known length
    does not settle. Raises InputError where an entry names a pit that is not there or a place off the metal, or where hardly any
    metal is left to examine.
    """
    last: dict[int, str] = {}  # the last word on a pit, by its number
    drawn: dict[int, Correction] = {}
    without_pit: list[Correction] = []
    outlines: list[tuple[str, tuple[tuple[float, float], ...]]] = []
    automatic = {pit.id: pit for pit in catalogue.pits}
    factor: Measure | None = None
    for entry in corrections:
        if entry.kind in ABOUT_A_PIT:
            number = entry.pit
            if entry.points_px is not None:
                number = pit_at(*entry.points_px[0], (*catalogue.pits, *(_mouth(n, e) for n, e in drawn.items())))
                if number is None:
                    without_pit.append(entry)
                    continue
            assert number is not None
            if number not in automatic and number not in drawn:
                raise InputError(f"There is no pit {number} to correct; the numbers stand on the marked photo.")
            last[number] = entry.kind
        elif entry.kind == "add_pit":
            drawn[max(automatic, default=0) + len(drawn) + 1] = entry
        elif entry.kind in ("examine_only", "leave_out"):
            assert entry.points_px is not None
            outlines.append((entry.kind, entry.points_px))
        elif entry.kind == "known_length":
            factor = _length_factor(surface, entry)

    kept = keep(surface, outlines)
    found, kept_surface = catalogue, kept.surface
    if not kept.everything:
        found = found.restricted(kept)
        bands = None if bands is None else bands.restricted(kept)
        relief = None if relief is None else relief.restricted(kept)
        ring = None if ring is None else ring.restricted(kept)
    whole = surface
    if factor is not None:
        scaled = _Rescaled(surface, factor, frozenset(lasting))
        whole, kept_surface = scaled.surface(surface), scaled.surface(kept_surface)
        found, bands, relief = scaled.pits(found), scaled.bands(bands), scaled.relief(relief)
    added = tuple(_drawn_pit(whole, number, entry) for number, entry in drawn.items())
    known = [*found.pits, *(pit for pit in added if kept.holds(pit.x_px, pit.y_px))]
    taken_out = {number for number, word in last.items() if word in ("remove_pit", "call_mound")}
    called = [pit for pit in known if last.get(pit.id) == "call_mound"]
    standing = tuple(
        replace(pit, confidence=1.0, by_hand=True) if last.get(pit.id) == "confirm_pit" else pit
        for pit in known
        if pit.id not in taken_out
    )
    first_free = max((mound.id for mound in catalogue.mounds), default=0) + 1
    mounds = (*found.mounds, *(_as_mound(pit, number) for number, pit in enumerate(called, first_free)))
    labels = found.labels.copy()
    labels[~np.isin(labels, [pit.id for pit in standing])] = 0
    for pit in added:
        if any(pit.id == other.id for other in standing):
            centre = round(pit.x_px), round(pit.y_px)
            cv2.circle(labels, centre, max(1, round(pit.equivalent_diameter_px / 2)), pit.id, -1)
    corrected = found.with_pits(standing, mounds=mounds, labels=labels)
    return Corrected(
        surface=kept_surface,
        pits=corrected,
        bands=bands,
        relief=relief,
        ring=ring,
        removed_pits=tuple(sorted(taken_out & automatic.keys())),
        added_pits=tuple(pit for pit in standing if pit.id in drawn),
        mounds=tuple(sorted(number for number in taken_out if last[number] == "call_mound")),
        scale_factor=None if factor is None else factor.value,
        kept=kept,
        without_pit=tuple(without_pit),
    )


class _Mouth(NamedTuple):
    """Where a drawn pit lies, before it is measured."""

    id: int
    x_px: float
    y_px: float
    equivalent_diameter_px: float


def _mouth(number: int, entry: Correction) -> _Mouth:
    assert entry.points_px is not None
    x, y = (sum(values) / len(entry.points_px) for values in zip(*entry.points_px))
    across = math.dist(*entry.points_px) if len(entry.points_px) == 2 else entry.diameter_px or 0.0
    return _Mouth(number, x, y, across)


def marked_scale(corrections: Iterable[Correction]) -> Marker | None:
    """The first known length as the marker of a photo that has no scale of its own; None where there is no known length.

    With a scale the pits are found anew, under new numbers. Raises InputError where an entry before it names a pit.
    """
    entries = tuple(corrections)
    for number, entry in enumerate(entries):
        if entry.kind == "known_length":
            _no_number_before(entries[:number], "The known length gives this photo its scale", "mark the length first")
            assert entry.points_px is not None
            return Marker(kind="length", points_px=(entry.points_px[0], entry.points_px[1]), length_mm=entry.length_mm)
    return None


def taps(corrections: Iterable[Correction]) -> tuple[Tap, ...]:
    """What was said of places of the photo that are metal or not, in order.

    With another outline the pits are found anew, under new numbers. Raises InputError where an entry before the last tap names a pit.
    """
    entries = tuple(corrections)
    said = [number for number, entry in enumerate(entries) if entry.kind in TAPS]
    if said:
        _no_number_before(entries[: said[-1]], "What is metal and what is not changes the outline", "say that first")
    return tuple(
        Tap(x_px=entry.points_px[0][0], y_px=entry.points_px[0][1], metal=entry.kind == "metal_here")
        for entry in entries
        if entry.kind in TAPS and entry.points_px is not None
    )


def _no_number_before(earlier: Iterable[Correction], because: str, then: str) -> None:
    if any(entry.kind in ABOUT_A_PIT and entry.points_px is None for entry in earlier):
        raise InputError(
            f"{because}, and its pits are then found anew under new numbers: {then}, then correct the pits."
        )


def beside_the_metal(entry: Correction, surface: Surface) -> bool:
    """Whether a known length cannot be read on the metal: an end lies off it, or it is a cut end that has no lengths of its own."""
    return surface.view == "end" or any(_place(surface, x, y) is None for x, y in entry.points_px or ())


def _place(surface: Surface, x_px: float, y_px: float) -> tuple[float, float] | None:
    """(axial, around) of a place of the photo, between pixel centres linearly where metal is all round; None off the metal."""
    x, y = x_px - surface.origin_px[0], y_px - surface.origin_px[1]
    column, row = round(x), round(y)
    height, width = surface.metal.shape
    if not (0 <= row < height and 0 <= column < width and surface.metal[row, column]):
        return None
    left, top = min(max(math.floor(x), 0), max(width - 2, 0)), min(max(math.floor(y), 0), max(height - 2, 0))
    box = np.s_[top : top + 2, left : left + 2]
    if surface.metal[box].shape != (2, 2) or not surface.metal[box].all():
        return float(surface.axial[row, column]), float(surface.around[row, column])
    across, down = np.array([left + 1 - x, x - left]), np.array([top + 1 - y, y - top])
    return float(down @ surface.axial[box] @ across), float(down @ surface.around[box] @ across)


def _as_mound(pit: Pit, number: int) -> Mound:
    return Mound(
        id=number,
        x_px=pit.x_px,
        y_px=pit.y_px,
        area_px=pit.opening_area_px,
        colour_class="",
        axial_mm=pit.axial_mm,
        around_mm=pit.around_mm,
        area_mm2=pit.opening_area_mm2,
    )


def _drawn_pit(surface: Surface, number: int, entry: Correction) -> Pit:
    """A pit that a person added: round, as wide as was told or as the two points across its mouth lie apart on the metal."""
    assert entry.points_px is not None
    places = [_place(surface, x, y) for x, y in entry.points_px]
    x, y = (float(v) for v in np.mean(entry.points_px, axis=0))
    centre = _place(surface, x, y)
    if centre is None or None in places:
        raise InputError(
            f"The pit added at {x:.0f}, {y:.0f} lies off the metal; point at the metal inside the outline."
        )
    scale = surface.mm_per_px
    if scale is None and entry.diameter_mm is not None:
        raise InputError(
            f"The photo has no scale, so {entry.diameter_mm:g} mm cannot be drawn at {x:.0f}, {y:.0f}; give two points across "
            "the pit's mouth instead."
        )
    local = metal_per_pixel(surface, x, y)  # metal in a pixel, 1 without a scale
    if entry.diameter_mm is not None:
        diameter, own = entry.diameter_mm, {"width as told": TOLD_WIDTH_MM / entry.diameter_mm}
    elif entry.diameter_px is not None:
        diameter, own = entry.diameter_px * math.sqrt(local), {"pointing": POINTING_PX / entry.diameter_px}
    else:
        diameter = math.dist(*places)  # type: ignore[arg-type]
        own = {"pointing": math.sqrt(2) * POINTING_PX / math.dist(*entry.points_px)}
    area = math.pi * diameter**2 / 4
    area_px = area / local
    if math.sqrt(area_px) > max(surface.metal.shape):
        raise InputError(
            f"The pit added at {x:.0f}, {y:.0f} would be wider than the piece; draw it again with its true width."
        )
    millimetres: dict[str, object] = {}
    if scale is not None:
        # A width told in millimetres does not hang on the photo's scale.
        shared = {} if entry.diameter_mm is not None else scale.shares

        def measure(value: float, power: int) -> Measure:
            return Measure.by_shares(value, shared, own, power=power, positive=True)

        millimetres = {
            "axial_mm": centre[0],
            "around_mm": centre[1],
            "opening_area_mm2": measure(area, 2),
            **{name: measure(diameter, 1) for name in ("equivalent_diameter_mm", "length_mm", "width_mm")},
        }
    row, column = round(y) - surface.origin_px[1], round(x) - surface.origin_px[0]
    return Pit(
        id=number,
        x_px=x,
        y_px=y,
        opening_area_px=area_px,
        equivalent_diameter_px=math.sqrt(4 * area_px / math.pi),
        confidence=1.0,
        through=None,
        obliquity_deg=float(surface.obliquity_deg[row, column]),
        contrast=0.0,
        by_hand=True,
        **millimetres,  # type: ignore[arg-type]
    )


def _length_factor(surface: Surface, entry: Correction) -> Measure:
    """The marked length by the length that the automatic scale gives between the same two points on the metal."""
    assert entry.points_px is not None and entry.length_mm is not None
    if surface.mm_per_px is None:
        raise InputError("The photo has no scale to correct; give the known length as its marker instead.")
    if surface.view == "end":
        raise InputError(
            "On a cut ring a known length corrects nothing; give it as the marker instead (--marker length:...)."
        )
    places = []
    for x, y in entry.points_px:
        place = _place(surface, x, y)
        if place is None:
            raise InputError(f"The length's end at {x:.0f}, {y:.0f} lies off the metal; mark both ends on the metal.")
        places.append(place)
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
    return Measure.by_shares(factor, {"pointing": math.sqrt(2) * POINTING_PX / pixels})


class _Rescaled:
    """Every length times a factor, every area times its square; the marked length replaces the marker as the scale's source."""

    def __init__(self, surface: Surface, factor: Measure, lasting: frozenset[str]) -> None:
        assert surface.mm_per_px is not None
        self._relative = factor.standard_uncertainty / factor.value
        self._f = factor.value
        # What the automatic scale rested on; every other source stays.
        self._replaced = set(surface.mm_per_px.budget) - lasting

    @overload
    def _scaled(self, measure: Measure, power: int) -> Measure: ...
    @overload
    def _scaled(self, measure: None, power: int) -> None: ...
    def _scaled(self, measure: Measure | None, power: int) -> Measure | None:
        if measure is None:
            return None
        scaled = measure.without(self._replaced).times(self._f**power)
        return scaled.plus("known length", power * scaled.value * self._relative)

    def _place(self, length: float | None) -> float | None:
        return None if length is None else length * self._f

    def _extent(self, span: tuple[float, float] | None) -> tuple[float, float] | None:
        return None if span is None else (span[0] * self._f, span[1] * self._f)

    def surface(self, surface: Surface) -> Surface:
        return replace(
            surface,
            mm_per_px=self._scaled(surface.mm_per_px, 1),
            seen_area=self._scaled(surface.seen_area, 2),
            examined_area=self._scaled(surface.examined_area, 2),
            axial_length=self._scaled(surface.axial_length, 1),
            axial_from=surface.axial_from * self._f,
            axial=surface.axial * np.float32(self._f),
            around=surface.around * np.float32(self._f),
            area_per_px=surface.area_per_px * np.float32(self._f * self._f),
            radius_mm=self._place(surface.radius_mm),
        )

    def pits(self, catalogue: PitCatalogue) -> PitCatalogue:
        pits = tuple(
            replace(
                pit,
                axial_mm=self._place(pit.axial_mm),
                around_mm=self._place(pit.around_mm),
                opening_area_mm2=self._scaled(pit.opening_area_mm2, 2),
                equivalent_diameter_mm=self._scaled(pit.equivalent_diameter_mm, 1),
                length_mm=self._scaled(pit.length_mm, 1),
                width_mm=self._scaled(pit.width_mm, 1),
            )
            for pit in catalogue.pits
        )
        mounds = tuple(
            replace(
                mound,
                axial_mm=self._place(mound.axial_mm),
                around_mm=self._place(mound.around_mm),
                area_mm2=self._scaled(mound.area_mm2, 2),
            )
            for mound in catalogue.mounds
        )
        # What was too small to be reported by the old scale was not looked for by the new one either.
        smallest = catalogue.smallest_counted_mm
        if smallest is not None:
            smallest = max(SMALLEST_MM, smallest * self._f)
        return catalogue.with_pits(pits, mounds=mounds, smallest_counted_mm=smallest)

    def bands(self, bands: Bands | None) -> Bands | None:
        if bands is None:
            return None
        return replace(
            bands,
            bands=tuple(
                replace(
                    band,
                    axial_mm=self._extent(band.axial_mm),
                    around_mm=self._extent(band.around_mm),
                    area_mm2=self._scaled(band.area_mm2, 2),
                )
                for band in bands.bands
            ),
        )

    def relief(self, relief: Relief | None) -> Relief | None:
        if relief is None:
            return None
        heights = relief.heights
        return replace(
            relief,
            pit_depths_mm={number: self._scaled(depth, 1) for number, depth in relief.pit_depths_mm.items()},
            holes=tuple(
                replace(hole, axial_mm=self._place(hole.axial_mm), around_mm=self._place(hole.around_mm))
                for hole in relief.holes
            ),
            heights=None
            if heights is None
            else replace(
                heights,
                mm=heights.mm * np.float32(self._f),
                step_mm=heights.step_mm * self._f,
                axial_mm=heights.axial_mm * self._f,
                around_mm=heights.around_mm * self._f,
            ),
        )
