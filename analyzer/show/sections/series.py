"""Which photographs and records there are, what is missing and why it matters, and who had the piece: of a kept case."""

from __future__ import annotations

from analyzer.base import display
from analyzer.result.examination import Examination
from analyzer.show.blocks import Block, Paragraph, Section, Table
from analyzer.show.edition import Edition


def build(examination: Examination, edition: Edition) -> Section | None:
    if not edition.series:
        return None
    rows = tuple(
        (
            item.title,
            display.UNKNOWN if item.missing is None else "missing" if item.missing else str(item.there),
            f"{item.why} [{item.source}]" if item.missing else "",
        )
        for item in edition.series
    )
    blocks: list[Block] = [
        Table(head=("Photograph or record", "There", "Missing, it matters because"), rows=rows, widths=(5, 3, 9))
    ]
    if edition.hand_overs:
        handed = tuple(
            (over.when.replace("T", " ")[:16], over.what, over.by or display.UNKNOWN, over.to or display.UNKNOWN)
            for over in edition.hand_overs
        )
        blocks.append(Table(head=("Handed over", "What", "By", "To"), rows=handed, widths=(3, 5, 4, 4)))
    else:
        blocks.append(Paragraph(text="No hand-over of the piece was noted."))
    return Section(id="series", annex=True, title="What was kept of the evidence", blocks=tuple(blocks))
