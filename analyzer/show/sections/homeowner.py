"""The homeowner's page, in plain words; it is also a file of its own."""

from __future__ import annotations

from analyzer.base.words import say
from analyzer.causes.steps import homeowner_page
from analyzer.result.examination import Examination
from analyzer.show.blocks import Block, Bullets, Caution, Heading, Section
from analyzer.show.edition import Edition


def build(examination: Examination, edition: Edition) -> Section:
    page = homeowner_page(examination.quantities, examination.judgement, examination.steps)
    blocks: list[Block] = [Caution(text=danger) for danger in page.dangers]
    for heading, lines, numbered in (
        ("What happened", page.what_happened, False),
        ("How sure is that?", page.how_sure, False),
        ("Do these first", page.first_three, True),
        ("Whom to call", page.whom_to_call, False),
        ("What it may cost", _cost(examination, page.who_repairs), False),
        ("What not to do", page.what_not_to_do, False),
    ):
        if lines:
            blocks.append(Heading(text=heading))
            blocks.append(Bullets(items=tuple(lines), numbered=numbered))
    blocks.append(Caution(text=page.limits))
    return Section(id="homeowner", title="For the homeowner, in plain words", blocks=tuple(blocks), new_page=True)


def _cost(examination: Examination, who: str) -> tuple[str, ...]:
    """From the owner's own prices only: this program knows none."""
    house = examination.house
    if not who:
        return ()
    if house is not None and house.thin_costs:
        return (house.thin_costs, say("show.cost_rests_on"))
    if house is None or house.costs is None:
        unused = any(flag.id == "prices_not_used" for flag in examination.flags)
        return (say("show.cost_not_added" if unused else "show.cost_not_known", who=who),)
    if house.history.worthless_ahead:
        return (say("show.cost_too_wide", who=who),)
    return (
        *(
            say("show.cost", name=o.name, low=f"{o.low:,.0f}", high=f"{o.high:,.0f}", middle=f"{o.present_value:,.0f}")
            for o in house.costs.options
        ),
        say("show.cost_rests_on"),
    )
