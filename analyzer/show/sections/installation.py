"""Water, flow, pressure and metals."""

from __future__ import annotations

from analyzer.base import display
from analyzer.house.water import copper_warning
from analyzer.result.examination import Examination
from analyzer.show.blocks import Block, Paragraph, Section, Table
from analyzer.show.edition import Edition


def build(examination: Examination, edition: Edition) -> Section | None:
    """Water, flow, pressure and metals: only what could be computed from the facts."""
    units = edition.units
    known = examination.installation
    blocks: list[Block] = []
    if known.water:
        blocks.append(Paragraph(text=copper_warning()))
        blocks.append(
            Table(
                head=("Water figure", "Value", "Says", "Does not say"),
                rows=tuple(
                    (
                        index.name,
                        f"{index.value:.2f} {index.unit}".strip(),
                        " ".join((index.class_text, index.says)).strip(),
                        index.does_not_say,
                    )
                    for index in known.water
                ),
                widths=(3, 2, 5, 5),
            )
        )
    if known.speed is not None:
        speed = known.speed
        low, high = (display.plain(v, "velocity_m_per_s", units) for v in (speed.low_m_per_s, speed.high_m_per_s))
        limits = "; ".join(
            f"{limit.practice}: {display.plain(limit.upper_m_per_s, 'velocity_m_per_s', units)}"
            for limit in speed.limits
        )
        verdict = {True: "over the limit that decides", False: "within the limit that decides", None: "not judged"}[
            speed.over_limit
        ]
        blocks.append(
            Paragraph(
                text=f"Speed of the water: {low if low == high else f'{low} to {high}'}, {verdict}. Limits: {limits or 'none for this pipe'}. {speed.note}"
            )
        )
    if known.pressure is not None:
        blocks.append(Paragraph(text=known.pressure.says))
    for couple in known.couples:
        blocks.append(Paragraph(text=f"{couple.says} [{couple.source}]"))
    return (
        Section(id="installation", annex=True, title="Water, flow, pressure and metals", blocks=tuple(blocks))
        if blocks
        else None
    )
