"""First screen: one sentence, one place to drop a photo, one demo to open; and the questions about the photo."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from analyzer.base.flags import CutpipeError
from analyzer.house.tables import sizes_and_types
from analyzer.result.examination import Examination, Settings
from analyzer.scale.calibration import DISC_RANGE_MM, Marker, common_coins
from analyzer.scale.printed_card import card_pdf
from ui import blocks, demo, state

VIEWS = {
    None: "Judge it from the picture",
    "inside": "Inside of a half-pipe (cut lengthwise)",
    "outside": "Outside of the pipe",
    "flat": "Piece opened and laid flat",
    "end": "Cut ring, from the end",
}
MARKERS = {
    "auto": "Look for the card or a ruler",
    "card": "Printed scale card",
    "ruler": "Ruler or tape measure",
    "disc": "A coin or disc",
    "none": "Nothing",
}
SHORT_VIEWS = {"inside": "Inside", "outside": "Outside", "flat": "Opened flat", "end": "Cut ring"}


def show() -> None:
    st.title("Why did this pipe leak?")
    st.markdown(
        "Photograph the cut-out piece **before it is cleaned**, with the printed scale card, a ruler or a coin beside it. "
        "You get measured damage, likely causes and what to do next. Everything stays on this computer."
    )
    uploaded = st.file_uploader(
        "Photo of the piece", type=None, key="photo_file", help="JPEG, PNG or HEIC, as it comes from the phone."
    )
    if uploaded is not None:
        _take(uploaded.getvalue(), uploaded.name)
    one, two, three = st.columns(3)
    with one, st.popover("Use the camera", icon=":material/photo_camera:", width="stretch"):
        taken = st.camera_input("Photo of the piece", label_visibility="collapsed")
        st.caption("A phone's own camera app takes sharper pictures: take the photo there and choose it above.")
        if taken is not None:
            _take(taken.getvalue(), "camera.jpg")
    with two:
        titles = list(demo.cases())
        if titles:
            with st.popover("Open a demo case", icon=":material/science:", width="stretch"):
                st.caption("An invented house, rendered photos.")
                for title in titles:
                    if st.button(title, key=f"demo_{title}", width="stretch"):
                        demo.begin(title)
                        st.rerun()
    with three:
        with st.popover("Print the scale card", icon=":material/straighten:", width="stretch"):
            st.caption("Print at 100 %, check the printed length with a ruler, lay the card flat beside the piece.")
            st.download_button(
                "A4", card_pdf("a4"), "scale-card-a4.pdf", "application/pdf", width="stretch", on_click="ignore"
            )
            st.download_button(
                "Letter",
                card_pdf("letter"),
                "scale-card-letter.pdf",
                "application/pdf",
                width="stretch",
                on_click="ignore",
            )
    with st.expander("How to take a photo that measures well", icon=":material/lightbulb:"):
        st.markdown(
            "1. **Water off, power safe.** Wear gloves: cut copper is sharp. Mark the top of the pipe and the direction of flow before you cut.\n"
            "2. Do not clean, brush or rinse the piece. Keep both halves and any loose deposit in a dry bag with the date.\n"
            "3. Lay the piece on a plain table and the card beside it, both flat on the table.\n"
            "4. Hold the phone straight above, so that piece and card fill the picture. Light from the side, no flash.\n"
            "5. Tap the metal to focus. One photo of each side; then one after cleaning, if it must be cleaned."
        )
    before = state.before()
    if before is not None and st.button(f"Back to {blocks.safe(before)}", icon=":material/undo:"):
        state.go_back()
        st.rerun()
    st.caption(
        "A photo never proves a cause and never shows that a pipe is safe under pressure. Local codes and licensed trades come first."
    )


def _take(data: bytes, name: str) -> None:
    try:
        state.photo(data, name)
    except CutpipeError as error:
        st.error(blocks.safe(str(error)), icon=":material/error:")
        return
    state.begin(data, name)
    st.rerun()


def another_photo() -> None:
    """A better photo in place of one that cannot be examined; what else was entered stays."""
    uploaded = st.file_uploader("Another photo of the piece", key=f"another_{state.key()}")
    if uploaded is None:
        return
    try:
        state.photo(uploaded.getvalue(), uploaded.name)
    except CutpipeError as error:
        st.error(blocks.safe(str(error)), icon=":material/error:")
        return
    state.replace_photo(uploaded.getvalue(), uploaded.name)
    st.rerun()


def view_question(examination: Examination) -> None:
    """Where the view was judged from the picture, one tap puts it right."""
    current = state.case().settings
    if current.view is not None:
        return
    judged = examination.surface.view
    chosen = st.segmented_control(
        f"Judged from the picture: {SHORT_VIEWS[judged].lower()}. Tap what it shows, to confirm or to put right",
        list(SHORT_VIEWS),
        format_func=SHORT_VIEWS.__getitem__,
        key=f"view_of_{examination.photo.sha256}",
    )
    if chosen is not None:
        state.set_settings(replace(current, view=chosen))
        st.rerun()


def settings_form(examination: Examination | None = None) -> None:
    """What the photo shows, which tube, what lies beside it; open where there is no examination yet."""
    current = state.case().settings
    view_now = VIEWS[current.view] if current.view else "view judged from the picture"
    told = f"What was told: {view_now[:1].lower()}{view_now[1:]}; tube {current.tube or 'not known'}; {MARKERS.get(current.marker.kind, 'known length').lower()}"
    with st.expander(told, expanded=examination is None, icon=":material/tune:"):
        views = list(VIEWS)
        left, right = st.columns(2)
        view = left.selectbox("The photo shows", views, index=views.index(current.view), format_func=VIEWS.__getitem__)
        tubes = ["not known", *sizes_and_types(), "other"]
        now = current.tube or "not known"
        tube = right.selectbox(
            "Tube",
            tubes,
            index=tubes.index(now) if now in tubes else tubes.index("other"),
            help="Size and type are printed along the tube: type K green, L blue, M red. The size alone helps too.",
        )
        if tube == "other":
            tube = (
                right.text_input(
                    "Outside diameter x wall, in mm", value="" if now in tubes else now, placeholder="15.9x0.7"
                ).strip()
                or "not known"
            )
        markers = list(MARKERS)
        kind = current.marker.kind if current.marker.kind in markers else "auto"
        marker = left.selectbox(
            "Beside the piece lies", markers, index=markers.index(kind), format_func=MARKERS.__getitem__
        )
        disc = _coin(left, current.marker) if marker == "disc" else None
        if marker == "none":
            left.caption(
                "Nothing is then given in millimetres, until you mark a length on the photo (Correct by hand)."
            )
        if st.button("Examine again", type="primary", icon=":material/search:"):
            _apply(view, None if tube == "not known" else tube, marker, disc)


def _coin(column: Any, marker: Marker) -> float:
    listed = {f"{coin.name} ({coin.diameter_mm:g} mm)": coin.diameter_mm for coin in common_coins()}
    names = [*listed, "another disc"]
    now = next(
        (name for name, size in listed.items() if size == marker.diameter_mm),
        names[-1] if marker.diameter_mm else names[0],
    )
    name = column.selectbox("Coin", names, index=names.index(now))
    if name in listed:
        return listed[name]
    return column.number_input("Its diameter, mm", *DISC_RANGE_MM, marker.diameter_mm or 25.0, 0.01)


def _apply(view: str | None, tube: str | None, marker: str, disc: float | None) -> None:
    try:
        made = Settings(
            view=view, tube=tube, marker=Marker(kind=marker, diameter_mm=disc if marker == "disc" else None)
        )
    except CutpipeError as error:
        st.error(blocks.safe(str(error)), icon=":material/error:")
        return
    state.set_settings(made)
    st.rerun()
