"""What a person says of the photo: what it shows, which tube, what lies beside it; and another photo in its place."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from analyzer.base.flags import CutpipeError
from analyzer.house.tables import sizes_and_types
from analyzer.result.examination import Examination, Settings
from analyzer.scale.calibration import DISC_RANGE_MM, Marker, common_coins
from analyzer.show import drawing
from ui import blocks, entries, looking, state

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


def another_photo(label: str = "Another photo of the piece") -> None:
    """A better photo in place of one that cannot be examined, or the first one; what else was entered stays."""
    current = state.case()
    uploaded = st.file_uploader(label, key=f"another_{looking.key(current.piece)}")
    if uploaded is None:
        return
    lost = entries.lost_with_the_photo()
    if lost:
        st.warning(f"What is tied to places on the old photo goes with it: {lost}. Undo brings it back.")
        if not st.button("Take the new photo"):
            return
    said = entries.error_of(entries.replace_photo, uploaded.getvalue(), uploaded.name)
    if said:
        st.error(blocks.safe(said), icon=":material/error:")
        return
    st.rerun()


def view_question(examination: Examination) -> None:
    """Where the view was judged from the picture, one tap puts it right."""
    current = state.case().piece.settings
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
        entries.set_settings(replace(current, view=chosen))
        st.rerun()


def coin_question(examination: Examination) -> None:
    """Something round beside the piece: is it a coin, and which? Asked where it was seen and no other marker was."""
    seen = examination.shown.round_px
    if seen is None or not any(flag.id == "coin_asked" for flag in examination.flags):
        return
    current = state.case().piece.settings
    with st.container(border=True, key="coin_question"):
        picture, words = st.columns([1, 3])
        with picture:
            crop = drawing.round_close_up(examination.photo, seen)
            blocks.picture(drawing.jpeg(crop), "", "The round thing beside the piece, outlined.")
        with words:
            st.markdown("**Is this a coin?** Its size then gives the scale, and everything is told in millimetres.")
            listed = {f"{coin.name} ({coin.diameter_mm:g} mm)": coin.diameter_mm for coin in common_coins()}
            name = st.selectbox(
                "Which coin", list(listed), index=None, placeholder="country or value", key="which_coin"
            )
            with st.container(horizontal=True):
                if st.button("Yes, this coin", type="primary", disabled=name is None) and name is not None:
                    _apply(current.view, current.tube, "disc", listed[name])
                if st.button("No coin"):
                    _apply(current.view, current.tube, "none", None)


def settings_form(examination: Examination | None = None) -> None:
    """What the photo shows, which tube, what lies beside it; open where there is no examination yet."""
    current = state.case().piece.settings
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
                "Nothing is then given in millimetres, until you mark a length on the photo (Mark a length, under the picture)."
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
    entries.set_settings(made)
    st.rerun()
