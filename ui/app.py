"""The front end's frame: router only. Sections draw results and take input; they compute nothing."""

from __future__ import annotations

import sys
import traceback
from pathlib import Path

import pandas  # noqa: F401  (the first custom component imports it; here it costs its second before a person waits)
import streamlit as st

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # a checkout that is not installed works too

from analyzer.base.flags import CutpipeError
from ui import blocks, demo, entries, looking, state
from ui.sections import figures, first, house, marks, photo_said, reasons, save, second, steps, this_case, wall

# A file of our own: a named icon would be fetched from the network.
ICON = str(Path(__file__).with_name("icon.png"))
SECTIONS = {
    "Photo": marks.show,
    "House": house.show,
    "Figures": figures.show,
    "Wall": wall.show,
    "Why": reasons.show,
    "To do": steps.show,
    "Save": save.show,
}


TOLD = ("Figures", "Wall", "Why", "To do")  # what can be read in three ways says so at its head
ADDRESSES = dict(zip(("photo", "house", "figures", "wall", "why", "to-do", "save"), SECTIONS))


def main() -> None:
    st.set_page_config(page_title="cutpipe", page_icon=ICON, layout="wide", initial_sidebar_state="collapsed")
    try:
        said = state.follow_address(ADDRESSES)
    except CutpipeError as error:
        state.leave()
        said = str(error)
    if st.query_params.get("demo") and not state.at_hand() and not st.session_state.get("demo_seen"):
        st.session_state["demo_seen"] = True
        demo.open_first()
    if not state.at_hand():
        first.show(said)
        return
    if state.second_look() is not None and state.case().main is not None:
        second.show()  # alone: whoever marks must not see what was found
        state.drawn()
        return
    blocks.begin_page()
    this_case.head()
    with st.container(key="sections"):
        chosen = st.segmented_control(
            "Section", list(SECTIONS), key="section", label_visibility="collapsed", required=True
        )
    chosen = chosen or "Photo"
    state.write_address(next(name for name, section in ADDRESSES.items() if section == chosen))
    if state.case().main is None:
        st.info("This case has no photo of the cut-open piece yet.", icon=":material/info:")
        photo_said.another_photo("Photo of the piece, cut open")
    else:
        _section(chosen)
    state.drawn()


def _section(chosen: str) -> None:
    try:
        examination = looking.examined()
    except CutpipeError as error:
        _cannot(error, chosen)
        return
    if chosen in TOLD:
        _reading()
    SECTIONS[chosen](examination)
    if state.reading() != "record":
        blocks.words_explained()
    names = list(SECTIONS)
    with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute", key="foot"):
        if chosen != names[-1]:
            following = names[names.index(chosen) + 1]
            st.button(f"Next: {following}", icon=":material/arrow_forward:", on_click=state.go_to, args=(following,))
        if chosen == "Photo":
            _reading()
        st.segmented_control(
            "Units", ("mm, kPa", "in, psi"), default="mm, kPa", key="units", label_visibility="collapsed", required=True
        )


def _reading() -> None:
    """The same result in plain words, for the trade, or with all that a reviewer checks."""
    st.segmented_control(
        "How it is told",
        list(state.READINGS),
        format_func=state.READINGS.__getitem__,
        default="working",
        key="reading",
        label_visibility="collapsed",
        required=True,
    )


def _cannot(error: CutpipeError, chosen: str) -> None:
    """Why the case cannot be examined, and every way to change that."""
    st.error(blocks.safe(str(error)), icon=":material/error:")
    st.caption(
        "Your photo and everything you entered are kept. Choose another photo, or change what does not fit below."
    )
    number = looking.misfit() if state.case().piece.corrections else None
    if number is not None:
        st.button("Take back the correction that does not fit", on_click=state.undo, args=(number,))
    photo_said.another_photo()
    photo_said.settings_form()
    if state.case().piece.reading_rows and st.button("Take the gauge readings out", icon=":material/delete:"):
        entries.set_readings([])
        st.rerun()
    if chosen == "House":
        house.show(None)


try:
    main()
except Exception:  # a fault of the program: the person keeps the case, the terminal gets the details
    traceback.print_exc()
    st.error(
        "Something went wrong inside cutpipe; your photo and entries are kept. Try another section or take the photo again; the "
        "details stand in the window where cutpipe was started.",
        icon=":material/error:",
    )
