"""What was found: the answer, the first figures, what limits them, the marked photo."""

from __future__ import annotations

from analyzer.base import display
from analyzer.causes.steps import dangers
from analyzer.result.examination import Examination
from analyzer.result.record import CAUTION
from analyzer.show import drawing, phrases
from analyzer.show.blocks import Block, Bullets, Caution, Paragraph, Picture, Section, Table, picture


def build(examination: Examination, units: str) -> Section:
    photo = examination.photo
    taken = f", taken {phrases.taken(photo)} by its own record" if photo.camera.taken else ""
    blocks: list[Block] = [
        *(Caution(text=danger) for danger in dangers(examination.steps)),
        Paragraph(text=examination.judgement.summary, strong=True),
        Paragraph(text=f"Photo: {photo.name}{taken}. Its fingerprint and what was told of it stand under Record."),
        Table(
            head=("Measure", "Value", "95 % interval"),
            rows=phrases.headline_figures(examination, units),
            widths=(5, 3, 4),
        ),
        Caution(text=CAUTION),
    ]
    severe = [flag for flag in examination.flags if flag.severity == "serious"]
    if severe:  # before the answer: what a reader must know who reads nothing else
        first = [Paragraph(text="Do not rely on this result yet:", strong=True)]
        blocks[:0] = [*first, Bullets(items=tuple(phrases.flag_in_words(flag, units) for flag in severe))]
    limits = [flag for flag in examination.flags if flag.severity == "warning"]
    if limits:
        blocks.append(Paragraph(text="What limits this result:"))
        blocks.append(Bullets(items=tuple(phrases.flag_in_words(flag, units) for flag in limits)))
    blocks.append(_marked(examination))
    return Section(id="answer", title="What was found", blocks=tuple(blocks))


def _marked(examination: Examination) -> Picture:
    """The photo with what was found drawn on it."""
    surface, pits, bands = examination.standing_surface, examination.standing_pits, examination.standing_bands
    if surface.view == "end":
        rgb = drawing.marked_photo(
            examination.photo, surface, pits, bands, ring=examination.standing_ring, numbers=False, longest_px=1300
        )
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
    rgb = drawing.marked_photo(examination.photo, surface, pits, bands, longest_px=1800)
    return picture(rgb, caption, f"Photo of the piece with {what} outlined. {marks}")
