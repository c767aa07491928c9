"""The record: files, settings, notes."""

from __future__ import annotations

from analyzer.base import display
from analyzer.result.examination import Examination
from analyzer.show import phrases
from analyzer.show.blocks import Block, Bullets, Heading, Paragraph, Section, Table
from analyzer.show.edition import Edition


def build(examination: Examination, edition: Edition) -> Section:
    units = edition.units
    rows = tuple(
        (
            photo.role,
            photo.name,
            f"{photo.width_px} x {photo.height_px}",
            phrases.taken(photo),
            photo.sha256,
        )
        for photo in examination.photos
    )
    notes = tuple(phrases.flag_in_words(flag, units) for flag in examination.flags if flag.severity == "note")
    settings = examination.settings
    told = ", ".join(
        (
            f"view {settings.view or 'judged from the picture'}",
            f"tube {settings.tube or display.UNKNOWN}",
            f"marker {phrases.marker_told(settings.marker, units)}",
        )
    )
    blocks: list[Block] = [
        Table(head=("Role", "File", "Pixels", "Taken", "SHA-256 of the file"), rows=rows, widths=(1.6, 3, 2.2, 3, 8)),
        Paragraph(text=f"Told to the program: {told}. Program version {examination.program_version}."),
    ]
    if notes:
        blocks.append(Heading(text="Notes on quality"))
        blocks.append(Bullets(items=notes, small=True))
    return Section(id="record", annex=True, title="Record", blocks=tuple(blocks))
