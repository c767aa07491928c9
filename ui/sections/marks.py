"""The photo with what was found, and corrections by hand."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import cv2
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from analyzer.base import display
from analyzer.base.flags import CutpipeError
from analyzer.base.measured import MM_PER_INCH
from analyzer.result.corrections import Correction, make_correction
from analyzer.result.examination import Examination
from analyzer.show import drawing, phrases
from analyzer.show.blocks import Table
from ui import blocks, state, style
from ui.photo_points import photo_points
from ui.sections import first

LONGEST_PX = 2000  # of the picture that is sent to the browser
MODES = {
    "Just look": "look",
    "Not a pit": "pit",
    "Is a pit": "pit",
    "Is a mound": "pit",
    "Add a pit": "place",
    "Leave out an area": "outline",
    "Examine only here": "outline",
    "Mark a length": "length",
    "This is metal": "place",
    "This is not metal": "place",
}
WHOLE_PHOTO = ("This is metal", "This is not metal")  # what was left out of the piece must be there to be pointed at
KINDS = {
    "Not a pit": "remove_pit",
    "Is a pit": "confirm_pit",
    "Is a mound": "call_mound",
    "Add a pit": "add_pit",
    "Leave out an area": "leave_out",
    "Examine only here": "examine_only",
    "Mark a length": "known_length",
    "This is metal": "metal_here",
    "This is not metal": "not_metal_here",
}


LEGEND = {
    "pit": "pit",
    "unsure": "doubtful pit",
    "added": "pit added by hand",
    "mound": "mound",
    "contact_mark": "contact mark",
    "water_line": "water line",
    "overall_stain": "stain all over",
    "other": "other mark",
    "outline": "metal looked at",
}


def show(examination: Examination) -> None:
    """The picture first; beside it, or under it on a phone, the answer and what it rests on."""
    column, beside = st.columns([3, 2], gap="medium")
    with column, st.container(key=style.room_key(*_window(examination)[2:4])):
        picture = st.container()
    with beside:
        with st.container(key="answer"):
            blocks.answer(examination)
        blocks.photo_line(examination)
        blocks.headline(examination)
        first.view_question(examination)
        blocks.flags(examination, ("serious", "warning"))
    _photo(examination, picture)
    _scale(examination)
    first.settings_form(examination)
    blocks.notes(examination)


def _scale(examination: Examination) -> None:
    """How the scale was found and checked, with the marker drawn on the whole photo."""
    surface = examination.standing_surface
    with st.expander(phrases.scale_in_short(examination), icon=":material/straighten:"):
        checks = phrases.scale_checks(examination)
        lines = [
            phrases.scale_in_words(examination),
            *(display.sentence(check.sentence, state.units()) for check in checks),
        ]
        st.markdown("\n".join(f"- {blocks.safe(line)}" for line in lines))
        caption = "Light line: the marker that was measured. Dashed line: the metal."
        picture = drawing.whole_photo(examination.photo, examination.calibration, surface)
        blocks.picture(drawing.jpeg(picture), caption, "The whole photo with its marker and the metal outlined.")


def _photo(examination: Examination, place: DeltaGenerator) -> None:
    """The picture in its place; the tools to correct it below all that a person reads first."""
    if examination.surface.view == "end":
        picture = drawing.marked_photo(
            examination.photo,
            examination.standing_surface,
            examination.standing_pits,
            examination.standing_bands,
            ring=examination.standing_ring,
            numbers=False,
            longest_px=1400,
        )
        with place:
            blocks.picture(
                drawing.jpeg(picture),
                "Both edges of the wall as measured; the arrows point at the thinnest place.",
                "Photo of the cut ring with both edges of its wall and the thinnest place marked.",
            )
        return
    current = state.case()
    with st.container(horizontal=True, vertical_alignment="bottom", key="tools"):
        tool = st.selectbox(
            "Correct by hand",
            list(MODES),
            key="tool",
            help="The automatic result stays; your corrections stand beside it with your name and the time.",
            width=220,
        )
        size = length = None
        unit = "mm" if state.units() == "metric" else "in"
        factor = 1.0 if unit == "mm" else MM_PER_INCH
        if tool == "Add a pit" and examination.surface.mm_per_px is not None:
            size = st.number_input(
                f"Its opening, {unit}",
                0.001,
                50.0,
                None,
                format="%.3f",
                key="pit_size",
                placeholder="if measured",
                help="Left empty, tap both sides of its mouth on the photo.",
                width=140,
            )
        elif tool == "Mark a length":
            length = st.number_input(f"The length, {unit}", 0.01, 1000.0, None, key="known_length", width=140)
        why = ""
        if tool != "Just look":
            current.who = st.text_input(
                "Your name", value=current.who, key="who", placeholder="for the record", width=170
            )
            why = st.text_input("Why", key="why", placeholder="optional", width=200)
        if tool != "Just look" or current.corrections or current.undone:
            if st.button("Undo", icon=":material/undo:", disabled=not current.corrections, shortcut="Ctrl+Z"):
                state.undo()
                st.rerun()
            if st.button("Redo", icon=":material/redo:", disabled=not current.undone, shortcut="Ctrl+Y"):
                state.redo()
                st.rerun()
    left, top, width, height, enlarge, jpeg = _picture(examination, whole=tool in WHOLE_PHOTO)
    shapes = _shapes(examination, left, top, enlarge)
    with place:
        event = _pointed(examination, shapes, jpeg, f"{left}-{top}-{enlarge:.4f}", (width, height), tool, size)
    if event:
        row: dict[str, object] = {"kind": KINDS.get(tool), "why": why}
        if event.get("pit") is not None:
            row["pit"] = number = int(event["pit"])
            row["points_px"] = [
                [pit.x_px, pit.y_px] for pit in examination.standing_pits.pits if pit.id == number
            ] or None  # so that it stays with its place when the photo is looked at anew
        elif event.get("points"):
            row["points_px"] = [[x / enlarge + left, y / enlarge + top] for x, y in event["points"]]
        if tool == "Add a pit" and size is not None:
            row["diameter_mm"] = size * factor
        if tool == "Mark a length" and length is not None:
            row["length_mm"] = length * factor
        if tool == "Mark a length" and length is None:
            st.error("Type the length first, then tap both its ends.")
        else:
            _enter(row)
    if current.corrections:
        with st.expander(f"Corrections by hand ({len(current.corrections)})"):
            rows = tuple(
                (phrases.entry_in_words(e, state.units()), e.who, e.when, e.why or "") for e in current.corrections
            )
            blocks.one(Table(head=("Entry", "Who", "When", "Why"), rows=rows))


def _pointed(
    examination: Examination,
    shapes: list[dict[str, Any]],
    picture: bytes,
    window: str,
    size_px: tuple[int, int],
    tool: str,
    opening: float | None,
) -> dict[str, Any] | None:
    """Show the picture; what was pointed at on it with this tool."""
    drawn = [(kind, words) for kind, words in LEGEND.items() if any(kind in s["kind"].split() for s in shapes)]
    return photo_points(
        jpeg=picture,
        picture_key=f"{examination.photo.sha256}-{window}",
        width_px=size_px[0],
        height_px=size_px[1],
        shapes=shapes,
        legend=drawn,
        mode="mouth" if tool == "Add a pit" and opening is None else MODES[tool],
        key="marked_photo",
        label=f"Photo of the piece with {len(examination.standing_pits.pits)} pits outlined",
    )


def _enter(row: dict[str, object]) -> None:
    try:
        entry: Correction = make_correction(row)
    except CutpipeError as error:
        st.error(blocks.safe(str(error)))
        return
    state.correct(entry)
    st.rerun()


def _window(examination: Examination, *, whole: bool = False) -> tuple[int, int, int, int, float]:
    """The piece's part of the photo (``whole``: all of it), small enough to send once: left, top, width, height, enlargement."""
    left, top, right, bottom = _part(examination, whole)
    enlarge = min(1.0, LONGEST_PX / max(right - left, bottom - top))
    return left, top, max(1, round((right - left) * enlarge)), max(1, round((bottom - top) * enlarge)), enlarge


