"""What to do, in order."""

from __future__ import annotations

from analyzer.causes.steps import PHASES
from analyzer.result.examination import Examination
from analyzer.show.blocks import Block, Bullets, Heading, Section
from analyzer.show.edition import Edition


def build(examination: Examination, edition: Edition) -> Section:
    """Every step with who, what and its caution; why, and who says so, stand in the annex under the step's number."""
    done = {tick.step: f" Done {tick.when[:10]}{f' by {tick.by}' if tick.by else ''}." for tick in edition.steps_done}
    blocks: list[Block] = []
    first = 1
    for phase in PHASES:
        rows = [step for step in examination.steps if step.phase == phase]
        if not rows:
            continue
        blocks.append(Heading(text=phase[:1].upper() + phase[1:]))
        blocks.append(
            Bullets(
                items=tuple(
                    f"{step.title} ({step.who}; {step.effort}). {step.what}"
                    + (f" Caution: {step.caution}" if step.caution else "")
                    + done.get(step.id, "")
                    for step in rows
                ),
                small=True,
                numbered=True,
                first=first,
            )
        )
        first += len(rows)
    return Section(id="steps", title="What to do", blocks=tuple(blocks))
