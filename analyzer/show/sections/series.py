"""Which photographs and records there are, what is missing and why it matters, and who had the piece: of a kept case."""

from __future__ import annotations

from analyzer.base import display
from analyzer.result.examination import Examination
from analyzer.show.blocks import Block, Bullets, Heading, Paragraph, Section, Table
from analyzer.show.edition import Edition, Noted
from analyzer.show.pit_card import pit_at


def build(examination: Examination, edition: Edition) -> Section | None:
    """Nothing is held up by what is missing; why it is asked for, and who says so, stands in series.json of a bundle."""
    if not edition.series:
        return None
    there = [f"{item.title} ({item.there})" for item in edition.series if item.there]
    missing = [f"{item.title}: {item.why}" for item in edition.series if item.missing]
    unknown = [item.title for item in edition.series if item.missing is None]
    blocks: list[Block] = [Paragraph(text=f"There: {'; '.join(there) or 'nothing yet'}.")]
    if unknown:
        blocks.append(Paragraph(text=f"Not known: {'; '.join(unknown)}."))
    if missing:
        blocks += [Heading(text="Missing, and why it matters"), Bullets(items=tuple(missing), small=True)]
    if edition.hand_overs:
        handed = tuple(
            (over.when.replace("T", " ")[:16], over.what, over.by or display.UNKNOWN, over.to or display.UNKNOWN)
            for over in edition.hand_overs
        )
        blocks.append(Table(head=("Handed over", "What", "By", "To"), rows=handed, widths=(3, 5, 4, 4)))
    else:
        blocks.append(Paragraph(text="No hand-over of the piece was noted."))
    if edition.notes:
        blocks.append(Heading(text="Notes, as they were kept"))
        blocks.append(Bullets(items=tuple(_noted(note, examination) for note in edition.notes), small=True))
    return Section(id="series", annex=True, title="What was kept of the evidence", blocks=tuple(blocks))


def _noted(note: Noted, examination: Examination) -> str:
    """The note with when, by whom and where; on a pit, with its number."""
    head = ", ".join(part for part in (note.when.replace("T", " ")[:16], note.by) if part)
    if note.x_px is None or note.y_px is None:
        return f"{head}: {note.text}"
    pit = pit_at(examination.standing_pits, note.x_px, note.y_px)
    on = f"on pit {pit.id}, " if pit is not None else ""
    return f"{head}: {note.text} ({on}at pixel {note.x_px:.0f}, {note.y_px:.0f} of the upright photo)"
