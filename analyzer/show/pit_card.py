"""One pit by itself: its crop, and each of its figures with what that figure rests on. The pages and the evidence sheets show it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analyzer.base import display
from analyzer.marks.catalogue import Pit, PitCatalogue
from analyzer.result.examination import Examination
from analyzer.show import drawing
from analyzer.show.blocks import Picture, picture

HOURS_IN_A_TURN = 12
MEASURED_BY = {
    "gauge": "with a depth gauge",
    "several lights": "from photos with the torch from several sides",
    "ring": "on the cut ring",
    "through-hole": "light was seen through it",
}


@dataclass(frozen=True, kw_only=True)
class Row:
    """``name``, ``value`` with its interval, and in one sentence what it rests on."""

    name: str
    value: str
    rests_on: str


@dataclass(frozen=True, kw_only=True)
class PitCard:
    number: int
    crop: Picture
    rows: tuple[Row, ...]


def pit_card(examination: Examination, number: int, units: str = "metric", *, side_px: int = 420) -> PitCard | None:
    """The card of pit ``number`` of those that stand; None where there is none of that number."""
    catalogue = examination.standing_pits
    pit = next((pit for pit in catalogue.pits if pit.id == number), None)
    if pit is None:
        return None
    scale = examination.standing_surface.mm_per_px
    rgb, enlarge = drawing.close_up(examination.photo, catalogue, number, side_px=side_px)
    rgb = drawing.with_bar(rgb, None if scale is None else scale.value / enlarge, units)
    rows = (
        _opening(examination, pit, units),
        _place(examination, pit, units),
        _depth(examination, pit, units),
        _judged(examination, pit),
    )
    words = "; ".join(f"{row.name.lower()} {row.value}" for row in rows)
    return PitCard(
        number=number,
        crop=picture(rgb, f"Pit {number} in the photo as taken.", f"Close-up of pit {number}, outlined; {words}."),
        rows=rows,
    )


def pit_at(catalogue: PitCatalogue, x_px: float, y_px: float) -> Pit | None:
    """The pit on whose mouth, or within its width of it, a place of the upright photo lies; None where there is none."""
    near = [
        (distance, pit.id, pit)
        for pit in catalogue.pits
        if (distance := math.hypot(x_px - pit.x_px, y_px - pit.y_px)) <= max(pit.equivalent_diameter_px, 3.0)
    ]
    return min(near)[2] if near else None


def clock_place(around_mm: float, radius_mm: float) -> str:
    """How far round the pipe a place lies from the middle of the metal seen, by the hours of a clock: one hour is 30 degrees.

    >>> clock_place(0.0, 10.0), clock_place(math.radians(45) * 10, 10.0), clock_place(-math.radians(30) * 10, 10.0)
    ('at the middle of the metal seen', '1½ hours below the middle', '1 hour above the middle')
    """
    hours = math.degrees(around_mm / radius_mm) / (360 / HOURS_IN_A_TURN)
    halves = round(2 * abs(hours))
    if halves == 0:
        return "at the middle of the metal seen"
    whole, half = divmod(halves, 2)
    said = f"{whole or ''}{'½' if half else ''}"
    return f"{said} {'hour' if halves <= 2 else 'hours'} {'below' if hours > 0 else 'above'} the middle"


def _opening(examination: Examination, pit: Pit, units: str) -> Row:
    if pit.equivalent_diameter_mm is None:
        return Row(
            name="Opening",
            value=f"{pit.equivalent_diameter_px:.0f} pixels of the photo",
            rests_on="The photo has no scale: mark a length on it, then this is given in millimetres.",
        )
    across = ""
    if pit.length_mm is not None and pit.width_mm is not None:
        across = (
            f" Long way {display.value(pit.length_mm, 'length_mm', units)}, short way "
            f"{display.value(pit.width_mm, 'length_mm', units)}."
        )
    return Row(
        name="Opening",
        value=display.full(pit.equivalent_diameter_mm, "length_mm", units),
        rests_on=f"{pit.opening_area_px:.0f} pixels within the outline, by the scale at the metal, seen {pit.obliquity_deg:.0f}° "
        f"from square; the width of a round mouth of that area.{across}",
    )


def _place(examination: Examination, pit: Pit, units: str) -> Row:
    in_photo = f"Its middle is pixel {pit.x_px:.0f}, {pit.y_px:.0f} of the upright photo."
    if pit.axial_mm is None or pit.around_mm is None:
        return Row(name="Place", value=f"pixel {pit.x_px:.0f}, {pit.y_px:.0f}", rests_on=in_photo)
    along = f"{display.plain(pit.axial_mm, 'length_mm', units)} from the left end"
    if abs(_tilt_deg(examination)) > 80:
        along = f"{display.plain(pit.axial_mm, 'length_mm', units)} from the upper end"
    radius = examination.standing_surface.radius_mm
    if radius is None or not math.isfinite(radius):
        round_ = f"{display.plain(pit.around_mm, 'length_mm', units)} across"
        return Row(name="Place", value=f"{along}, {round_}", rests_on=in_photo)
    return Row(
        name="Place",
        value=f"{along}, {clock_place(pit.around_mm, radius)}",
        rests_on=f"{in_photo} Hours as on a clock, 30° each, from the middle of the metal seen: a photo does not tell where the top was.",
    )


def _tilt_deg(examination: Examination) -> float:
    """How far the pipe lies from level in the photo, by the first place of the metal along it: 90 is upright."""
    surface = examination.standing_surface
    axial = surface.axial
    rows, columns = surface.metal.nonzero()
    if len(rows) < 2:
        return 0.0
    first, last = axial[rows, columns].argmin(), axial[rows, columns].argmax()
    return math.degrees(math.atan2(float(rows[last] - rows[first]), float(columns[last] - columns[first])))


def _depth(examination: Examination, pit: Pit, units: str) -> Row:
    depth = examination.wall.pit_depths.get(pit.id)
    if depth is None or depth.depth_mm is None:
        return Row(name="Depth", value=display.UNKNOWN, rests_on="Nothing measured it. One photo does not show depth.")
    if depth.indicative:
        span = display.interval(depth.depth_mm, "length_mm", units)
        return Row(
            name="Depth",
            value=f"anything from {span} {display.unit('length_mm', units)}",
            rests_on="From the width of its mouth alone, so no measurement. A gauge reading or photos with a torch tell it.",
        )
    return Row(
        name="Depth",
        value=display.full(depth.depth_mm, "length_mm", units),
        rests_on=f"Measured {MEASURED_BY.get(depth.evidence, depth.evidence)}.",
    )


def _judged(examination: Examination, pit: Pit) -> Row:
    if pit.by_hand:
        entry = next((e for e in reversed(examination.corrections) if e.pit == pit.id), None)
        by = f"{entry.who or 'a person'}, {entry.when[:10]}" if entry is not None and entry.when else "a person"
        return Row(
            name="Held for a pit by", value=by, rests_on="Said by hand; the program's own view no longer counts."
        )
    return Row(
        name="Held for a pit by",
        value="the program" + (", doubtful" if pit.confidence < drawing.SURE_FROM else ""),
        rests_on=f"Of 100 marks that looked like it on pictures with known truth, {100 * pit.confidence:.0f} were pits.",
    )
