"""The photo without marks, to hold the marks against, and the metal laid flat."""

from __future__ import annotations

from analyzer.result.examination import Examination
from analyzer.show import drawing, phrases
from analyzer.show.blocks import Block, Section, picture


def build(examination: Examination, units: str) -> Section:
    """The photo without marks, to hold the marks against, and the metal laid flat."""
    surface, pits, bands = examination.standing_surface, examination.standing_pits, examination.standing_bands
    whole = drawing.whole_photo(examination.photo, examination.calibration, surface)
    blocks: list[Block] = [
        picture(
            drawing.seen_piece(examination.photo, surface),
            "The piece as photographed, without marks.",
            "Photo of the piece without any marks.",
            page_share=0.3,
        )
    ]
    if surface.view != "end" and surface.unit == "mm":
        blocks.append(
            picture(
                drawing.unrolled_map(examination.photo, surface, pits, bands, units=units, longest_px=1800),
                "The metal laid flat, true to size along and round the pipe.",
                f"Unrolled map of the metal with {phrases.number_of(len(pits.pits), 'pit')} outlined.",
                page_share=0.3,
            )
        )
    marker = (
        "Light line: the marker that was measured. "
        if examination.calibration.marker_outlines_px
        else "No marker was measured. "
    )
    blocks.append(
        picture(
            whole,
            f"The whole photo. {marker}Dashed line: the metal.",
            "The whole photo with the marker and the metal outlined.",
            page_share=0.28,
        )
    )
    return Section(id="pictures", title="Pictures", blocks=tuple(blocks), new_page=True)
