"""An examination as pages: one set of blocks, printed as PDF and as HTML."""

from __future__ import annotations

import base64
import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any

import jinja2
from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace
from matplotlib import font_manager

from analyzer.base import display
from analyzer.base.flags import Flag
from analyzer.base.measured import Measure
from analyzer.causes.rules import STANDINGS
from analyzer.causes.steps import EFFORT_WORDS, PHASES, Step, dangers, homeowner_page
from analyzer.house import facts
from analyzer.house.water import copper_warning
from analyzer.photo.reading import Photo
from analyzer.piece.surface import Surface
from analyzer.result.corrections import Correction
from analyzer.result.examination import Examination
from analyzer.result.record import CAUTION
from analyzer.scale.calibration import CrossCheck, Marker
from analyzer.show import charts, drawing
from analyzer.wall import capacity
from analyzer.wall.remaining import PitDepth, Wall

TO_FILL_IN = "House: ______________________   Examined by: __________________   Date: ____________   Claim: __________"
MOST_PITS_LISTED = 40  # the largest; all stand in pits.csv
MOST_CAUSES_TOLD = 4  # in full; the rest stand in the table and in examination.json


@dataclass(frozen=True, kw_only=True)
class Paragraph:
    text: str
    strong: bool = False


@dataclass(frozen=True, kw_only=True)
class Bullets:
    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, kw_only=True)
class Table:
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...] = ()  # relative
    caption: str = ""


@dataclass(frozen=True, kw_only=True)
class Picture:
    jpeg: bytes
    width_px: int
    height_px: int
    caption: str
    alternative: str  # what a person who cannot see it needs to know
    page_share: float = 0.8  # of the page's height, at most


@dataclass(frozen=True, kw_only=True)
class Caution:
    text: str


Block = Paragraph | Bullets | Table | Picture | Caution


@dataclass(frozen=True, kw_only=True)
class Section:
    title: str
    blocks: tuple[Block, ...]
    new_page: bool = False


def sections(examination: Examination, *, units: str = "metric") -> tuple[Section, ...]:
    """The report's content in order: answer, plain page, pictures, measures, wall, causes, steps, record."""
    return tuple(
        section
        for section in (
            _answer(examination, units),
            _plain_page(examination),
            _pictures(examination, units),
            _measures(examination, units),
            _pit_table(examination, units),
            _wall(examination, units),
            _causes(examination),
            _steps(examination),
            _house(examination),
            _installation(examination, units),
            _facts(examination, units),
            _corrections(examination, units),
            _record(examination, units),
        )
        if section is not None
    )


def flag_in_words(flag: Flag, units: str = "metric") -> str:
    """What is doubtful, and how to do better."""
    return display.sentence(f"{flag.message} {flag.remedy}", units)


def section(examination: Examination, title: str, *, units: str = "metric") -> Section:
    """One section by its title."""
    return next(part for part in sections(examination, units=units) if part.title == title)


def headline_figures(examination: Examination, units: str = "metric") -> tuple[tuple[str, str, str], ...]:
    """(name, value, 95 % interval) of the figures a person looks for first."""
    pits, pattern, surface, wall = (
        examination.standing_pits,
        examination.standing_pattern,
        examination.standing_surface,
        examination.wall,
    )
    rows: list[tuple[str, str, str]] = []
    if surface.view == "end":
        rows.append(_figure("Smallest wall round the ring", wall.minimum_mm, "length_mm", units))
        rows.append(_figure("Mean wall round the ring", wall.mean_mm, "length_mm", units))
    else:
        rows.append(_figure("Pits counted", pits.count, "count", units))
        rows.append(_figure("Pits per area", pattern.pits_per_cm2, "per_cm2", units))
        if pits.pits:
            rows.append(_figure("Largest pit opening", pattern.largest_diameter_mm, "length_mm", units))
        rows.append(
            _figure("Metal examined", surface.examined_area if surface.unit == "mm" else None, "metal_mm2", units)
        )
    if surface.view != "end" or wall.remaining_mm != wall.minimum_mm:  # of a ring the thinnest place is what remains
        rows.append(_remaining_wall(wall, units))
    return tuple(rows)


def _remaining_wall(wall: Wall, units: str) -> tuple[str, str, str]:
    """An indicative range has no middle that means anything, so only its ends are shown."""
    if wall.indicative and wall.remaining_mm is not None:
        span = display.interval(wall.remaining_mm, "length_mm", units)
        return "Remaining wall (indicative)", f"{span} {display.unit('length_mm', units)}", "a range, not a measurement"
    return _figure("Remaining wall", wall.remaining_mm, "length_mm", units)


