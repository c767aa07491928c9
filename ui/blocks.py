"""The report's blocks on screen: what is written once for the PDF is read here too."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Sequence
from dataclasses import replace
from html import escape

import streamlit as st
from PIL import Image

from analyzer.base import display
from analyzer.result.examination import Examination
from analyzer.show import photo_line as photo_lines
from analyzer.show import phrases, sketches, terms
from analyzer.show.blocks import Block, Bullets, Caution, Gallery, Paragraph, Picture, Section, Table
from analyzer.show.sections import measures
from ui import state

PLAIN_FIGURES = ("Pits estimated", "Largest pit", "Remaining wall", "Smallest wall")  # what a homeowner asks for
LONG_TABLE, FIRST_ROWS = 14, 8


def headline(examination: Examination) -> None:
    """The figures that a person looks for first; each opens to what it rests on."""
    rests = {name: why for name, _, _, why in measures.measured(examination, state.units())}
    rests |= {"Remaining wall": f"Weakest link: {examination.wall.weakest_link or 'nothing measured the wall'}."}
    state.shown_texts().extend(name for name, _, _ in phrases.headline_figures(examination, state.units()))
    cells = []
    plain = state.reading() == "plain"
    for name, value, span in phrases.headline_figures(examination, state.units()):
        if plain and not name.startswith(PLAIN_FIGURES):
            continue
        below = (
            f"{'19 times of 20' if plain else '95 %'}: {span}" if display.is_interval(span) else span or "no interval"
        )
        why = next((text for known, text in rests.items() if name.startswith(known)), "")
        below = (
            f"<details><summary>{escape(below)}</summary>{escape(why[:1].upper() + why[1:])}</details>"
            if why
            else escape(below)
        )
        cells.append(f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd><dd>{below}</dd></div>")
    st.html(f'<dl class="figures">{"".join(cells)}</dl>')


SIGNS = {"good": "\u2713", "fair": "\u25b3", "poor": "\u2715", "unknown": "?"}
SIGN_WORDS = {"good": "good", "fair": "with a limit", "poor": "not good", "unknown": "not known"}


def photo_line(examination: Examination) -> None:
    """Whether the photo is good enough, in one line with the one thing to do better; each point on request. Signs tell it without colour."""
    line = photo_lines.photo_line(examination, state.units())
    better = f" <b>{escape(line.better)}</b>" if line.better else ""
    rows = "".join(
        f'<li><b aria-hidden="true">{SIGNS[point.verdict]}</b> <b>{escape(point.name)}</b> ({SIGN_WORDS[point.verdict]}): '
        f"{escape(point.sentence)}</li>"
        for point in line.points
    )
    st.html(
        f'<div class="photo-line"><p role="status"><b aria-hidden="true">{SIGNS[line.verdict]}</b> {escape(line.sentence)}{better}</p>'
        f"<details><summary>Is this photo good enough? All {len(line.points)} points</summary><ul>{rows}</ul></details></div>"
    )
    if line.sketch:
        pair(sketches.GOOD_AND_BAD[line.sketch])


def pair(drawn: tuple[sketches.Sketch, sketches.Sketch]) -> None:
    """How to and how not to, side by side with their words."""
    figures = "".join(f"<figure>{_drawn(one)}<figcaption>{escape(one.words)}</figcaption></figure>" for one in drawn)
    st.html(f'<div class="pair">{figures}</div>')


def sketch(drawn: sketches.Sketch) -> None:
    """A line drawing with its words for who cannot see it."""
    st.html(f'<figure class="sketch">{_drawn(drawn)}</figure>')


def _drawn(drawn: sketches.Sketch) -> str:
    data = base64.b64encode(drawn.svg.encode()).decode()
    return f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(drawn.words)}">'


def begin_page() -> None:
    """Before a page is drawn: no text was shown yet."""
    state.shown_texts().clear()


def words_explained() -> None:
    """The words of the trade that stand on this page, in plain words, on request."""
    met = terms.terms_in(" ".join(state.shown_texts()))
    if met:
        with st.expander(f"Words on this page explained ({len(met)})", key="words_explained"):
            rows = "".join(f"<div><dt>{escape(word)}</dt><dd>{escape(means)}</dd></div>" for word, means in met)
            st.html(f'<dl class="rests">{rows}</dl>')


def title(text: str) -> None:
    """The case's name at the head. The first of the pages' own pieces: the browser has what draws them before the others come."""
    st.html(f'<p class="title">{escape(text)}</p>')


def answer(examination: Examination) -> None:
    """The one sentence that a person reads first."""
    state.shown_texts().append(examination.judgement.summary)
    st.html(f'<p class="answer">{escape(examination.judgement.summary)}</p>')


def section(part: Section | None, *, title: bool = True) -> None:
    """A section of the report; nothing where this case has none."""
    if part is None:
        return
    if title:
        st.subheader(part.title)
    for block in part.blocks:
        one(block)


def only_pictures(part: Section | None) -> Section | None:
    """A section's pictures without its tables and words."""
    if part is None:
        return None
    return replace(part, blocks=tuple(block for block in part.blocks if isinstance(block, (Picture, Gallery))))


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
            with columns[place % block.columns]:
                picture(item.jpeg, item.caption, item.alternative)
    else:
        picture(block.jpeg, block.caption, block.alternative)


