"""Page one: dangers, the one sentence, the picture with its marks, three things to do, the first figures."""

from __future__ import annotations

from analyzer.base import display
from analyzer.causes.steps import dangers, homeowner_page
from analyzer.result.examination import Examination
from analyzer.result.record import CAUTION
from analyzer.show import drawing, phrases
from analyzer.show.blocks import Block, Bullets, Caution, Heading, Paragraph, Picture, Section, Table, picture
from analyzer.show.edition import Edition


def build(examination: Examination, edition: Edition) -> Section:
    units = edition.units
    photo = examination.photo
    taken = f", taken {phrases.taken(photo)} by its own record" if photo.camera.taken else ""
    page = homeowner_page(examination.quantities, examination.judgement, examination.steps)
    severe = [flag for flag in examination.flags if flag.severity == "serious"]
    blocks: list[Block] = []
    if severe:  # before the answer: what a reader must know who reads nothing else
        blocks.append(Heading(text="Do not rely on this result yet:"))
        blocks.append(Bullets(items=tuple(phrases.flag_in_words(flag, units) for flag in severe)))
    blocks += [
        *(Caution(text=danger) for danger in dangers(examination.steps)),
        Paragraph(text=examination.judgement.summary, strong=True),
        marked(examination, units),
    ]
    if page.first_three:
        blocks.append(Heading(text="Do these first"))
        blocks.append(Bullets(items=tuple(page.first_three), numbered=True))
    blocks.append(
        Table(
            head=("Measure", "Value", "95 % interval, or remark"),
            rows=phrases.headline_figures(examination, units),
            widths=(5, 3, 4),
        )
    )
    limits = [flag for flag in examination.flags if flag.severity == "warning"]
    if limits:
        told = " ".join(display.sentence(flag.message, units) for flag in limits)
        blocks.append(Paragraph(text=f"What limits this result: {told}"))
    blocks.append(Caution(text=CAUTION))
    blocks.append(
        Paragraph(text=f"Photo: {photo.name}{taken}. Its fingerprint and what was told of it stand under Record.")
    )
    return Section(id="answer", title="What was found", blocks=tuple(blocks))


def marked(examination: Examination, units: str, *, longest_px: int = 1800, numbers: bool = True) -> Picture:
    """The photo with what was found drawn on it, with scale bar, legend, file name and hash."""
    surface, pits, bands = examination.standing_surface, examination.standing_pits, examination.standing_bands
    end = surface.view == "end"
    rgb = drawing.marked_photo(
        examination.photo,
        surface,
        pits,
        bands,
        ring=examination.standing_ring if end else None,
        numbers=numbers and not end,
        longest_px=longest_px,
    )
    rgb = drawing.with_foot(rgb, drawing.foot_of(examination, units, longest_px=longest_px))
    if end:
        caption = "The cut ring. Lines: both edges of its wall as measured; arrows: the thinnest place."
        return picture(rgb, caption, "Photo of the cut ring with both edges of its wall and the thinnest place marked.")
    what = phrases.number_of(len(pits.pits), "pit") + (
        f" and {phrases.number_of(len(pits.mounds), 'mound')} (triangle{'s' if len(pits.mounds) > 1 else ''})"
        if pits.mounds
        else ""
    )
    doubtful = sum(pit.confidence < drawing.SURE_FROM for pit in pits.pits)
    seen = sorted({display.BAND_WORDS[band.kind] for band in bands.bands})
    marks = f"Hatched: {', '.join(seen)}." if seen else "No contact mark or water line was found."
    caption = f"The photo, marked: {what}"
    caption += f", {doubtful} of the pits doubtful (white)" if doubtful else ""
    caption += f". {marks} Dashed line: the metal that was looked at; all else is dimmed."
    return picture(rgb, caption, f"Photo of the piece with {what} outlined. {marks}")