def spoken_summary(examination: Examination, *, units: str = "metric") -> str:
    """A few lines for the terminal."""
    lines = [*dangers(examination.steps), examination.judgement.summary]
    lines += [f"  {name}: {value}" + _span_said(span) for name, value, span in headline_figures(examination, units)]
    lines += [
        f"  {flag.severity}: {flag_in_words(flag, units)}" for flag in examination.flags if flag.severity != "note"
    ]
    return "\n".join(lines)


def _span_said(span: str) -> str:
    if not span:
        return ""
    return f" (95 %: {span})" if " to " in span else f" ({span})"


def _figure(name: str, measure: Measure | None, kind: str, units: str) -> tuple[str, str, str]:
    return name, display.value(measure, kind, units), display.interval(measure, kind, units)


def _answer(examination: Examination, units: str) -> Section:
    photo = examination.photo
    taken = f", taken {_taken(photo)} by its own record" if photo.camera.taken else ""
    blocks: list[Block] = [
        *(Caution(text=danger) for danger in dangers(examination.steps)),
        Paragraph(text=examination.judgement.summary, strong=True),
        Paragraph(text=f"Photo: {photo.name}{taken}. Its fingerprint and what was told of it stand under Record."),
        Table(
            head=("Measure", "Value", "95 % interval"),
            rows=headline_figures(examination, units),
            widths=(5, 3, 4),
        ),
        Caution(text=CAUTION),
    ]
    serious = [flag for flag in examination.flags if flag.severity != "note"]
    if serious:
        blocks.append(Paragraph(text="What limits this result:"))
        blocks.append(Bullets(items=tuple(flag_in_words(flag, units) for flag in serious)))
    blocks.append(_marked(examination))
    return Section(title="What was found", blocks=tuple(blocks))


def _taken(photo: Photo) -> str:
    """The camera's date with dashes, as people write it."""
    return photo.camera.taken.replace(":", "-", 2) if photo.camera.taken else display.UNKNOWN


def _plain_page(examination: Examination) -> Section:
    page = homeowner_page(examination.quantities, examination.judgement, examination.steps)
    blocks: list[Block] = [Caution(text=danger) for danger in page.dangers]
    for heading, lines, numbered in (
        ("What happened", page.what_happened, False),
        ("How sure is that?", page.how_sure, False),
        ("Do these first", page.first_three, True),
        ("Whom to call", page.whom_to_call, False),
        ("What not to do", page.what_not_to_do, False),
    ):
        if lines:
            blocks.append(Paragraph(text=heading, strong=True))
            blocks.append(Bullets(items=tuple(lines), numbered=numbered))
    blocks.append(Caution(text=page.limits))
    return Section(title="For the homeowner, in plain words", blocks=tuple(blocks), new_page=True)


def _picture(rgb: Any, caption: str, alternative: str, *, page_share: float = 0.8) -> Picture:
    return Picture(
        jpeg=drawing.jpeg(rgb),
        width_px=rgb.shape[1],
        height_px=rgb.shape[0],
        caption=caption,
        alternative=alternative,
        page_share=page_share,
    )


def _marked(examination: Examination) -> Picture:
    """The photo with what was found drawn on it."""
    surface, pits, bands = examination.standing_surface, examination.standing_pits, examination.standing_bands
    if surface.view == "end":
        rgb = drawing.marked_photo(
            examination.photo, surface, pits, bands, ring=examination.look.ring, numbers=False, longest_px=1300
        )
        caption = "The cut ring. Lines: both edges of its wall as measured; arrows: the thinnest place."
        return _picture(
            rgb, caption, "Photo of the cut ring with both edges of its wall and the thinnest place marked."
        )
    what = _number(len(pits.pits), "pit") + (
        f" and {_number(len(pits.mounds), 'mound')} (triangle{'s' if len(pits.mounds) > 1 else ''})"
        if pits.mounds
        else ""
    )
    doubtful = sum(pit.confidence < drawing.SURE_FROM for pit in pits.pits)
    seen = sorted({display.BAND_WORDS[band.kind] for band in bands.bands})
    marks = f"Hatched: {', '.join(seen)}." if seen else "No contact mark or water line was found."
    caption = f"The photo, marked: {what}"
    caption += f", {doubtful} of the pits doubtful (white)" if doubtful else ""
    caption += f". {marks} Dashed line: the metal that was looked at."
    rgb = drawing.marked_photo(examination.photo, surface, pits, bands, longest_px=1800)
    return _picture(rgb, caption, f"Photo of the piece with {what} outlined. {marks}")


