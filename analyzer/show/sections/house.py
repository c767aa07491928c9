"""Repair or replace, where leaks were told."""

from __future__ import annotations

from analyzer.result.examination import Examination
from analyzer.show import charts
from analyzer.show.blocks import Block, Bullets, Paragraph, Section, Table, picture
from analyzer.show.edition import Edition


def build(examination: Examination, edition: Edition) -> Section | None:
    """Repair or replace: only where leaks were told."""
    house = examination.house
    if house is None:
        return None
    rate, low, high = house.history.rate_per_year
    blocks: list[Block] = [
        Paragraph(text=house.recommendation, strong=True),
        Paragraph(text=f"Leaks a year, as if steady: {rate:.2f} (95 %: {low:.2f} to {high:.2f})."),
    ]
    if house.enough:
        blocks.append(Paragraph(text=house.enough))
    notes = (*house.persisting, *house.evidence)
    if notes:
        blocks.append(Bullets(items=notes))
    plot = charts.leaks_to_come(house)
    if plot is not None:
        blocks.append(
            picture(
                plot,
                "Leaks so far and to expect, from the house's own record, if it goes on as so far.",
                house.recommendation,
                page_share=0.2,
            )
        )
    if house.costs is not None and not house.history.worthless_ahead:
        blocks.append(
            Table(
                head=("Way", "Cost at today's value", "95 % interval"),
                rows=tuple(
                    (o.name, f"{o.present_value:,.0f}", f"{o.low:,.0f} to {o.high:,.0f}") for o in house.costs.options
                ),
                widths=(5, 3, 4),
            )
        )
        blocks.append(
            picture(
                charts.costs(house.costs),
                "What each way has cost by each year, from the owner's own prices.",
                house.costs.says,
                page_share=0.2,
            )
        )
    return Section(id="house", title="Repair or replace", blocks=tuple(blocks))
