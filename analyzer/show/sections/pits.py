"""The table of pits."""

from __future__ import annotations

from analyzer.base import display
from analyzer.result.examination import Examination
from analyzer.show.blocks import Block, Paragraph, Section, Table
from analyzer.show.edition import Edition
from analyzer.wall.remaining import PitDepth

MOST_PITS_LISTED = 40  # the largest; all stand in pits.csv


def build(examination: Examination, edition: Edition) -> Section | None:
    units = edition.units
    pits = examination.standing_pits.pits
    if not pits:
        return None
    depths = examination.wall.pit_depths
    largest = sorted(pits, key=lambda pit: -pit.equivalent_diameter_px)[:MOST_PITS_LISTED]
    # A column that knows nothing is left out, and said so once.
    any_through = any(pit.through is not None for pit in pits)
    told_depths = [depth for depth in depths.values() if depth.depth_mm is not None]
    measured = any(not depth.indicative for depth in told_depths)
    head = ["No.", "Along", "Round", "Opening (95 %)"]
    widths = [1.2, 2.2, 2.2, 5.2]
    numbered = not examination.standing_pits.generally_attacked
    notes = [
        "Numbers as on the marked photo."
        if numbered
        else "Numbers as in pits.csv: too close to each other to stand on the photo."
    ]
    if told_depths:
        head.append("Depth (95 %)" if measured else "Depth, a range")
        widths.append(5.2 if measured else 4.0)
        notes.append(
            "A depth with a question mark is a range from the size of the mouth alone."
            if measured
            else "The depth is a range from the size of the mouth alone: nothing measured it."
        )
    if any_through:
        head.append("Through?")
        widths.append(1.9)
    else:
        notes.append("Whether any pit goes through the wall is not known.")
    head.append("Of 100 like it, pits")
    widths.append(2.6)
    notes.append(
        "Last column: of 100 candidates that looked like this one on pictures with known truth, how many were pits."
    )
    if any(pit.by_hand for pit in pits):
        notes.append("By hand: a person added it or said that it is one.")
    small = len(pits) - len(examination.standing_pits.counted)
    if small:
        smallest = display.plain(examination.standing_pits.smallest_counted_mm, "length_mm", units)
        notes.append(
            f"{small} of the {len(pits)} listed {'is' if small == 1 else 'are'} smaller than the smallest that counts ({smallest})."
        )
    rows = []
    for pit in largest:
        opening = f"{pit.equivalent_diameter_px:.0f} pixels"
        if pit.equivalent_diameter_mm:
            opening = display.full(pit.equivalent_diameter_mm, "length_mm", units).replace(
                "(95 %: ", "("
            )  # the column's head says it
        row = [
            str(pit.id),
            display.plain(pit.axial_mm, "length_mm", units),
            display.plain(pit.around_mm, "length_mm", units),
            opening,
        ]
        if told_depths:
            row.append(_depth(depths.get(pit.id), units, mark=measured))
        if any_through:
            row.append({True: "yes", False: "no", None: display.UNKNOWN}[pit.through])
        row.append("by hand" if pit.by_hand else f"{100 * pit.confidence:.0f}")
        rows.append(tuple(row))
    blocks: list[Block] = [Table(head=tuple(head), rows=tuple(rows), widths=tuple(widths), caption=" ".join(notes))]
    if len(pits) > MOST_PITS_LISTED:
        blocks.append(Paragraph(text=f"The {MOST_PITS_LISTED} largest of {len(pits)}; all stand in pits.csv."))
    return Section(id="pits", annex=True, title="Pits", blocks=tuple(blocks))


def _depth(depth: PitDepth | None, units: str, *, mark: bool) -> str:
    """A measured depth with its interval; what only the mouth's size allows is no more than a range, with a question ``mark``."""
    if depth is None or depth.depth_mm is None:
        return display.UNKNOWN
    if depth.indicative:
        return f"{display.interval(depth.depth_mm, 'length_mm', units)} {display.unit('length_mm', units)}" + (
            "?" if mark else ""
        )
    return display.full(depth.depth_mm, "length_mm", units).replace("(95 %: ", "(")