def _number(count: int, word: str) -> str:
    """ "1 pit", "2 pits"."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _pictures(examination: Examination, units: str) -> Section:
    """The photo without marks, to hold the marks against, and the metal laid flat."""
    surface, pits, bands = examination.standing_surface, examination.standing_pits, examination.standing_bands
    whole = drawing.whole_photo(examination.photo, examination.calibration, surface)
    blocks: list[Block] = [
        _picture(
            drawing.seen_piece(examination.photo, surface),
            "The piece as photographed, without marks.",
            "Photo of the piece without any marks.",
            page_share=0.3,
        )
    ]
    if surface.view != "end" and surface.unit == "mm":
        blocks.append(
            _picture(
                drawing.unrolled_map(examination.photo, surface, pits, bands, units=units, longest_px=1800),
                "The metal laid flat, true to size along and round the pipe.",
                f"Unrolled map of the metal with {_number(len(pits.pits), 'pit')} outlined.",
                page_share=0.3,
            )
        )
    marker = (
        "Light line: the marker that was measured. "
        if examination.calibration.marker_outlines_px
        else "No marker was measured. "
    )
    blocks.append(
        _picture(
            whole,
            f"The whole photo. {marker}Dashed line: the metal.",
            "The whole photo with the marker and the metal outlined.",
            page_share=0.28,
        )
    )
    return Section(title="Pictures", blocks=tuple(blocks), new_page=True)


def scale_in_short(examination: Examination) -> str:
    """ "Scale: ruler, ± 0.9 %, agrees with the tube's diameter"."""
    scale = examination.standing_surface.mm_per_px
    if scale is None:
        return "No scale: nothing is given in millimetres"
    text = f"Scale: {_scale_source(examination)}, ± {196 * scale.standard_uncertainty / scale.value:.1f} %"
    checks = scale_checks(examination)
    if checks:
        text += "; every cross-check agrees" if all(check.agrees for check in checks) else "; a cross-check disagrees"
    return text


def scale_checks(examination: Examination) -> tuple[CrossCheck, ...]:
    """The cross-checks of the scale that stands; a length marked by hand on the metal has none."""
    if examination.length_known:
        return ()
    return (*examination.calibration.cross_checks, *examination.surface.cross_checks)


def scale_in_words(examination: Examination) -> str:
    """What the scale rests on, in one sentence."""
    scale = examination.standing_surface.mm_per_px
    if scale is None:
        return "No scale was found: pits are counted in the picture, nothing is given in millimetres."
    return (
        f"Taken from the {_scale_source(examination)} and carried to the metal: {scale.value:.5f} mm a pixel, "
        f"± {196 * scale.standard_uncertainty / scale.value:.1f} % (95 %)."
    )


def _scale_source(examination: Examination, method: str | None = None) -> str:
    """What the scale that stands, or a ``method``, rests on."""
    ring = examination.look.ring
    if examination.surface.view == "end" and ring is not None and ring.mm_per_px is not None:
        if ring.scale_source != "marker and height":
            return ring.scale_source
    method = method or examination.scale_method
    words = display.METHOD_WORDS.get(method, method)
    return words.removeprefix("the ")


def entry_in_words(entry: Correction, units: str = "metric") -> str:
    """A correction by hand as people say it, with the figure that was told."""
    told = entry.length_mm if entry.length_mm is not None else entry.diameter_mm
    words = ENTRY_WORDS[entry.kind] + (f", number {entry.pit}" if entry.pit else "")
    return words + (display.sentence(f", {told:.2f} mm", units) if told is not None else "")


ENTRY_WORDS = {
    "remove_pit": "not a pit",
    "confirm_pit": "is a pit",
    "call_mound": "is a mound",
    "add_pit": "pit added",
    "leave_out": "area left out",
    "examine_only": "only this area examined",
    "known_length": "known length",
}


def _measures(examination: Examination, units: str) -> Section:
    surface, pattern, pits = examination.standing_surface, examination.standing_pattern, examination.standing_pits
    scale = surface.mm_per_px
    rows: list[tuple[str, str, str, str]] = []

    def add(name: str, measure: Measure | None, kind: str, rests_on: str) -> None:
        rows.append((name, display.value(measure, kind, units), display.interval(measure, kind, units), rests_on))

    ring = surface.view == "end"
    if scale is not None:
        # The scale stays in millimetres a pixel: it is what a reviewer checks on the picture.
        relative = 100 * scale.standard_uncertainty / scale.value
        parts = sorted(((abs(100 * part / scale.value), source) for source, part in scale.budget.items()), reverse=True)
        budget = ", ".join(f"{source} {percent:.2f} %" for percent, source in parts[:4] if percent >= 0.005)
        rows.append(
            (
                "Scale at the metal",
                f"{scale.value:.5f} mm a pixel",
                f"± {1.96 * relative:.1f} %",
                f"{_scale_source(examination)}; one sigma: {budget}",
            )
        )
        if not ring:
            add("Length of the piece seen", surface.axial_length, "length_mm", "fit of the tube's shape to its outline")
        add(
            "Cut face seen" if ring else "Metal seen",
            surface.seen_area,
            "metal_mm2",
            "area on the metal itself, not in the picture",
        )
        if not ring:
            add(
                "Metal examined", surface.examined_area, "metal_mm2", "the same without metal seen more than 70° aslant"
            )
    if ring:
        add(
            "Smallest wall round the ring",
            examination.wall.minimum_mm,
            "length_mm",
            "distance between both edges, every degree",
        )
        add("Mean wall round the ring", examination.wall.mean_mm, "length_mm", "mean of the same")
    else:
        smallest = (
            f"; pits from {display.plain(pits.smallest_counted_mm, 'length_mm', units)} opening"
            if pits.smallest_counted_mm
            else ""
        )
        evidence = display.EVIDENCE_WORDS.get(pits.evidence, pits.evidence)
        add("Pits counted", pits.count, "count", f"{evidence}, version {pits.evidence_version}{smallest}")
        if pattern.pits_per_cm2 is not None:
            number = round(pattern.pits_per_cm2.value * surface.examined_area.value / 100)
            rests_on = f"{_number(number, 'pit')} on the metal examined; Poisson interval, for the run of pipe that this piece stands for"
            add("Pits per area", pattern.pits_per_cm2, "per_cm2", rests_on)
        if pattern.mean_diameter_mm is not None:
            add("Mean pit opening", pattern.mean_diameter_mm, "length_mm", "width of a round mouth of the same area")
            add("Largest pit opening", pattern.largest_diameter_mm, "length_mm", "the same of the largest")
    for check in scale_checks(examination):
        rows.append(
            (
                f"Cross-check: {check.name}",
                f"{check.difference_percent:+.1f} %".replace("-", "−"),
                f"± {1.96 * check.standard_uncertainty_percent:.1f} %",
                display.sentence(check.sentence, units),
            )
        )
    blocks: list[Block] = [
        Table(
            head=("Measure", "Value", "95 % interval", "Rests on"),
            rows=tuple(rows),
            widths=(4, 3, 3.4, 7),
            caption="To check a figure: where the metal is seen square on, a length in pixels of the photo times the scale is its length in millimetres."
            if scale is not None
            else "",
        )
    ]
    if pattern.density_rating or pattern.size_rating:
        blocks.append(
            Paragraph(
                text=f"Ratings of the pitting standard (ASTM G46): density {pattern.density_rating or display.UNKNOWN}, "
                f"size {pattern.size_rating or display.UNKNOWN}. The chart was made for large areas; on a small piece the "
                "interval above says more."
            )
        )
    bands = examination.standing_bands
    if bands.bands:
        blocks.append(
            Table(
                head=("Mark", "Colour", "Along the pipe", "Area", "Share of metal"),
                rows=tuple(
                    (
                        display.BAND_WORDS[band.kind] + (" (faint)" if band.confidence == "faint" else ""),
                        display.COLOUR_WORDS.get(band.colour_class, band.colour_class),
                        "all over"
                        if band.axial_mm is None
                        else f"{display.plain(band.axial_mm[0], 'length_mm', units)} to {display.plain(band.axial_mm[1], 'length_mm', units)}",
                        display.full(band.area_mm2, "metal_mm2", units),
                        f"{100 * band.share_of_metal:.0f} %",
                    )
                    for band in bands.bands
                ),
                widths=(3, 3, 4, 5, 2),
            )
        )
    if bands.colour_shares and surface.view != "end":
        shares = sorted(((share, name) for name, share in bands.colour_shares.items() if share >= 0.01), reverse=True)
        white = {"card": "white taken from the card's paper", "camera": "white as the camera set it, not checked"}
        blocks.append(
            Paragraph(
                text="Colours of the metal: "
                + ", ".join(f"{display.COLOUR_WORDS[name]} {100 * share:.0f} %" for share, name in shares)
                + f" ({white.get(bands.white_source, bands.white_source)})."
            )
        )
    return Section(title="Measures", blocks=tuple(blocks), new_page=True)


def _pit_table(examination: Examination, units: str) -> Section | None:
    pits = examination.standing_pits.pits
    if not pits:
        return None
    depths = examination.wall.pit_depths
    largest = sorted(pits, key=lambda pit: -pit.equivalent_diameter_px)[:MOST_PITS_LISTED]
    # A column that knows nothing is left out, and said so once.
    any_through = any(pit.through is not None for pit in pits)
    told_depths = [depth for depth in depths.values() if depth.depth_mm is not None]
    measured = any(not depth.indicative for depth in told_depths)
    head = ["No.", "Along", "Round", "Opening (95 %)"]
    widths = [1.2, 2.2, 2.2, 5.2]
    notes = ["Numbers as on the marked photo."]
    if told_depths:
        head.append("Depth" if measured else "Depth, a range")
        widths.append(4.4)
        notes.append(
            "A depth with a question mark is a range from the size of the mouth alone."
            if measured
            else "The depth is a range from the size of the mouth alone: nothing measured it."
        )
    if any_through:
        head.append("Through?")
        widths.append(2.2)
    else:
        notes.append("Whether any pit goes through the wall is not known.")
    head.append("Of 100 like it, pits")
    widths.append(2.6)
    notes.append(
        "Last column: of 100 candidates that looked like this one on pictures with known truth, how many were pits."
    )
    if any(pit.by_hand for pit in pits):
        notes.append("By hand: a person added it or said that it is one.")
    small = len(pits) - len(examination.standing_pits.counted)
    if small:
        smallest = display.plain(examination.standing_pits.smallest_counted_mm, "length_mm", units)
        notes.append(
            f"{small} of the {len(pits)} listed {'is' if small == 1 else 'are'} smaller than the smallest that counts ({smallest})."
        )
    rows = []
    for pit in largest:
        opening = f"{pit.equivalent_diameter_px:.0f} pixels"
        if pit.equivalent_diameter_mm:
            opening = display.full(pit.equivalent_diameter_mm, "length_mm", units).replace(
                "(95 %: ", "("
            )  # the column's head says it
        row = [
            str(pit.id),
            display.plain(pit.axial_mm, "length_mm", units),
            display.plain(pit.around_mm, "length_mm", units),
            opening,
        ]
        if told_depths:
            row.append(_depth(depths.get(pit.id), units, mark=measured))
        if any_through:
            row.append({True: "yes", False: "no", None: display.UNKNOWN}[pit.through])
        row.append("by hand" if pit.by_hand else f"{100 * pit.confidence:.0f}")
        rows.append(tuple(row))
    blocks: list[Block] = [Table(head=tuple(head), rows=tuple(rows), widths=tuple(widths), caption=" ".join(notes))]
    if len(pits) > MOST_PITS_LISTED:
        blocks.append(Paragraph(text=f"The {MOST_PITS_LISTED} largest of {len(pits)}; all stand in pits.csv."))
    return Section(title="Pits", blocks=tuple(blocks))


def _depth(depth: PitDepth | None, units: str, *, mark: bool) -> str:
    """A measured depth with its interval; what only the mouth's size allows is no more than a range, with a question ``mark``."""
    if depth is None or depth.depth_mm is None:
        return display.UNKNOWN
    if depth.indicative:
        return f"{display.interval(depth.depth_mm, 'length_mm', units)} {display.unit('length_mm', units)}" + (
            "?" if mark else ""
        )
    return display.full(depth.depth_mm, "length_mm", units)


