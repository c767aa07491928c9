"""The photo with what was found, the answer beside it, and how the scale was found."""

from __future__ import annotations

import streamlit as st

from analyzer.base import display
from analyzer.result.examination import Examination
from analyzer.show import drawing, phrases
from ui import blocks, state, style
from ui.sections import flat, photo_said, pit_card, shapes, tools


def show(examination: Examination) -> None:
    """The picture first; beside it, or under it on a phone, the answer and what it rests on; then the tools and the metal laid flat."""
    with st.container(key="desk"):
        with st.container(key="desk_picture"), st.container(key=style.room_key(*shapes.window(examination)[2:4])):
            picture = st.container()
        with st.container(key="desk_card"):
            if examination.surface.view != "end":
                pit_card.show(examination)
        with st.container(key="desk_beside"):
            with st.container(key=style.answer_key(examination.judgement.summary)):
                blocks.answer(examination)
            with st.container(key="line_room"):
                blocks.photo_line(examination)
            photo_said.coin_question(examination)
            with st.container(key="figures_few" if examination.surface.view == "end" else "figures_room"):
                blocks.headline(examination)
            photo_said.view_question(examination)
            blocks.flags(examination, ("serious", "warning"))
        with st.container(key="desk_tools"):
            tools.show(examination, picture)
        if examination.surface.view != "end":
            with st.container(key="desk_flat"):
                flat.show(examination)
    if state.reading() != "plain":
        _scale(examination)
    photo_said.settings_form(examination)
    if state.reading() != "plain":
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
