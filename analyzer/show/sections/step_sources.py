"""Why each step, and who says so."""

from __future__ import annotations

from analyzer.causes.steps import PHASES, Step
from analyzer.result.examination import Examination
from analyzer.show import phrases
from analyzer.show.blocks import Block, Bullets, Paragraph, Section
from analyzer.show.edition import Edition

NO_SOURCE = "common practice, no source"  # as the data say it of a rule of the trade
_PRACTICE = "practice"  # stands for it: most steps would else repeat it


def build(examination: Examination, edition: Edition) -> Section:
    """By the steps' numbers under "What to do", a phase of the plan at a time; what several steps share is said once."""
    ordered = [step for phase in PHASES for step in examination.steps if step.phase == phase]
    number = {step.id: place for place, step in enumerate(ordered, 1)}
    told: list[str] = []
    for phase in PHASES:
        steps = [step for step in ordered if step.phase == phase]
        if not steps:
            continue
        why, source = phrases.said_of_all(steps)
        alike = [step for step in steps if why and (step.why, step.source) == (why, source)]
        rows = [f"{_numbers([number[step.id] for step in alike])}: {_said(alike[0])}"] if alike else []
        rows += [f"{number[step.id]}: {_said(step)}" for step in steps if step not in alike]
        told.append(f"{phase[:1].upper() + phase[1:]}. " + " ".join(rows))
    head = Paragraph(text=f"Numbers as under What to do. [{_PRACTICE}]: {NO_SOURCE}.")
    blocks: tuple[Block, ...] = (head, Bullets(items=tuple(told), small=True))
    return Section(id="step_sources", annex=True, title="Why each step, and who says so", blocks=blocks)


def _said(step: Step) -> str:
    """Without the causes that brought the step in: they are said of each step in examination.json."""
    return f"{step.why.split(' (In this case ')[0]} [{step.source.replace(NO_SOURCE, _PRACTICE)}]"


def _numbers(numbers: list[int]) -> str:
    """ "3 to 6" where they follow one another, else each."""
    if len(numbers) > 2 and numbers == list(range(numbers[0], numbers[-1] + 1)):
        return f"{numbers[0]} to {numbers[-1]}"
    return ", ".join(map(str, numbers))
