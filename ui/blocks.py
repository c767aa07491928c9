"""The report's blocks on screen: what is written once for the PDF is read here too."""

from __future__ import annotations

from html import escape

import pandas as pd
import streamlit as st

from analyzer.result.examination import Examination
from analyzer.show import photo_line as photo_lines
from analyzer.show import phrases
from analyzer.show.blocks import Block, Bullets, Caution, Gallery, Paragraph, Section, Table
from ui import state

LONG_TABLE, FIRST_ROWS = 14, 8


def headline(examination: Examination) -> None:
    """The figures that a person looks for first."""
    cells = []
    for name, value, span in phrases.headline_figures(examination, state.units()):
        below = f"95 %: {span}" if " to " in span else span or "no interval"
        cells.append(f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd><dd>{escape(below)}</dd></div>")
    st.html(f'<dl class="figures">{"".join(cells)}</dl>')


def photo_line(examination: Examination) -> None:
    """Whether the photo is good enough, in one line with the one thing to do better. The sign tells it without the colour."""
    line = photo_lines.photo_line(examination, state.units())
    sign = {"good": "\u2713", "fair": "\u25b3", "poor": "\u2715"}[line.verdict]
    better = f" <b>{escape(line.better)}</b>" if line.better else ""
    st.html(f'<p class="photo-line" role="status"><b aria-hidden="true">{sign}</b> {escape(line.sentence)}{better}</p>')


def answer(examination: Examination) -> None:
    """The one sentence that a person reads first."""
    st.html(f'<p class="answer">{escape(examination.judgement.summary)}</p>')


def section(part: Section | None, *, title: bool = True) -> None:
    """A section of the report; nothing where this case has none."""
    if part is None:
        return
    if title:
        st.subheader(part.title)
    for block in part.blocks:
        one(block)


def one(block: Block) -> None:
    if isinstance(block, Paragraph):
        st.markdown(f"**{safe(block.text)}**" if block.strong else safe(block.text))
    elif isinstance(block, Caution):
        st.warning(safe(block.text), icon=":material/warning:")
    elif isinstance(block, Bullets):
        mark = "1." if block.numbered else "-"
        st.markdown("\n".join(f"{mark} {safe(item)}" for item in block.items))
    elif isinstance(block, Table):
        table(block)
        if block.caption:
            st.caption(block.caption)
    elif isinstance(block, Gallery):
        columns = st.columns(block.columns)
        for place, item in enumerate(block.items):
            columns[place % block.columns].image(item.jpeg, caption=item.caption, width="stretch")
    else:
        st.image(block.jpeg, caption=block.caption, width="stretch")


def flags(examination: Examination, severities: tuple[str, ...]) -> None:
    """What limits the result."""
    for flag in examination.flags:
        if flag.severity not in severities:
            continue
        text = phrases.flag_in_words(flag, state.units())
        if flag.severity == "serious":
            st.error(safe(text), icon=":material/report:")
        else:
            st.warning(safe(text), icon=":material/warning:")


def notes(examination: Examination) -> None:
    """Remarks for the record, folded away."""
    notes = [flag for flag in examination.flags if flag.severity == "note"]
    if notes:
        with st.expander(f"Notes on quality ({len(notes)})"):
            st.markdown("\n".join(f"- {safe(phrases.flag_in_words(flag, state.units()))}" for flag in notes))


def table(block: Table) -> None:
    """The first rows of a long table; the rest on request."""
    frame = pd.DataFrame(block.rows, columns=list(block.head)).set_index(block.head[0])
    if len(frame) <= LONG_TABLE:
        st.table(frame)
        return
    st.table(frame.head(FIRST_ROWS))
    with st.expander(f"The other {len(frame) - FIRST_ROWS} rows"):
        st.table(frame.tail(len(frame) - FIRST_ROWS))


def safe(text: str) -> str:
    """Text as text: no dollar maths, no markdown from a file's name."""
    for sign in "\\`*_{}[]<>#$~|":
        text = text.replace(sign, "\\" + sign)
    return text
