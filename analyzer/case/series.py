"""Which photographs and records of the series a case holds, and what is missing and why that matters. It blocks nothing."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from analyzer.case.contents import CaseState, Piece
from analyzer.result.examination import Examination
from analyzer.show.edition import HandedOn, Kept, Noted


class _Item(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    id: str
    needs: Literal["photo", "scale", "white", "told", "answers", "hand_over", "step"]
    of: tuple[str, ...] = ()
    least: int = 1
    title: str
    why: str
    source: str


class _Book(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    schema_version: int = Field(alias="schema")
    item: tuple[_Item, ...]


@cache
def _book() -> _Book:
    text = resources.files("analyzer").joinpath("data/series.toml").read_text(encoding="utf-8")
    return _Book.model_validate(tomllib.loads(text))


def checklist(state: CaseState, examination: Examination | None = None, *, section: str = "1") -> tuple[Kept, ...]:
    """Each item of ``data/series.toml`` with what the case holds of it.

    What only the measured photo can tell (scale, white) is not known until it was examined.
    """
    piece = state.piece(section)
    rows = []
    for item in _book().item:
        there = _held(item, state, piece, examination)
        rows.append(
            Kept(
                id=item.id,
                title=item.title,
                there=there,
                missing=None if there is None else not there,
                why=item.why,
                source=item.source,
            )
        )
    return tuple(rows)


def _held(item: _Item, state: CaseState, piece: Piece, examination: Examination | None) -> str | None:
    """What is there, in a few words; empty where nothing or too little is, None where that is not known."""
    match item.needs:
        case "photo":
            photos = [photo for purpose in item.of for photo in piece.of(purpose)]
            enough = len(photos) >= item.least
            days = sorted({photo.added[:10] for photo in photos})
            counted = f"{len(photos)}, kept {days[0]}" + (f" to {days[-1]}" if len(days) > 1 else "") if photos else ""
            return counted if enough else ""
        case "scale":
            if examination is None:
                return None
            return "yes" if examination.standing_surface.mm_per_px is not None else ""
        case "white":
            if examination is None or examination.standing_surface.view == "end":
                return None
            return "yes" if examination.standing_bands.white_source == "card" else ""
        case "told":
            told = [name.replace("_", " ") for name in item.of if state.description.get(name)]
            return ", ".join(told) if len(told) == len(item.of) else ""
        case "answers":
            told = [name for name in item.of if state.answers.get(name) is not None]
            return f"{len(told)} of {len(item.of)} told" if told else ""
        case "hand_over":
            return f"{len(state.hand_overs)} noted" if state.hand_overs else ""
        case _:
            done = [state.steps_done[step] for step in item.of if step in state.steps_done]
            return f"said to be done {done[0][0][:10]}" if done else ""


def hand_over_log(state: CaseState) -> tuple[HandedOn, ...]:
    """Who had the piece, when, and to whom it went, as noted, in order."""
    return tuple(HandedOn(when=over.when, what=over.what, by=over.who, to=over.to) for over in state.hand_overs)


def notes_of(state: CaseState, section: str = "1") -> tuple[Noted, ...]:
    """The remarks on a section, each with its place on the photo where it has one, in order."""
    return tuple(
        Noted(when=note.when, text=note.text, by=note.who, x_px=note.x_px, y_px=note.y_px)
        for note in state.piece(section).notes
    )
