"""First screen: one sentence, one place to drop a photo, the cases kept here, one demo to open."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from analyzer.base.flags import CutpipeError
from analyzer.case.contents import PURPOSES
from analyzer.case.place import cases_folder
from analyzer.case.said import in_sentences
from analyzer.scale.printed_card import card_pdf
from analyzer.show import sketches
from ui import blocks, demo, entries, looking, shelf, state

FEW = 5  # kept cases before the rest is folded away


def show(said: str | None) -> None:
    st.title("Why did this pipe leak?")
    if said:
        st.warning(blocks.safe(said))
    st.markdown(
        "Photograph the cut-out piece **before it is cleaned**, with the printed scale card, a ruler or a coin beside it. "
        "You get measured damage, likely causes and what to do next. Everything stays on this computer."
    )
    with st.container(key="start"):
        uploaded = st.file_uploader(
            "Photo of the piece",
            type=None,
            key="photo_file",
            accept_multiple_files=True,
            help="JPEG, PNG or HEIC, as it comes from the phone; several photos of one piece at once. A case file and a sealed bundle "
            "are opened here too.",
        )
    if uploaded:
        _take([(file.name, file.getvalue()) for file in uploaded])
    one, two, three = st.columns(3)
    with one, st.popover("Use the camera", icon=":material/photo_camera:", width="stretch"):
        taken = st.camera_input("Photo of the piece", label_visibility="collapsed")
        st.caption("A phone's own camera app takes sharper pictures: take the photo there and choose it above.")
        if taken is not None:
            _take([("camera.jpg", taken.getvalue())])
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
            for name, paper in (("A4", "a4"), ("Letter", "letter")):
                st.download_button(
                    name,
                    card_pdf(paper),
                    f"scale-card-{paper}.pdf",
                    "application/pdf",
                    width="stretch",
                    on_click="ignore",
                )
    blocks.pair(sketches.GOOD_AND_BAD["whole"])
    with st.expander("How to take a photo that measures well", icon=":material/lightbulb:"):
        st.markdown(
            "1. **Water off, power safe.** Wear gloves: cut copper is sharp. Mark the top of the pipe and the direction of flow before you cut.\n"
            "2. Do not clean, brush or rinse the piece. Keep both halves and any loose deposit in a dry bag with the date.\n"
            "3. Lay the piece on a plain table and the card beside it, both flat on the table.\n"
            "4. Hold the phone straight above, so that piece and card fill the picture. Light from the side, no flash.\n"
            "5. Tap the metal to focus. One photo of each side; then one after cleaning, if it must be cleaned."
        )
        for name, pair in sketches.GOOD_AND_BAD.items():
            if name != "whole":
                blocks.pair(pair)
    _kept_cases()
    st.caption(
        "A photo never proves a cause and never shows that a pipe is safe under pressure. Local codes and licensed trades come first."
    )


def _kept_cases() -> None:
    rows = shelf.rows()
    if not rows:
        return
    st.header("Cases kept here")
    _rows(rows[:FEW])
    if rows[FEW:]:
        with st.expander(f"{len(rows) - FEW} older"):
            _rows(rows[FEW:])
    st.caption(blocks.safe(f"They lie in {cases_folder()} until you delete them."))


def _rows(rows: Sequence[shelf.Row]) -> None:
    for row in rows:
        if row.fault:
            st.error(blocks.safe(f"{row.title}: {row.fault}"))
            continue
        with st.container(horizontal=True, vertical_alignment="center"):
            if st.button(blocks.safe(row.title), key=f"open_{row.address}", icon=":material/folder_open:"):
                store = shelf.find(row.address)
                if store is not None:
                    state.open_case(store)
                    st.rerun()
            st.markdown(blocks.safe(f"changed {row.last_when[:10]} {row.last_when[11:16]}"))


def _take(files: list[tuple[str, bytes]]) -> None:
    """Whatever was dropped: photos begin a case, a case file is kept and opened, a sealed bundle is checked."""
    try:
        kinds = [shelf.kind_of(data) for _, data in files]
        if len(files) == 1 and kinds[0] == "case":
            state.open_case(shelf.take_in(files[0][1], files[0][0]))
        elif len(files) == 1 and kinds[0] == "bundle":
            with st.spinner("Checking every byte, and measuring again"):
                verdict, sentences = in_sentences(shelf.check(files[0][1]))
            (st.success if verdict in ("same", "within rounding") else st.error)(blocks.safe(sentences[-1]))
            st.markdown("\n".join(f"- {blocks.safe(sentence)}" for sentence in sentences[:-1]))
            return
        elif len(files) == 1:
            entries.begin(files[0][1], files[0][0])
        elif not _several(files):
            return
    except CutpipeError as error:
        st.error(blocks.safe(str(error)), icon=":material/error:")
        return
    st.rerun()


def _several(files: list[tuple[str, bytes]]) -> bool:
    """Ask what each of several photos shows; whether a case was begun with them."""
    for name, data in files:
        looking.photo(data, name)
    st.markdown("**What does each photo show?** Photos with the torch are added under Wall, where its place is told.")
    words = {purpose: text for purpose, text in PURPOSES.items() if purpose != "light"}
    chosen: dict[str, Any] = {}
    for place, (name, data) in enumerate(files):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.image(data, width=96)
            chosen[name] = st.selectbox(
                name,
                list(words),
                index=list(words).index("main" if place == 0 else "other"),
                format_func=words.__getitem__,
                key=f"purpose_{place}",
            )
    if list(chosen.values()).count("main") != 1:
        st.info("Exactly one photo is the one that is measured: cut open, not cleaned.")
        return False
    if not st.button("Examine", type="primary"):
        return False
    main = next(place for place, (name, _) in enumerate(files) if chosen[name] == "main")
    entries.begin(files[main][1], files[main][0])
    for place, (name, data) in enumerate(files):
        if place != main:
            entries.add_photo(data, name, chosen[name])
    return True
