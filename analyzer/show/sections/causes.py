"""Why it failed."""

from __future__ import annotations

from analyzer.causes.rules import STANDINGS
from analyzer.house import facts
from analyzer.result.examination import Examination
from analyzer.show import charts, phrases
from analyzer.show.blocks import Block, Bullets, Heading, Paragraph, Section, Table, picture
from analyzer.show.edition import Edition

# A judgement, no source.
MOST_CAUSES_TOLD = 4  # in full; the rest stand in the table and in examination.json


def build(examination: Examination, edition: Edition) -> Section:
    judgement = examination.judgement
    blocks: list[Block] = [
        Table(
            head=("Standing", "Causes"),
            rows=tuple(
                (
                    standing,
                    "; ".join(
                        f.name + (f" ({f.role})" if f.role else "")
                        for f in judgement.findings
                        if f.standing == standing
                    ),
                )
                for standing in STANDINGS
                if any(f.standing == standing for f in judgement.findings)
            ),
            widths=(2.2, 9),
        ),
    ]
    plot = charts.for_and_against(judgement.findings)
    if plot is not None:
        blocks.append(
            picture(
                plot,
                "What speaks for and against each cause by the rules; the facts themselves stand below.",
                "Bars for and against each leading cause; the facts follow in words.",
                page_share=0.17,
            )
        )
    shown = [f for f in judgement.findings if f.standing in ("fits well", "fits")] or list(judgement.findings[:2])
    shown = shown[:MOST_CAUSES_TOLD]
    for finding in shown:
        blocks.append(Heading(text=f"{finding.name}: {finding.standing}"))
        blocks.append(Paragraph(text=finding.technical))
        known = [("For", reason) for reason in finding.facts_for] + [
            ("Against", reason) for reason in finding.facts_against
        ]
        if known:
            blocks.append(
                Bullets(
                    items=tuple(
                        f"{heading}: {reason.sentence} [{phrases.source_in_short(reason.source)}]"
                        for heading, reason in known
                    )
                )
            )
        if finding.facts_not_known:
            asked = ", ".join(dict.fromkeys(facts.label(reason.quantity) for reason in finding.facts_not_known))
            blocks.append(Paragraph(text=f"Not known, and would count: {asked}."))
    if any(f.facts_for or f.facts_against for f in shown):
        blocks.append(
            Paragraph(text="What was read of each work, and of which only the memory speaks, prints: cutpipe rules.")
        )
    for title, lines in (
        ("Where the facts pull both ways", judgement.conflicts),
        ("Keep for a laboratory", judgement.keep),
    ):
        if lines:
            blocks.append(Heading(text=title))
            blocks.append(Bullets(items=tuple(lines)))
    return Section(id="causes", title="Why it failed", blocks=tuple(blocks))
