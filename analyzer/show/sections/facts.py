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
    rows = tuple(
        (facts.label(name), facts.describe(name, value, units)) for name, value in sorted(examination.facts.items())
    )
    return Section(
        id="facts",
        annex=True,
        title="Facts of the installation, as told",
        blocks=(Table(head=("Fact", "Told"), rows=rows, widths=(4, 6)),),
    )
