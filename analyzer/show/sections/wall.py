"""What is known of the wall."""

from __future__ import annotations

from analyzer.base import display
from analyzer.result.examination import Examination
from analyzer.show import charts, phrases, wall_words
from analyzer.show.blocks import Block, Bullets, Caution, Gallery, Paragraph, Section, Table, picture
from analyzer.show.edition import Edition
from analyzer.wall import capacity


def build(examination: Examination, edition: Edition) -> Section:
    units = edition.units
    wall = examination.wall
    rows = [
        (
            "Nominal wall",
            display.value(wall.nominal_mm, "length_mm", units),
            display.interval(wall.nominal_mm, "length_mm", units),
        ),
        phrases.remaining_wall(wall, units),
    ]
    depths = [
        depth.depth_mm for depth in wall.pit_depths.values() if depth.depth_mm is not None and not depth.indicative
    ]
    if wall.evidence:
        evidence: Block = Bullets(items=tuple(display.sentence(item.sentence, units) for item in wall.evidence))
    elif depths:
        deepest = max(depths, key=lambda depth: depth.value)
        text = f"Deepest pit measured: {display.full(deepest, 'length_mm', units)}. What is left under it is not known, because the wall is not known."
        evidence = Paragraph(text=text)
    else:
        evidence = Paragraph(text="Nothing measured the depth of a pit or the wall.")
    blocks: list[Block] = [
        Table(head=("Wall", "Value", "95 % interval or range"), rows=tuple(rows), widths=(4, 3, 4)),
        evidence,
    ]
    if wall.indicative:
        blocks.append(
            Caution(
                text="Indicative only: one plain photo cannot see depth. Use a depth gauge, a cut ring or photos with the torch from "
                "several sides before anything rests on this figure."
            )
        )
    said = wall_words.paragraphs(wall, units=units)
    cautions = [text for text in said if text == capacity.CAUTION]
    if len(said) > len(cautions):
        blocks.append(Bullets(items=tuple(text for text in said if text not in cautions), small=True))
    blocks += [Caution(text=text) for text in cautions]
    relief = examination.standing_relief
    heights = relief.heights if relief is not None else None
    if heights is not None:
        blocks.append(
            picture(
                charts.depth_map(heights, units=units),
                "Depth of the pits on the metal laid flat, as the torches show it: a cup fitted to each pit that they reach. Between the pits the "
                "face is taken as sound; a pit that could not be measured is not drawn. The table of pits holds each depth with its interval.",
                "Map of the pits' depth on the unrolled metal.",
                page_share=0.24,
            )
        )
    plot = charts.ring_profile(wall, units=units)
    if plot is not None:
        around = charts.ring_round(wall, units=units)
        drawn = [
            picture(
                plot, "Wall thickness round the ring.", "Plot of the wall's thickness against the angle in the photo."
            )
        ]
        if around is not None:
            drawn.append(
                picture(
                    around,
                    "The same round the ring, the thinnest place marked.",
                    "Polar plot of the wall with the thinnest place marked.",
                )
            )
        blocks.append(Gallery(items=tuple(drawn), columns=2, page_share=0.18))
    if wall.deepest is not None and (plot := charts.probability_paper(wall.deepest, units=units)) is not None:
        blocks.append(
            picture(
                plot,
                "Deepest pits of equal areas on Gumbel paper, with the fitted line.",
                "Probability plot of the deepest pits.",
                page_share=0.24,
            )
        )
    return Section(id="wall", title="The wall", blocks=tuple(blocks))
