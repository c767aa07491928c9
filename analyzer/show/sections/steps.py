"""What to do, in order."""

from __future__ import annotations

from analyzer.causes.steps import PHASES
from analyzer.result.examination import Examination
from analyzer.show import phrases
from analyzer.show.blocks import Block, Paragraph, Section, Table


def build(examination: Examination, units: str) -> Section:
    blocks: list[Block] = []
    for phase in PHASES:
        rows = [step for step in examination.steps if step.phase == phase]
        if not rows:
            continue
        blocks.append(Paragraph(text=phase[:1].upper() + phase[1:], strong=True))
        why, source = phrases.said_of_all(rows)
        if why:
            blocks.append(Paragraph(text=f"{why} [{source}]"))
        blocks.append(
            Table(
                head=("Step", "What and why"),
                rows=tuple(
                    (
                        f"{step.title}\n({step.who}; {step.effort})",
                        " ".join(
                            part
                            for part in (
                                step.what,
                                "" if (step.why, step.source) == (why, source) else step.why,
                                f"\nCaution: {step.caution}" if step.caution else "",
                                "" if (step.why, step.source) == (why, source) else f"[{step.source}]",
                            )
                            if part
                        ),
                    )
                    for step in rows
                ),
                widths=(3.4, 10),
            )
        )
    return Section(id="steps", title="What to do", blocks=tuple(blocks), new_page=True)
