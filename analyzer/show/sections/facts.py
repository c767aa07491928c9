"""The facts as told."""

from __future__ import annotations

from analyzer.house import facts
from analyzer.result.examination import Examination
from analyzer.show.blocks import Section, Table
from analyzer.show.edition import Edition


def build(examination: Examination, edition: Edition) -> Section | None:
    units = edition.units
    if not examination.facts:
        return None
    told = [
        (facts.label(name), facts.describe(name, value, units)) for name, value in sorted(examination.facts.items())
    ]
    half = -(-len(told) // 2)  # two beside each other: a long list takes half the height
    rows = tuple((*told[k], *(told[k + half] if k + half < len(told) else ("", ""))) for k in range(half))
    return Section(
        id="facts",
        annex=True,
        title="Facts of the installation, as told",
        blocks=(Table(head=("Fact", "Told", "Fact", "Told"), rows=rows, widths=(4, 4, 4, 4)),),
    )
