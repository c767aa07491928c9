"""The evidence sheets, a file of their own: what each figure of each pit rests on, as a crop of the photo."""

from __future__ import annotations

from dataclasses import replace

from analyzer.result.examination import Examination
from analyzer.result.record import CAUTION
from analyzer.show.blocks import Block, Caution, Gallery, Heading, Paragraph
from analyzer.show.edition import Edition
from analyzer.show.sections import answer, pictures, uncertainty

MOST_CROPS = 200  # the deepest measured, then the largest; all stand in pits.csv


def blocks(examination: Examination, edition: Edition) -> tuple[Block, ...]:
    units = edition.units
    found: list[Block] = [
        answer.marked(examination, units),
        Paragraph(
            text="To check a figure: find the pit's number on the marked photo, measure the mouth in the crop by its scale bar, and "
            "compare. The bar holds where the metal is seen square on; a length that runs aslant is longer than it looks. The "
            "photo itself is not changed: its SHA-256 stands above."
        ),
    ]
    ring = pictures.ring(examination, units)
    if ring is not None:
        found += [Heading(text="The cut ring"), ring]
    crops = pictures.crops(examination, units, most=MOST_CROPS, side_px=260)
    number = len(examination.standing_pits.pits)
    if crops:
        found.append(
            Heading(text=f"The pits, {len(crops)} of {number}" if number > len(crops) else f"The pits, all {number}")
        )
        found.append(Gallery(items=crops, columns=4, page_share=0.14))
    torches = pictures.torches(examination, units)
    if torches is not None:
        # A row of tall pictures needs height to show anything.
        tall = all(item.height_px > 1.2 * item.width_px for item in torches.items)
        shown = replace(torches, columns=4 if tall else 3, page_share=0.34 if tall else 0.2)
        found += [Heading(text="The series with the torch, with the pits marked"), shown]
    known = uncertainty.build(examination, edition)
    return (*found, Heading(text=known.title), *known.blocks, Caution(text=CAUTION))
