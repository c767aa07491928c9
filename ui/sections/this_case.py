"""The head of every page: the case's name with what is told of it and its log, undo and redo, and the choice between two windows."""

from __future__ import annotations

import streamlit as st

from analyzer.case.contents import WORDS
from ui import blocks, entries, shelf, state

FIELDS = {
    "name": "Name of the case",
    "place": "Place (a nickname will do)",
    "examiner": "Who examines the piece",
    "firm": "Firm",
    "claim_number": "Claim number",
}
LAST_ENTRIES = 30


def head() -> None:
    with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute", key="head"):
        blocks.title(state.case().title)
        with st.container(
            horizontal=True, vertical_alignment="center", horizontal_alignment="right", width="content", gap="small"
        ):
            for name, icon, key, words, entry, act in (
                ("Undo", "undo", "Ctrl+Z", "Take back", state.undoable(), state.undo),
                ("Redo", "redo", "Ctrl+Y", "Do again", state.redoable(), state.redo),
            ):
                st.button(
                    name,
                    key=icon,
                    icon=f":material/{icon}:",
                    type="tertiary",
                    disabled=entry is None,
                    shortcut=key,
                    on_click=act,
                    help=f"{words}: {entry}" if entry else f"Nothing to {words.lower()}",
                )
            with st.popover("Case", icon=":material/folder:", type="tertiary"):
                _case()
    waits = state.waiting()
    if waits:
        st.warning(blocks.safe(waits), icon=":material/warning:")
        with st.container(horizontal=True):
            st.button("Keep mine too", on_click=state.keep_mine, type="primary")
            st.button("Leave mine out", on_click=state.drop_mine)


def _case() -> None:
    if st.button("New piece, or another case", icon=":material/add_a_photo:", width="stretch"):
        state.leave()
        st.query_params.clear()
        st.rerun()
    current = state.case()
    with st.form("described", border=False):
        told = {
            name: st.text_input(label, value=current.kept.description.get(name, ""), max_chars=200)
            for name, label in FIELDS.items()
        }
        who = st.text_input("Your name, for the record", value=state.who(), max_chars=200)
        if st.form_submit_button("Keep", width="stretch"):
            state.set_who(who)
            said = entries.error_of(lambda: entries.describe(**told))
            if said:
                st.error(blocks.safe(said))
            else:
                st.rerun()
    with st.expander("Logo of your firm"):
        st.caption("It stands at the head of the reports; sealed without names, it is left out.")
        given = st.file_uploader("Picture (PNG or JPEG)", type=["png", "jpg", "jpeg"], key=f"logo_{current.address}")
        if given is not None and st.button("Put it on the reports"):
            said = entries.error_of(entries.set_logo, given.getvalue())
            if said:
                st.error(blocks.safe(said))
            else:
                st.rerun()
        if current.kept.logo and st.button("Take the logo out"):
            entries.set_logo(None)
            st.rerun()
    with st.expander(f"Log ({current.number} entries)"):
        rows = [
            f"- {entry.number}. {entry.when[:10]} {entry.when[11:16]}, {WORDS[entry.kind]}{', ' + entry.who if entry.who else ''}"
            for entry in reversed(current.entries[-LAST_ENTRIES:])
        ]
        st.markdown("\n".join(f"- {blocks.safe(row[2:])}" for row in rows))
    with st.expander("Delete this case"):
        st.caption("Photos, answers and log are removed from this computer and cannot be brought back.")
        if st.checkbox("Yes, delete it", key=f"sure_{current.address}") and st.button(
            "Delete", icon=":material/delete:"
        ):
            state.leave()
            st.query_params.clear()
            shelf.delete(current.address)
            st.rerun()
