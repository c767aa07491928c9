"""Every measure with what it rests on."""

from __future__ import annotations

from analyzer.base import display
from analyzer.base.measured import COVERAGE_95, Measure
from analyzer.marks.general_attack import LEAST_SHARE, PIXEL_MM, WINDOW_PX
from analyzer.result.examination import Examination
from analyzer.show import charts, phrases
from analyzer.show.blocks import Block, Bullets, Gallery, Heading, Paragraph, Section, Table, picture
from analyzer.show.edition import Edition


def measured(examination: Examination, units: str) -> tuple[tuple[str, str, str, str], ...]:
    """(name, value, 95 % interval, what it rests on) of every measure."""
    surface, pattern, pits = examination.standing_surface, examination.standing_pattern, examination.standing_pits
    scale = surface.mm_per_px
    rows: list[tuple[str, str, str, str]] = []

    def add(name: str, measure: Measure | None, kind: str, rests_on: str) -> None:
        rows.append((name, display.value(measure, kind, units), display.interval(measure, kind, units), rests_on))

    ring = surface.view == "end"
    if scale is not None:
        # The scale stays in millimetres a pixel: it is what a reviewer checks on the picture.
        relative = 100 * scale.standard_uncertainty / scale.value
        parts = sorted(((abs(100 * share), source) for source, share in scale.shares.items()), reverse=True)
        budget = ", ".join(f"{source} {percent:.2f} %" for percent, source in parts[:4] if percent >= 0.005)
        rows.append(
            (
                "Scale at the metal",
                f"{scale.value:.5f} mm a pixel",
                f"± {COVERAGE_95 * relative:.1f} %",
                f"{phrases.scale_source(examination)}; one sigma: {budget}",
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
        on = "the metal seen at up to 60 degrees"
        if pattern.counted_area is not None:
            on += f" ({display.value(pattern.counted_area, 'metal_mm2', units)})"
        add(
            "Pits estimated",
            pits.count,
            "count",
            f"each of {phrases.number_of(len(pits.pits), 'listed pit')} and of the fainter marks by its confidence, with those that such a photo "
            f"does not show, on {on}; {evidence}, version {pits.evidence_version}{smallest}",
        )
        if pits.attack is not None:
            judged = (
                f"windows of {display.plain(WINDOW_PX * PIXEL_MM, 'length_mm', units)}"
                if pits.attack.scaled
                else "windows at the size of picture that shows most of it"
            )
            add(
                "Metal pocked or scabbed",
                pits.attack.share,
                "share",
                f"share of the metal examined that has hardly sound ground between pocks, by mouths and texture in {judged}; "
                f"from {100 * LEAST_SHARE:.0f} % on called a general attack",
            )
            if pits.attack.roughness is not None:
                rests_on = "spread of the brightness within half a millimetre, as a share of it; no height: another light gives another figure"
                add("Roughness to the eye there", pits.attack.roughness, "share", rests_on)
        if pattern.pits_per_cm2 is not None:
            rests_on = "the same estimate by its area; for this piece: another length of the run may differ more"
            add("Pits per area", pattern.pits_per_cm2, "per_cm2", rests_on)
        if pattern.mean_diameter_mm is not None:
            add("Mean pit opening", pattern.mean_diameter_mm, "length_mm", "width of a round mouth of the same area")
            add(
                "Largest pit opening",
                pattern.largest_diameter_mm,
                "length_mm",
                "the same of the largest listed; the interval is where the largest that there is may lie, as that one may be none and a "
                "larger one may have been missed",
            )
    for check in phrases.scale_checks(examination):
        rows.append(
            (
                f"Cross-check: {check.name}",
                f"{check.difference_percent:+.1f} %".replace("-", "−"),
                f"± {COVERAGE_95 * check.standard_uncertainty_percent:.1f} %",
                display.sentence(check.sentence, units),
            )
        )
    return tuple(rows)


def build(examination: Examination, edition: Edition) -> Section:
    units = edition.units
    surface, pattern, pits = examination.standing_surface, examination.standing_pattern, examination.standing_pits
    scale, ring = surface.mm_per_px, surface.view == "end"
    blocks: list[Block] = [
        Table(
            head=("Measure", "Value", "95 % interval", "Rests on"),
            rows=measured(examination, units),
            widths=(4, 3, 3.4, 7),
            caption="To check a figure: where the metal is seen square on, a length in pixels of the photo times the scale is its length in millimetres."
            if scale is not None
            else "",
        )
    ]
    if pattern.density_rating or pattern.size_rating:
        blocks.append(
            Paragraph(
                text=f"Ratings of the pitting standard (ASTM G46): density {_rated(pattern.density_rating, pattern.density_rating_range)}, "
                f"size {_rated(pattern.size_rating, pattern.size_rating_range)}. The chart was made for large areas; on a small piece the "
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
    depths = examination.wall.pit_depths
    plots = (
        (
            charts.pit_map(pits.pits, depths, surface.radius_mm, units=units),
            "Where the pits lie, seen flat; larger circles for wider mouths. Hours count from the middle of the metal seen, not from the crown.",
            "Map of the pits along and round the pipe; each place stands in the table of pits.",
        ),
        (
            charts.pit_sizes(pits.pits, depths, units=units),
            "Sizes of the openings, and each measured depth with its interval.",
            "Number of pits by the width of their opening.",
        ),
    )
    drawn = tuple(picture(rgb, caption, words) for rgb, caption, words in plots if rgb is not None)
    if drawn and not ring:
        blocks.append(Gallery(items=drawn, columns=2, page_share=0.15))
    serious = [flag for flag in examination.flags if flag.severity != "note"]
    if serious:
        blocks.append(Heading(text="What limits this result, and how to do better"))
        blocks.append(Bullets(items=tuple(phrases.flag_in_words(flag, units) for flag in serious)))
    return Section(id="measures", title="Measures", blocks=tuple(blocks))


def _rated(rating: str | None, ends: tuple[str, str] | None) -> str:
    """A rating with the range that its uncertainty leaves open."""
    if rating is None or ends is None:
        return display.UNKNOWN
    return rating if ends[0] == ends[1] else f"{rating} ({ends[0]} to {ends[1]})"
