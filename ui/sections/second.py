"""A second person marks pits on the unmarked photo; nothing that was found is shown until the marks are kept."""

from __future__ import annotations

import math

import streamlit as st

from analyzer.photo.reading import Photo
from analyzer.result.examination import Examination
from analyzer.show import drawing, phrases
from ui import blocks, entries, looking, state
from ui.photo_points import photo_points

LONGEST_PX = 2000  # of the picture that is sent to the browser
CORNERS = 16  # of the circle that shows a mark


def offer(examination: Examination) -> None:
    """How far a second look agrees, and the way to one."""
    with st.expander("A second person's look", icon=":material/visibility:"):
        for agreed in examination.agreements:
            st.markdown(blocks.safe(phrases.agreement_in_words(agreed)))
        st.caption(
            "Someone who has not seen this result marks the pits on the bare photo. How far both agree is the error rate of this very "
            "piece, and stands in the report. Hand over the screen, then begin."
        )
        st.button("Begin the second look", on_click=state.begin_second_look, icon=":material/visibility:")


def show() -> None:
    """The whole page while the marks are made: the bare photo and what was marked so far."""
    current = state.case()
    main = current.main
    assert main is not None
    photo = looking.photo(current.store.original(main.sha256), main.file_name)
    marks = state.second_look() or []
    blocks.title("A second look")
    st.markdown(
        "Mark every pit that you see: tap one side of its mouth, then the side across. Nothing that was found is shown here."
    )
    _picture(photo, marks)
    seen = "1 pit marked" if len(marks) == 1 else f"{len(marks)} pits marked"
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.button("Take the last mark back", icon=":material/undo:", disabled=not marks, on_click=state.unmark)
        st.button("Leave without keeping", on_click=state.end_second_look, type="tertiary")
    who = st.text_input("Your name", key="second_who", max_chars=200, width=300)
    unseen = st.checkbox("I had not seen the first result before I marked these", key="second_unseen")
    if st.button(f"Keep: {seen}", type="primary", disabled=not unseen):
        said = entries.error_of(entries.keep_second_look, marks, who)
        if said:
            st.error(blocks.safe(said))
        else:
            state.end_second_look()
            st.rerun()


def _picture(photo: Photo, marks: list[tuple[float, float, float]]) -> None:
    rgb = drawing.reduced(photo.rgb, LONGEST_PX)
    share = rgb.shape[1] / photo.width_px
    event = photo_points(
        jpeg=drawing.jpeg(rgb),
        picture_key=f"{photo.sha256}-unmarked",
        width_px=rgb.shape[1],
        height_px=rgb.shape[0],
        shapes=[{"kind": "added", "points": _circle(mark, share)} for mark in marks],
        legend=[("added", "marked by you")] if marks else [],
        mode="mouth",
        key="unmarked_photo",
        label="The photo, unmarked",
    )
    if event and len(event.get("points") or []) == 2:
        (x1, y1), (x2, y2) = ((x / share - 0.5, y / share - 0.5) for x, y in event["points"])
        width = math.dist((x1, y1), (x2, y2))
        if width >= 1:
            state.mark((x1 + x2) / 2, (y1 + y2) / 2, width)
            st.rerun()


def _circle(mark: tuple[float, float, float], share: float) -> list[list[float]]:
    x, y, width = mark
    angles = [2 * math.pi * k / CORNERS for k in range(CORNERS)]
    return [
        [round((x + 0.5 + width / 2 * math.cos(a)) * share, 1), round((y + 0.5 + width / 2 * math.sin(a)) * share, 1)]
        for a in angles
    ]
