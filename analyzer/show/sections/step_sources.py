"""Why each step, and who says so."""

from __future__ import annotations

from analyzer.causes.steps import PHASES
from analyzer.result.examination import Examination
from analyzer.show import phrases
from analyzer.show.blocks import Block, Bullets, Paragraph, Section
from analyzer.show.edition import Edition


def build(examination: Examination, edition: Edition) -> Section:
    rows: list[str] = []
    shared: list[Block] = []
    for phase in PHASES:
        steps = [step for step in examination.steps if step.phase == phase]
        if not steps:
            continue
        why, source = phrases.said_of_all(steps)
        if why:
            shared.append(Paragraph(text=f"{phase[:1].upper() + phase[1:]}, most steps: {why} [{source}]"))
        rows += [
            f"{step.title}: {step.why} [{step.source}]" for step in steps if (step.why, step.source) != (why, source)
        ]
    return Section(
        id="step_sources",
        annex=True,
        title="Why each step, and who says so",
        blocks=(*shared, Bullets(items=tuple(rows), small=True)),
    )
