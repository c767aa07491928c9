"""Results in words: the first figures, the scale, flags, corrections, as every page and file says them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from analyzer.base import display
from analyzer.base.flags import Flag
from analyzer.base.measured import Measure
from analyzer.causes.steps import Step, dangers
from analyzer.causes.verdict import Judgement
from analyzer.photo.reading import Photo
from analyzer.result.corrections import Correction
from analyzer.result.examination import Examination
from analyzer.result.second_look import Agreement
from analyzer.scale.calibration import CrossCheck, Marker
from analyzer.wall.remaining import Wall


def flag_in_words(flag: Flag, units: str = "metric") -> str:
    """What is doubtful, and how to do better."""
    return display.sentence(f"{flag.message} {flag.remedy}", units)


def headline_figures(examination: Examination, units: str = "metric") -> tuple[tuple[str, str, str], ...]:
    """(name, value, 95 % interval or a remark) of the figures a person looks for first."""
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
        attack = pits.attack
        if attack is not None and attack.present:
            rows.append(_figure("Metal pocked or scabbed", attack.share, "share", units))
            if attack.roughness is not None:
                rows.append(_figure("Roughness to the eye there", attack.roughness, "share", units))
        if pits.count is None:
            why = examination.shown.not_countable or pits.not_countable
            rows.append(("Pits estimated", "not countable in this picture", why or display.UNKNOWN))
        else:
            named = "Pits estimated, those that stand apart" if pits.generally_attacked else "Pits estimated"
            rows.append(_figure(named, pits.count, "count", units))
            # said beside it: who counts the outlines finds another number than the estimate
            rows.append(
                (
                    "Pits outlined",
                    str(len(pits.pits)),
                    "seen at any slant; the estimate is of metal seen up to 60° and weighs how sure each is"
                    if pits.pits
                    else "",
                )
            )
        rows.append(("Examined share", *examined_shares(examination)))
        rows.append(_figure("Pits per area", pattern.pits_per_cm2, "per_cm2", units))
        if pits.pits:
            rows.append(_figure("Largest pit opening", pattern.largest_diameter_mm, "length_mm", units))
        rows.append(
            _figure("Metal examined", surface.examined_area if surface.unit == "mm" else None, "metal_mm2", units)
        )
    if surface.view != "end" or wall.remaining_mm != wall.minimum_mm:  # of a ring the thinnest place is what remains
        rows.append(remaining_wall(wall, units))
    return tuple(rows)


def remaining_wall(wall: Wall, units: str) -> tuple[str, str, str]:
    """An indicative range has no middle that means anything, so only its ends are shown."""
    if wall.indicative and wall.remaining_mm is not None:
        span = display.interval(wall.remaining_mm, "length_mm", units)
        return "Remaining wall (indicative)", f"{span} {display.unit('length_mm', units)}", "a range, not a measurement"
    if wall.remaining_mm is not None and wall.remaining_mm.value == 0 == wall.remaining_mm.standard_uncertainty:
        return "Remaining wall", "none", "a hole goes through"
    return _figure("Remaining wall", wall.remaining_mm, "length_mm", units)


def spoken_summary(examination: Examination, *, units: str = "metric") -> str:
    """A few lines for the terminal."""
    lines = [*dangers(examination.steps), examination.judgement.summary]
    lines += [f"  {name}: {value}" + _span_said(span) for name, value, span in headline_figures(examination, units)]
    lines += [
        f"  {flag.severity}: {flag_in_words(flag, units)}" for flag in examination.flags if flag.severity != "note"
    ]
    lines += [f"  {agreement_in_words(agreed)}" for agreed in examination.agreements]
    return "\n".join(lines)


def _span_said(span: str) -> str:
    if not span:
        return ""
    return f" (95 %: {span})" if display.is_interval(span) else f" ({span})"


def _figure(name: str, measure: Measure | None, kind: str, units: str) -> tuple[str, str, str]:
    return name, display.value(measure, kind, units), display.interval(measure, kind, units)


def examined_shares(examination: Examination) -> tuple[str, str]:
    """How much of the piece that is seen, and of the whole picture, the count refers to."""
    surface, photo = examination.standing_surface, examination.photo
    examined = float(surface.examined.sum())
    of_picture = examined / (photo.width_px * photo.height_px)
    seen = examination.shown.piece_share
    of_piece = f"{100 * min(1.0, of_picture / seen):.0f} % of the piece" if seen > 0 else display.UNKNOWN
    return of_piece, f"{100 * of_picture:.0f} % of the picture"


def taken(photo: Photo) -> str:
    """The camera's date with dashes, as people write it."""
    return photo.camera.taken.replace(":", "-", 2) if photo.camera.taken else display.UNKNOWN