def _wall(examination: Examination, units: str) -> Section:
    wall = examination.wall
    rows = [
        (
            "Nominal wall",
            display.value(wall.nominal_mm, "length_mm", units),
            display.interval(wall.nominal_mm, "length_mm", units),
        ),
        _remaining_wall(wall, units),
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
    said = wall.paragraphs(units=units)
    cautions = [text for text in said if text == capacity.CAUTION]
    if len(said) > len(cautions):
        blocks.append(Bullets(items=tuple(text for text in said if text not in cautions)))
    blocks += [Caution(text=text) for text in cautions]
    relief = examination.standing_relief
    heights = relief.heights if relief is not None else None
    if heights is not None:
        blocks.append(
            _picture(
                charts.depth_map(heights, units=units),
                "Depth of the pits on the metal laid flat, as the torches show it: a cup fitted to each pit that they reach. Between the pits the "
                "face is taken as sound; a pit that could not be measured is not drawn. The table of pits holds each depth with its interval.",
                "Map of the pits' depth on the unrolled metal.",
            )
        )
    plot = charts.ring_profile(wall, units=units)
    if plot is not None:
        blocks.append(
            _picture(
                plot, "Wall thickness round the ring.", "Plot of the wall's thickness against the angle in the photo."
            )
        )
    if wall.deepest is not None and (plot := charts.probability_paper(wall.deepest, units=units)) is not None:
        blocks.append(
            _picture(
                plot,
                "Deepest pits of equal areas on Gumbel paper; each line is one method.",
                "Probability plot of the deepest pits.",
            )
        )
    return Section(title="The wall", blocks=tuple(blocks))


def _causes(examination: Examination) -> Section:
    judgement = examination.judgement
    blocks: list[Block] = [
        Paragraph(text=judgement.summary, strong=True),
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
    shown = [f for f in judgement.findings if f.standing in ("fits well", "fits")] or list(judgement.findings[:2])
    shown = shown[:MOST_CAUSES_TOLD]
    for finding in shown:
        blocks.append(Paragraph(text=f"{finding.name}: {finding.standing}", strong=True))
        blocks.append(Paragraph(text=finding.technical))
        known = [("For", reason) for reason in finding.facts_for] + [
            ("Against", reason) for reason in finding.facts_against
        ]
        if known:
            blocks.append(
                Bullets(items=tuple(f"{heading}: {reason.sentence} [{reason.source}]" for heading, reason in known))
            )
        if finding.facts_not_known:
            asked = ", ".join(dict.fromkeys(facts.label(reason.quantity) for reason in finding.facts_not_known))
            blocks.append(Paragraph(text=f"Not known, and would count: {asked}."))
    for title, lines in (
        ("Where the facts pull both ways", judgement.conflicts),
        ("Keep for a laboratory", judgement.keep),
    ):
        if lines:
            blocks.append(Paragraph(text=title, strong=True))
            blocks.append(Bullets(items=tuple(lines)))
    if judgement.checks:
        blocks.append(Paragraph(text="Checks that would tell most, best first:", strong=True))
        blocks.append(
            Bullets(
                items=tuple(f"{c.question} {c.how} ({EFFORT_WORDS[c.effort]})" for c in judgement.checks[:5]),
                numbered=True,
            )
        )
    return Section(title="Why it failed", blocks=tuple(blocks), new_page=True)


def _steps(examination: Examination) -> Section:
    blocks: list[Block] = []
    for phase in PHASES:
        rows = [step for step in examination.steps if step.phase == phase]
        if not rows:
            continue
        blocks.append(Paragraph(text=phase[:1].upper() + phase[1:], strong=True))
        why, source = said_of_all(rows)
        if why:
            blocks.append(Paragraph(text=f"{why} [{source}]"))
        blocks.append(
            Table(
                head=("Step", "What and why"),
                rows=tuple(
                    (
                        f"{step.title}\n({step.who}; {step.effort})",
                        " ".join(
                            part
                            for part in (
                                step.what,
                                "" if (step.why, step.source) == (why, source) else step.why,
                                f"\nCaution: {step.caution}" if step.caution else "",
                                "" if (step.why, step.source) == (why, source) else f"[{step.source}]",
                            )
                            if part
                        ),
                    )
                    for step in rows
                ),
                widths=(3.4, 10),
            )
        )
    return Section(title="What to do", blocks=tuple(blocks), new_page=True)


def said_of_all(steps: Sequence[Step]) -> tuple[str, str]:
    """The reason and source that most of these steps share, to be said once above them; two empty texts where none is shared."""
    (shared, times), *_ = Counter((step.why, step.source) for step in steps).most_common(1)
    return shared if times > 1 else ("", "")


def _installation(examination: Examination, units: str) -> Section | None:
    """Water, flow, pressure and metals: only what could be computed from the facts."""
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
    return Section(title="Water, flow, pressure and metals", blocks=tuple(blocks)) if blocks else None


def _house(examination: Examination) -> Section | None:
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
            _picture(
                plot,
                "Leaks so far and to expect, from the house's own record, if it goes on as so far.",
                house.recommendation,
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
            _picture(
                charts.costs(house.costs),
                "What each way has cost by each year, from the owner's own prices.",
                house.costs.says,
            )
        )
    return Section(title="Repair or replace", blocks=tuple(blocks), new_page=True)


def _facts(examination: Examination, units: str) -> Section | None:
    if not examination.facts:
        return None
    rows = tuple(
        (facts.label(name), facts.describe(name, value, units)) for name, value in sorted(examination.facts.items())
    )
    return Section(
        title="Facts of the installation, as told", blocks=(Table(head=("Fact", "Told"), rows=rows, widths=(4, 6)),)
    )


def _corrections(examination: Examination, units: str) -> Section | None:
    if not examination.corrections:
        return None
    automatic, by_hand = examination.pattern, examination.standing_pattern

    def scale(surface: Surface, method: str) -> str:
        measure = surface.mm_per_px
        if measure is None:
            return display.UNKNOWN
        relative = 196 * measure.standard_uncertainty / measure.value
        return f"{measure.value:.5f} mm a pixel ({_scale_source(examination, method)}), ± {relative:.1f} %"

    def row(name: str, kind: str, before: Measure | None, after: Measure | None) -> tuple[str, str, str]:
        return name, display.full(before, kind, units), display.full(after, kind, units)

    def examined(surface: Surface) -> Measure | None:
        return surface.examined_area if surface.unit == "mm" else None

    surfaces = examination.surface, examination.standing_surface
    rows = (
        row("Pits counted", "count", examination.pits.count, examination.standing_pits.count),
        row("Pits per area", "per_cm2", automatic.pits_per_cm2, by_hand.pits_per_cm2),
        row("Largest pit opening", "length_mm", automatic.largest_diameter_mm, by_hand.largest_diameter_mm),
        row("Metal examined", "metal_mm2", *(examined(surface) for surface in surfaces)),
    )
    if examination.length_known:
        methods = examination.automatic_scale_method, examination.scale_method
        rows += (("Scale", *(scale(*pair) for pair in zip(surfaces, methods, strict=True))),)
        checks = (*examination.calibration.cross_checks, *examination.surface.cross_checks)
        rows += tuple((f"Cross-check: {check.name}", display.sentence(check.sentence, units), "") for check in checks)
    entries = tuple(
        (entry_in_words(entry, units), entry.who or display.UNKNOWN, entry.when or display.UNKNOWN, entry.why)
        for entry in examination.corrections
    )
    return Section(
        title="Corrected by hand",
        blocks=(
            Table(head=("Measure", "Automatic", "Corrected"), rows=rows, widths=(3, 5, 5)),
            Table(head=("Entry", "Who", "When", "Why"), rows=entries, widths=(3, 2, 3, 5)),
        ),
    )


def _marker_told(marker: Marker, units: str) -> str:
    """The marker with the size that was told of it: the scale rests on that."""
    if marker.kind == "disc" and marker.diameter_mm is not None:
        return display.sentence(f"disc of {marker.diameter_mm:g} mm", units)
    if marker.kind == "length" and marker.points_px is not None and marker.length_mm is not None:
        ends = " and ".join(f"({x:g}, {y:g})" for x, y in marker.points_px)
        return display.sentence(f"length of {marker.length_mm:g} mm", units) + f" between the pixels {ends}"
    return marker.kind


def _record(examination: Examination, units: str) -> Section:
    rows = tuple(
        (
            photo.role,
            photo.name,
            f"{photo.width_px} x {photo.height_px}",
            _taken(photo),
            photo.sha256,
        )
        for photo in examination.photos
    )
    notes = tuple(f"{flag.severity}: {flag_in_words(flag, units)}" for flag in examination.flags)
    settings = examination.settings
    told = ", ".join(
        (
            f"view {settings.view or 'judged from the picture'}",
            f"tube {settings.tube or display.UNKNOWN}",
            f"marker {_marker_told(settings.marker, units)}",
        )
    )
    blocks: list[Block] = [
        Table(head=("Role", "File", "Pixels", "Taken", "SHA-256 of the file"), rows=rows, widths=(1.6, 3, 2.2, 3, 8)),
        Paragraph(text=f"Told to the program: {told}. Program version {examination.program_version}."),
    ]
    if notes:
        blocks.append(Paragraph(text="Notes on quality", strong=True))
        blocks.append(Bullets(items=notes))
    return Section(title="Record", blocks=tuple(blocks))


# --- HTML ---------------------------------------------------------------------------------------------------------


def html(examination: Examination, *, units: str = "metric") -> str:
    """One page that stands alone: no file beside it, nothing fetched."""
    template = resources.files("analyzer").joinpath("data/report.html.jinja").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    environment.filters["base64"] = lambda data: base64.b64encode(data).decode()
    environment.tests["kind"] = lambda block, name: type(block).__name__ == name
    return environment.from_string(template).render(
        title=f"Examination of {examination.photo.name}", sections=sections(examination, units=units)
    )


# --- PDF ----------------------------------------------------------------------------------------------------------

_INK, _SOFT, _LINE, _TINT, _WARN = (28, 32, 36), (90, 98, 106), (200, 205, 210), (240, 243, 245), (255, 246, 224)


class _Pages(FPDF):
    heading = ""

    def normalize_text(self, text: str) -> str:
        """Letters that the font lacks (an emoji in a file's name) are printed as an empty box."""
        known = self.fonts["body"].cmap if "body" in self.fonts else None
        if known is not None:
            text = "".join(sign if ord(sign) in known or sign in "\n\u200b" else "\u25a1" for sign in text)
        return super().normalize_text(text)

    def header(self) -> None:
        self.set_font("body", size=8)
        self.set_text_color(*_SOFT)
        self.cell(0, 5, self.heading, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(2)
        self.set_text_color(*_INK)

    def footer(self) -> None:
        self.set_y(-12)
        self.set_font("body", size=8)
        self.set_text_color(*_SOFT)
        self.cell(0, 5, "A photo never proves a cause or a safe pressure.", align="L")
        self.cell(0, 5, f"{self.page_no()} / {{nb}}", align="R")
        self.set_text_color(*_INK)


def pdf(examination: Examination, *, units: str = "metric", made: dt.datetime | None = None) -> bytes:
    """The report as PDF, A4 (Letter with US units). The same examination and ``made`` give the same bytes."""
    pages = _Pages(format="a4" if units == "metric" else "letter")
    pages.heading = f"Removed pipe section: {examination.photo.name}"
    pages.set_title(pages.heading)
    pages.set_lang("en")
    pages.set_creator("cutpipe")
    pages.set_creation_date(made or dt.datetime(2000, 1, 1, tzinfo=dt.UTC))
    for style, name in (("", "DejaVu Sans"), ("B", "DejaVu Sans:bold")):
        pages.add_font("body", style, font_manager.findfont(name))
    pages.set_margins(16, 12, 16)
    pages.set_auto_page_break(True, 16)
    pages.add_page()
    pages.set_font("body", "B", 17)
    pages.multi_cell(0, 9, "Examination of a removed pipe section", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_font("body", size=9)
    pages.set_text_color(*_SOFT)
    pages.multi_cell(0, 7, TO_FILL_IN, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_text_color(*_INK)
    pages.ln(1)
    for number, section in enumerate(sections(examination, units=units)):
        if section.new_page and pages.get_y() > 40:
            pages.add_page()
        if pages.get_y() > pages.h - 50:
            pages.add_page()
        pages.start_section(section.title)
        pages.ln(2 if number else 0)
        pages.set_font("body", "B", 13)
        pages.multi_cell(0, 7.5, section.title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.ln(0.8)
        for block in section.blocks:
            _print(pages, block)
    return bytes(pages.output())


def _print(pages: _Pages, block: Block) -> None:
    if isinstance(block, Paragraph):
        pages.set_font("body", "B" if block.strong else "", 9.5)
        if pages.get_y() > pages.h - (60 if block.strong else 30):  # a heading stays with what follows it
            pages.add_page()
        pages.multi_cell(0, 4.9, block.text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.ln(1.4)
    elif isinstance(block, Caution):
        pages.set_font("body", size=9)
        pages.set_fill_color(*_WARN)
        pages.multi_cell(0, 5, block.text, align="L", fill=True, padding=2, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.set_fill_color(255, 255, 255)  # a table would take the tint over
        pages.ln(2)
    elif isinstance(block, Bullets):
        pages.set_font("body", size=9.5)
        for number, item in enumerate(block.items, 1):
            mark = f"{number}." if block.numbered else "•"
            pages.set_x(pages.l_margin + 1)
            pages.cell(6, 4.9, mark)
            pages.multi_cell(pages.epw - 7, 4.9, item, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
            pages.ln(0.6)
        pages.ln(1)
    elif isinstance(block, Table):
        pages.set_font("body", size=8.2)
        pages.set_draw_color(*_LINE)
        with pages.table(
            col_widths=block.widths or None,
            text_align="LEFT",
            v_align="TOP",
            line_height=4.2,
            padding=(0.8, 1.2),
            headings_style=FontFace(emphasis="BOLD", fill_color=_TINT, color=_INK),
            borders_layout="HORIZONTAL_LINES",
        ) as table:
            table.row(block.head)
            for row in block.rows:
                table.row(tuple(_breakable(cell) for cell in row))
        if block.caption:
            pages.set_font("body", size=8)
            pages.set_text_color(*_SOFT)
            pages.multi_cell(0, 4.2, block.caption, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
            pages.set_text_color(*_INK)
        pages.ln(2.5)
    else:
        room = pages.h - pages.b_margin - pages.get_y() - 14
        width = pages.epw
        height = width * block.height_px / block.width_px
        most = block.page_share * (pages.h - pages.t_margin - pages.b_margin)
        if height > most:
            width, height = width * most / height, most
        if height > room:
            if height * 0.6 < room and room > 70:
                width, height = width * room / height, room
            else:
                pages.add_page()
        pages.image(
            block.jpeg, x=pages.l_margin + (pages.epw - width) / 2, w=width, h=height, alt_text=block.alternative
        )
        pages.ln(1.5)
        pages.set_font("body", size=8.5)
        pages.set_text_color(*_SOFT)
        pages.multi_cell(0, 4.4, block.caption, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.set_text_color(*_INK)
        pages.ln(3)


def _breakable(cell: str) -> str:
    """A word without a space (a hash, a file's name) may break after every 16 letters."""
    return " ".join(
        "\u200b".join(word[k : k + 16] for k in range(0, len(word), 16)) if len(word) > 24 else word
        for word in cell.split(" ")
    )
