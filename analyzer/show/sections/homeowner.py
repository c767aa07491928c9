"""The homeowner's page, in plain words."""

from __future__ import annotations

from analyzer.causes.steps import homeowner_page
from analyzer.result.examination import Examination
from analyzer.show.blocks import Block, Bullets, Caution, Paragraph, Section


def build(examination: Examination, units: str) -> Section:
    page = homeowner_page(examination.quantities, examination.judgement, examination.steps)
    blocks: list[Block] = [Caution(text=danger) for danger in page.dangers]
    for heading, lines, numbered in (
        ("What happened", page.what_happened, False),
        ("How sure is that?", page.how_sure, False),
        ("Do these first", page.first_three, True),
        ("Whom to call", page.whom_to_call, False),
        ("What not to do", page.what_not_to_do, False),
    ):
        if lines:
            blocks.append(Paragraph(text=heading, strong=True))
            blocks.append(Bullets(items=tuple(lines), numbered=numbered))
    blocks.append(Caution(text=page.limits))
    return Section(id="homeowner", title="For the homeowner, in plain words", blocks=tuple(blocks), new_page=True)
