"""The tools to correct what was found by pointing at the photo."""

from __future__ import annotations

from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from analyzer.base import display
from analyzer.base.measured import MM_PER_INCH
from analyzer.result.examination import Examination
from analyzer.show import phrases
from analyzer.show.blocks import Table
from ui import blocks, entries, state
from ui.photo_points import photo_points
from ui.sections import shapes

MODES = {
    "Add a pit": "place",
    "Leave out an area": "outline",
    "Examine only here": "outline",
    "Mark a length": "length",
    "This is metal": "place",
    "This is not metal": "place",
}
OF_PITS = ("Add a pit", "Examine only here")  # a cut ring shows none, and is examined all round
WHOLE_PHOTO = ("This is metal", "This is not metal")  # what was left out of the piece must be there to be pointed at
KINDS = {
    "Add a pit": "add_pit",
    "Leave out an area": "leave_out",
    "Examine only here": "examine_only",
    "Mark a length": "known_length",
    "This is metal": "metal_here",
    "This is not metal": "not_metal_here",
}


def show(examination: Examination, place: DeltaGenerator) -> None:
    """The picture in its place; the tools below it."""
    with st.container(key="tools"):
        tool = st.pills(
            "Something wrong? Choose:"
            if examination.surface.view == "end"
            else "Something wrong? Tap the pit, or choose:",
            [tool for tool in MODES if examination.surface.view != "end" or tool not in OF_PITS],
            key="tool",
            on_change=state.choose_pit,
            args=(None,),
        )
        if tool is not None:
            with st.container(horizontal=True, vertical_alignment="bottom"):
                size, length = _size(examination, tool)
                name_and_why()
        else:
            size = length = None
    left, top, width, height, enlarge, picture = shapes.picture(examination, whole=tool in WHOLE_PHOTO)
    drawn = shapes.shapes(examination, left, top, enlarge)
    with place:
        event = _pointed(examination, drawn, picture, f"{left}-{top}-{enlarge:.4f}", (width, height), tool, size)
    if event and tool is None:
        if event.get("pit") != state.chosen_pit():
            state.choose_pit(event.get("pit"))
            st.rerun()
    elif event and tool is not None:
        _take(event, tool, size, length, (left, top, enlarge))
    corrections = state.case().piece.corrections
    if corrections:
        with st.expander(f"Corrections by hand ({len(corrections)})"):
            rows = tuple((phrases.entry_in_words(e, state.units()), e.who, e.when, e.why or "") for e in corrections)
            blocks.one(Table(head=("Entry", "Who", "When", "Why"), rows=rows))


def name_and_why() -> None:
    """Who corrects, and why; the reason is read by its key."""
    state.set_who(st.text_input("Your name", value=state.who(), placeholder="for the record", width=170))
    st.text_input("Why", key="why", placeholder="optional", width=200)


def _take(
    event: dict[str, Any], tool: str, size: float | None, length: float | None, window: tuple[int, int, float]
) -> None:
    """Keep what was pointed at with a tool; ``window``: left, top and enlargement of the picture that was shown."""
    left, top, enlarge = window
    row: dict[str, Any] = {"kind": KINDS[tool], "why": state.typed("why") or ""}
    if event.get("points"):
        row["points_px"] = [[x / enlarge + left, y / enlarge + top] for x, y in event["points"]]
    if tool == "Add a pit" and size is not None:
        row["diameter_mm"] = size
    if tool == "Mark a length" and length is not None:
        row["length_mm"] = length
    if tool == "Mark a length" and length is None:
        st.error("Type the length first, then tap both its ends.")
        return
    said = entries.error_of(entries.correct, row)
    if said:
        st.error(blocks.safe(said))
    else:
        st.rerun()


def _size(examination: Examination, tool: str) -> tuple[float | None, float | None]:
    """In millimetres the opening of a pit to add, and the length to mark; None where they are not typed."""
    unit = "mm" if state.units() == "metric" else "in"
    factor = 1.0 if unit == "mm" else MM_PER_INCH
    size = length = None
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
    return None if size is None else size * factor, None if length is None else length * factor


def _pointed(
    examination: Examination,
    drawn: list[dict[str, Any]],
    picture: bytes,
    window: str,
    size_px: tuple[int, int],
    tool: str | None,
    opening: float | None,
) -> dict[str, Any] | None:
    """Show the picture; what was pointed at on it with this tool."""
    legend = [(kind, words) for kind, words in shapes.LEGEND.items() if any(kind in s["kind"].split() for s in drawn)]
    return photo_points(
        jpeg=picture,
        picture_key=f"{examination.photo.sha256}-{window}",
        width_px=size_px[0],
        height_px=size_px[1],
        shapes=drawn,
        legend=legend,
        mode="look" if tool is None else "mouth" if tool == "Add a pit" and opening is None else MODES[tool],
        key="marked_photo",
        label="Photo of the cut ring with both edges of its wall and the thinnest place marked"
        if examination.surface.view == "end"
        else f"Photo of the piece with {len(examination.standing_pits.pits)} pits outlined",
        chosen=state.chosen_pit(),
        rows=_rows(examination),
        missed="If one is there, choose Add a pit.",
    )


def _rows(examination: Examination) -> list[tuple[int, str]]:
    """The pits as a list, widest first."""
    widest_first = sorted(examination.standing_pits.pits, key=lambda pit: -pit.equivalent_diameter_px)
    return [
        (
            pit.id,
            f"{pit.equivalent_diameter_px:.0f} px"
            if pit.equivalent_diameter_mm is None
            else display.value(pit.equivalent_diameter_mm, "length_mm", state.units()),
        )
        for pit in widest_first
    ]