def number_of(count: int, word: str) -> str:
    """ "1 pit", "2 pits"."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def scale_in_short(examination: Examination) -> str:
    """ "Scale: ruler, ± 0.9 %, agrees with the tube's diameter"."""
    scale = examination.standing_surface.mm_per_px
    if scale is None:
        return "No scale: nothing is given in millimetres"
    text = f"Scale: {scale_source(examination)}, ± {196 * scale.standard_uncertainty / scale.value:.1f} %"
    checks = scale_checks(examination)
    if checks:
        against = [check.name for check in checks if not check.agrees] or [check.name for check in checks]
        agree = "agrees" if all(check.agrees for check in checks) else "does not agree"
        text += f"; {agree} with the {' and the '.join(against)}"
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
        f"Taken from the {scale_source(examination)} and carried to the metal: {scale.value:.5f} mm a pixel, "
        f"± {196 * scale.standard_uncertainty / scale.value:.1f} % (95 %)."
    )


def scale_source(examination: Examination, method: str | None = None) -> str:
    """What the scale that stands, or a ``method``, rests on."""
    ring = examination.standing_ring
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
    "metal_here": "this is metal",
    "not_metal_here": "this is not metal",
}


_IN_BRACKETS = re.compile(r" \((?:[^()]|\([^()]*\))*\)")
_LONGEST_BRACKET = 40  # signs: what is longer tells what was read, not which work it is


def source_in_short(source: str) -> str:
    """A rule's sources by name and status; what was read of each stands in ``cutpipe rules`` and in examination.json.

    >>> source_in_short("Holler 1971 (grooves free of product are the mark of acid condensate) [read]; Roberge (page 182) [read]")
    'Holler 1971 [read]; Roberge (page 182) [read]'
    """
    return _IN_BRACKETS.sub(lambda found: "" if len(found[0]) > _LONGEST_BRACKET else found[0], source)


def agreement_in_words(agreed: Agreement) -> str:
    """How a second look at the unmarked photo agrees with what stands: this piece's own error rate."""
    second = f"A second examiner ({agreed.who})" if agreed.who else "A second examiner"
    first = "the program" if agreed.first_is_program else "the first examiner"
    said = f"{second} marked pits on the unmarked photo without seeing this result. "
    if agreed.specific_agreement is None:
        return said + f"Neither the second nor {first} saw one."
    parts = [
        f"{agreed.both} seen by both",
        f"{agreed.only_first} by {first} only",
        f"{agreed.only_second} by the second only",
    ]
    if agreed.second_and_program:
        parts[-1] += f" (of these {agreed.second_and_program} found by the program too and taken out by the first)"
    if not agreed.first_is_program:
        parts.append(f"{agreed.only_program} by the program only")
    low, high = agreed.specific_agreement_95 or (0.0, 1.0)
    said += (
        f"Of the pits large enough to count: {'; '.join(parts)}. What one has seen the other saw too in "
        f"{100 * agreed.specific_agreement:.0f} of 100 (95 %: {100 * low:.0f} to {100 * high:.0f}); the rest are misses of the one "
        "or mistakes of the other."
    )
    if agreed.expected_in_all is not None:
        said += (
            f" Had they looked independently, there would be about {agreed.expected_in_all:.0f} in all (Chapman 1951); two who look "
            "at one photo miss the same ones, so that is rather too few."
        )
    if agreed.off_the_metal:
        said += f" {number_of(agreed.off_the_metal, 'mark')} where no metal was looked at {'is' if agreed.off_the_metal == 1 else 'are'} not compared."
    return said


def what_changed(before: Judgement, after: Judgement) -> tuple[str, ...]:
    """What one more answer did to the causes: each whose standing is another now, and a new leading one. Empty where nothing moved."""
    was = {finding.cause: finding for finding in before.findings}
    moved = [
        f"{finding.name}: {was[finding.cause].standing} before, {finding.standing} now"
        for finding in after.findings
        if finding.cause in was and was[finding.cause].standing != finding.standing
    ]
    first, first_before = (next(iter(judgement.findings), None) for judgement in (after, before))
    if first is not None and first_before is not None and first.cause != first_before.cause:
        moved.insert(0, f"{first.name} now comes first, before {first_before.name}")
    return tuple(moved)


def said_of_all(steps: Sequence[Step]) -> tuple[str, str]:
    """The reason and source that most of these steps share, to be said once above them; two empty texts where none is shared."""
    (shared, times), *_ = Counter((step.why, step.source) for step in steps).most_common(1)
    return shared if times > 1 else ("", "")


def marker_told(marker: Marker, units: str) -> str:
    """The marker with the size that was told of it: the scale rests on that."""
    if marker.kind == "disc" and marker.diameter_mm is not None:
        return display.sentence(f"disc of {marker.diameter_mm:g} mm", units)
    if marker.kind == "length" and marker.points_px is not None and marker.length_mm is not None:
        ends = " and ".join(f"({x:g}, {y:g})" for x, y in marker.points_px)
        return display.sentence(f"length of {marker.length_mm:g} mm", units) + f" between the pixels {ends}"
    return marker.kind
