"""The pit that was tapped: what is known of it and on what that rests, a word of yours, a gauge reading, a note."""

from __future__ import annotations

import math
from html import escape

import streamlit as st

from analyzer.marks.catalogue import Pit
from analyzer.result.examination import Examination
from analyzer.show import pit_card
from analyzer.wall.readings import USUAL_METHOD
from ui import blocks, entries, state
from ui.sections import tools

WORDS = {"remove_pit": "Not a pit", "confirm_pit": "Is a pit", "call_mound": "Is a mound"}


def show(examination: Examination) -> None:
    """Nothing where no pit is chosen, or the chosen one is no longer there."""
    number = state.chosen_pit()
    card = None if number is None else pit_card.pit_card(examination, number, state.units())
    if card is None or number is None:
        return
    pit = next(pit for pit in examination.standing_pits.pits if pit.id == number)
    with st.container(key="pit_card"):
        picture, words = st.columns([1, 2], gap="small")
        with picture:
            blocks.picture(card.crop.jpeg, card.crop.caption, card.crop.alternative)
        with words:
            _head(examination, number)
            rows = "".join(
                f"<div><dt>{escape(row.name)}</dt><dd><details><summary>{escape(row.value)}</summary>"
                f"<p>{escape(row.rests_on)}</p></details></dd></div>"
                for row in card.rows
            )
            st.html(f'<dl class="rests">{rows}</dl>')
        _words_of_yours(pit)
        with st.expander("Reading with a depth gauge, or a note", key="pit_more"):
            _reading(examination, pit)
            _note(pit)


def _head(examination: Examination, number: int) -> None:
    order = [pit.id for pit in sorted(examination.standing_pits.pits, key=lambda pit: -pit.equivalent_diameter_px)]
    place = order.index(number)
    with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
        st.markdown(f"### Pit {number}")
        with st.container(horizontal=True, width="content", gap="small"):
            for name, words, to in (
                ("before", "Pit before", order[place - 1]),
                ("next", "Next pit", order[(place + 1) % len(order)]),
                ("close", "Close", None),
            ):
                st.button(words, key=f"pit_{name}", type="tertiary", on_click=state.choose_pit, args=(to,))


def _words_of_yours(pit: Pit) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom", key="pit_words"):
        for kind, words in WORDS.items():
            if kind == "confirm_pit" and pit.by_hand:
                continue
            if st.button(words, key=f"pit_{kind}"):
                # the place beside the number: so that it stays with it when the photo is looked at anew
                row = {
                    "kind": kind,
                    "pit": pit.id,
                    "points_px": [[pit.x_px, pit.y_px]],
                    "why": state.typed("why") or "",
                }
                said = entries.error_of(entries.correct, row)
                if said:
                    st.error(blocks.safe(said))
                else:
                    st.rerun()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        tools.name_and_why()


def _reading(examination: Examination, pit: Pit) -> None:
    unit = "mm" if state.units() == "metric" else "in"
    with st.container(horizontal=True, vertical_alignment="bottom"):
        depth = st.number_input(
            f"Depth by the gauge, {unit}",
            0.0,
            50.0,
            None,
            format="%.3f" if unit == "mm" else "%.4f",
            key=f"gauge_{pit.id}",
            placeholder="deepest place",
            help="Set it to zero on sound metal beside the pit. Other readings stand under Wall.",
            width=200,
        )
        if st.button("Keep the reading", key="keep_gauge") and depth is not None:
            row = {
                "kind": "pit",
                "id": pit.id,
                "x_px": pit.x_px,
                "y_px": pit.y_px,
                "depth": depth,
                "unit": unit,
                "method": USUAL_METHOD["pit"],
            }
            said = entries.error_of(entries.set_readings, [*state.case().piece.reading_rows, row])
            if said:
                st.error(blocks.safe(said))
            else:
                st.rerun()


def _note(pit: Pit) -> None:
    for note in state.case().piece.notes:
        if note.x_px is None or note.y_px is None:
            continue
        if math.hypot(note.x_px - pit.x_px, note.y_px - pit.y_px) <= max(pit.equivalent_diameter_px, 3.0):
            st.markdown(blocks.safe(f"{note.when[:10]}{', ' + note.who if note.who else ''}: {note.text}"))
    with st.container(horizontal=True, vertical_alignment="bottom"):
        text = st.text_input("Note on this pit", key=f"note_{pit.id}", max_chars=500, width=320)
        if st.button("Keep the note", key="keep_note") and text.strip():
            entries.note(text, pit.x_px, pit.y_px)
            st.rerun()