def picture(jpeg: bytes, caption: str, alt: str) -> None:
    """With its size told beforehand, so that nothing jumps when it arrives, and its words for who cannot see it."""
    with Image.open(io.BytesIO(jpeg)) as opened:
        width, height = opened.size
    data = base64.b64encode(jpeg).decode()
    st.html(
        f'<figure><img src="data:image/jpeg;base64,{data}" width="{width}" height="{height}" alt="{escape(alt)}">'
        + (f"<figcaption>{escape(caption)}</figcaption></figure>" if caption else "</figure>")
    )


def flags(examination: Examination, severities: tuple[str, ...]) -> None:
    """What limits the result, but what the photo's line or a question already says."""
    said = photo_lines.photo_line(examination).flag
    for flag in examination.flags:
        if flag.severity not in severities or flag.id in (said, "coin_asked"):
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
    """The first rows of a long table; the rest on request. What figures rest on opens under each of them."""
    if block.head[-1] == "Rests on":
        _resting(block)
        return
    if len(block.rows) <= LONG_TABLE:
        _rows(block.head, block.rows, block.caption or block.head[0])
        return
    _rows(block.head, block.rows[:FIRST_ROWS], block.caption or block.head[0])
    with st.expander(f"The other {len(block.rows) - FIRST_ROWS} rows"):
        _rows(block.head, block.rows[FIRST_ROWS:], f"{block.caption or block.head[0]}, the other rows")


def _resting(block: Table) -> None:
    """Name, value and interval; the last column opens below them."""
    rows = []
    state.shown_texts().extend(" ".join(row) for row in block.rows)
    for name, value, span, why in block.rows:
        said = value + (f" (95 %: {span})" if display.is_interval(span) else f" ({span})" if span else "")
        rows.append(
            f"<div><dt>{escape(name)}</dt><dd><details><summary>{escape(said)}</summary><p>{escape(why[:1].upper() + why[1:])}</p>"
            "</details></dd></div>"
        )
    st.html(f'<dl class="rests wide">{"".join(rows)}</dl>')


def _rows(head: Sequence[str], rows: Iterable[Sequence[str]], name: str) -> None:
    """A table that scrolls sideways by itself where it is wider than the page, by keyboard too."""
    top = "".join(f'<th scope="col">{escape(str(cell))}</th>' for cell in head)
    body = "".join(
        f'<tr><th scope="row">{escape(str(first))}</th>{"".join(f"<td>{escape(str(cell))}</td>" for cell in others)}</tr>'
        for first, *others in rows
    )
    st.html(
        f'<div class="rows" tabindex="0" role="group" aria-label="{escape(name)}">'
        f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def safe(text: str) -> str:
    """Text as text: no dollar maths, no markdown from a file's name."""
    state.shown_texts().append(text)
    for sign in "\\`*_{}[]<>#$~|":
        text = text.replace(sign, "\\" + sign)
    return text
