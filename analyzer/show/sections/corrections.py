"""What was corrected by hand, beside the automatic figures."""

from __future__ import annotations

from itertools import groupby

from analyzer.base import display
from analyzer.base.measured import Measure
from analyzer.piece.surface import Surface
from analyzer.result.examination import Examination
from analyzer.show import phrases
from analyzer.show.blocks import Section, Table
from analyzer.show.edition import Edition

# A judgement, no source.
MOST_ROWS = 24


def _entries(examination: Examination, units: str) -> tuple[tuple[str, str, str, str], ...]:
    """Each entry in words; several of one kind by one person for one reason, one after the other, in one row."""
    rows = []
    alike = groupby(examination.corrections, key=lambda entry: (entry.kind, entry.who, entry.why))
    for (kind, who, why), group in alike:
        same = list(group)
        words = phrases.entry_in_words(same[0], units)
        when = same[0].when or display.UNKNOWN
        if len(same) > 1:
            numbers = ", ".join(str(entry.pit) for entry in same if entry.pit)
            words = f"{phrases.ENTRY_WORDS[kind]}, {len(same)} times" + (f": numbers {numbers}" if numbers else "")
            when += f" to {same[-1].when}" if same[-1].when != same[0].when else ""
        rows.append((words, who or display.UNKNOWN, when, why))
    return tuple(rows)


def build(examination: Examination, edition: Edition) -> Section | None:
    units = edition.units
    if not examination.corrections:
        return None
    automatic, by_hand = examination.pattern, examination.standing_pattern

    def scale(surface: Surface, method: str) -> str:
        measure = surface.mm_per_px
        if measure is None:
            return display.UNKNOWN
        relative = 196 * measure.standard_uncertainty / measure.value
        return f"{measure.value:.5f} mm a pixel ({phrases.scale_source(examination, method)}), ± {relative:.1f} %"

    def row(name: str, kind: str, before: Measure | None, after: Measure | None) -> tuple[str, str, str]:
        return name, display.full(before, kind, units), display.full(after, kind, units)

    def examined(surface: Surface) -> Measure | None:
        return surface.examined_area if surface.unit == "mm" else None

    surfaces = examination.surface, examination.standing_surface
    rows: tuple[tuple[str, ...], ...] = (
        row("Pits estimated", "count", examination.pits.count, examination.standing_pits.count),
        row("Pits per area", "per_cm2", automatic.pits_per_cm2, by_hand.pits_per_cm2),
        row("Largest pit opening", "length_mm", automatic.largest_diameter_mm, by_hand.largest_diameter_mm),
        row("Metal examined", "metal_mm2", *(examined(surface) for surface in surfaces)),
    )
    if examination.length_known:
        methods = examination.automatic_scale_method, examination.scale_method
        rows += (("Scale", *(scale(*pair) for pair in zip(surfaces, methods, strict=True))),)
        checks = (*examination.calibration.cross_checks, *examination.surface.cross_checks)
        rows += tuple((f"Cross-check: {check.name}", display.sentence(check.sentence, units), "") for check in checks)
    entries = _entries(examination, units)
    more = len(entries) - MOST_ROWS
    note = f"The last {MOST_ROWS} rows; {phrases.number_of(more, 'earlier row')} and every entry in full stand in examination.json."
    return Section(
        id="corrections",
        annex=True,
        title="Corrected by hand",
        blocks=(
            Table(head=("Measure", "Automatic", "Corrected"), rows=rows, widths=(3, 5, 5)),
            Table(
                head=("Entry", "Who", "When", "Why"),
                rows=entries[-MOST_ROWS:],
                widths=(3, 2, 3, 5),
                caption=note if more > 0 else "",
            ),
        ),
    )