def _picture(examination: Examination, *, whole: bool = False) -> tuple[int, int, int, int, float, bytes]:
    """The window and its JPEG."""
    left, top, width, height, enlarge = _window(examination, whole=whole)
    right, bottom = _part(examination, whole)[2:]
    part = cv2.resize(examination.photo.rgb[top:bottom, left:right], (width, height), interpolation=cv2.INTER_AREA)
    return left, top, width, height, enlarge, drawing.jpeg(part)


def _part(examination: Examination, whole: bool) -> tuple[int, int, int, int]:
    photo = examination.photo
    return (0, 0, photo.width_px, photo.height_px) if whole else drawing.window(photo, examination.surface)


def _shapes(examination: Examination, left: int, top: int, enlarge: float) -> list[dict[str, object]]:
    added = {pit.id for pit in examination.corrected.added_pits} if examination.corrected else set()
    shapes: list[dict[str, object]] = [
        {"kind": "outline", "points": _scaled(examination.standing_surface.outline_px, left, top, enlarge)}
    ]
    for kind, outline in drawing.band_outlines(examination.standing_bands):
        shapes.append({"kind": f"band {kind}", "points": _scaled(outline, left, top, enlarge)})
    doubtful = {pit.id for pit in examination.standing_pits.pits if pit.confidence < drawing.SURE_FROM}
    for number, outline in drawing.pit_outlines(examination.standing_pits).items():
        kind = "added" if number in added else "pit unsure" if number in doubtful else "pit"
        shapes.append({"kind": kind, "id": number, "points": _scaled(outline, left, top, enlarge)})
    for mound in examination.standing_pits.mounds:
        shapes.append({"kind": "mound", "id": mound.id, "points": _scaled(drawing.triangle(mound), left, top, enlarge)})
    return shapes


def _scaled(points: Iterable[Any], left: int, top: int, enlarge: float) -> list[list[float]]:
    return [
        [round(float((x - left + 0.5) * enlarge), 1), round(float((y - top + 0.5) * enlarge), 1)] for x, y in points
    ]
