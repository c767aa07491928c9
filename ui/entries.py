"""What a person enters, tried before it is kept: what cannot be right gets a sentence, and the log stays as it was."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from analyzer.base.flags import CutpipeError, InputError
from analyzer.case.commands import now
from analyzer.case.contents import KeptPhoto
from analyzer.causes.repair import Prices
from analyzer.house.facts import FactError, check_facts
from analyzer.result.corrections import make_correction
from analyzer.result.examination import Settings
from analyzer.result.second_look import make_second_look
from analyzer.show.logo import as_logo
from analyzer.wall.readings import readings_from_rows
from ui import looking, shelf, state


def begin(
    data: bytes,
    name: str,
    settings: Settings | None = None,
    *,
    title: str = "",
    answers: Mapping[str, Any] | None = None,
) -> None:
    """Begin a case with this photo and take it up. Raises CutpipeError, and begins nothing, where it is no photo."""
    looking.photo(data, name)
    state.open_case(shelf.begin(title or name, who=state.who() if state.at_hand() else "", described=bool(title)))
    _add_photo(data, name, "main")
    if settings is not None:
        set_settings(settings)
    if answers:
        state.change("facts", {"answers": dict(answers)})


def _add_photo(
    data: bytes, name: str, purpose: str, azimuth_deg: float | None = None, elevation_deg: float | None = None
) -> None:
    state.change(
        "photo_added",
        {
            "sha256": state.case().store.keep_original(data),
            "file_name": name,
            "purpose": purpose,
            "azimuth_deg": azimuth_deg,
            "elevation_deg": elevation_deg,
        },
    )


def lost_with_the_photo() -> str:
    """What goes when another photo takes the place of the main one, in words; empty where nothing does."""
    piece = state.case().piece
    counted = {
        "correction": len(piece.corrections),
        "depth reading": sum(row.get("kind") == "pit" for row in piece.reading_rows),
        "photo with the torch or the light behind": len(piece.of("light")) + len(piece.of("backlit")),
    }
    return ", ".join(f"{number} {words}{'s' if number > 1 else ''}" for words, number in counted.items() if number)


def replace_photo(data: bytes, name: str) -> None:
    """Another main photo of the same piece. What was tied to places on the old one goes with it; Undo brings it back."""
    looking.photo(data, name)
    _add_photo(data, name, "main")


def add_photo(
    data: bytes, name: str, purpose: str, *, azimuth_deg: float | None = None, elevation_deg: float | None = None
) -> None:
    """Add a further photo. Raises CutpipeError, and keeps nothing, where it is no photo or does not belong."""
    looking.photo(data, name, purpose)
    current = state.case()
    content = {
        "sha256": current.store.keep_original(data),
        "file_name": name,
        "purpose": purpose,
        "azimuth_deg": azimuth_deg,
        "elevation_deg": elevation_deg,
    }
    if purpose in looking.READ_BY_THE_PROGRAM:
        looking.looked(current.store, current.tried("photo_added", content).piece())
    state.change("photo_added", content)


def add_lights(photos: Sequence[tuple[bytes, str, float, float]]) -> None:
    """Add photos with the torch (bytes, name, azimuth and elevation in degrees) at once, looked at once.

    Raises CutpipeError, and keeps none, where one is no photo or they do not go together.
    """
    current = state.case()
    rows = []
    for data, name, azimuth_deg, elevation_deg in photos:
        looking.photo(data, name, "light")
        sha256 = current.store.keep_original(data)
        place = {"azimuth_deg": azimuth_deg, "elevation_deg": elevation_deg}
        rows.append({"sha256": sha256, "file_name": name, "purpose": "light", **place})
    looking.looked(current.store, current.tried_all("photo_added", rows).piece())
    for row in rows:
        state.change("photo_added", row)


def remove_photo(kept: KeptPhoto) -> None:
    state.change("photo_removed", {"sha256": kept.sha256})


def set_settings(settings: Settings) -> None:
    if settings != state.case().piece.settings:
        marker = {name: value for name, value in dataclasses.asdict(settings.marker).items() if value is not None}
        state.change("settings", {"view": settings.view, "tube": settings.tube, "marker": marker})


def correct(row: Mapping[str, object]) -> None:
    """Keep a correction. Raises CutpipeError, and keeps nothing, where it cannot be applied."""
    entry = make_correction(dict(row))
    content = {name: value for name, value in dataclasses.asdict(entry).items() if name not in ("who", "when")}
    content = {name: value for name, value in content.items() if value not in (None, "")}
    current, when = state.case(), now()
    looking.concluded(current.store, current.tried("correction", {"correction": content}, when=when))
    state.change("correction", {"correction": content}, when=when)


def set_readings(rows: Sequence[Mapping[str, Any]]) -> None:
    """Keep the gauge readings. Raises CutpipeError, and keeps nothing, where they cannot be right for this piece."""
    if rows:
        readings_from_rows(rows)
        current = state.case()
        looking.concluded(current.store, current.tried("readings", {"rows": list(rows)}))
    state.change("readings", {"rows": list(rows)})


def answer(quantity_id: str, raw: object) -> None:
    """Keep an answer (None takes it back). Raises InputError, and keeps nothing, where it cannot be right."""
    kept = state.case().answers
    value: Any = None
    if raw is not None:
        try:
            value = check_facts({**kept, quantity_id: raw}, today=dt.date.today()).get(quantity_id)
        except FactError as error:  # here a person answered a question and never saw the name that a file would use
            raise InputError(error.sentence) from None
    if kept.get(quantity_id) != value:
        state.change("facts", {"answers": {quantity_id: value}})


def take_facts(told: Mapping[str, Any]) -> None:
    """The answers of a file in the place of all that were told."""
    gone = {name: None for name in state.case().kept.answers if name not in told}
    state.change("facts", {"answers": {**gone, **told}})


def set_prices(prices: Prices) -> None:
    told = {name: value for name, value in dataclasses.asdict(prices).items() if value is not None}
    state.change("prices", {"prices": told})


def describe(**told: str) -> None:
    """Name, place, examiner, firm and claim number of the case; what is empty is taken back."""
    kept = state.case().kept.description
    new = {name: value.strip() for name, value in told.items() if value.strip() != kept.get(name, "")}
    if new:
        cleared = [name for name, value in new.items() if not value]
        state.change("described", {"cleared": cleared}, **{name: value for name, value in new.items() if value})


def set_logo(data: bytes | None) -> None:
    """Keep the firm's logo for the reports, or take it out. Raises CutpipeError where it is no picture."""
    if data is not None:
        as_logo(data)
    sha256 = None if data is None else state.case().store.keep_original(data)
    state.change("logo", {"sha256": sha256})


def keep_second_look(marks_px: Sequence[tuple[float, float, float]], who: str) -> None:
    """Keep what a second person marked on the unmarked photo. Raises CutpipeError, and keeps nothing, where it cannot be right."""
    look = make_second_look(marks_px, who=who)
    state.change("second_look", {"marks_px": [list(mark) for mark in look.marks_px]}, who=look.who)


def note(text: str, x_px: float | None = None, y_px: float | None = None) -> None:
    """Keep a note, with its place in the upright photo where it has one."""
    state.change("note", {"text": text.strip(), "x_px": x_px, "y_px": y_px})


def tick(step: str, done: bool) -> None:
    state.change("step", {"step": step, "done": done})


def error_of(action: Any, *arguments: Any) -> str | None:
    """Do it; the sentence where it cannot be done."""
    try:
        action(*arguments)
    except CutpipeError as error:
        return str(error)
    return None
