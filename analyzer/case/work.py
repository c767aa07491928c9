"""A kept case examined: from what is kept to the one call, and nothing else."""

from __future__ import annotations

import datetime as dt
import platform
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from analyzer.base.flags import CutpipeError, InputError
from analyzer.case.contents import READ_BY_THE_PROGRAM, CaseState, KeptPhoto, Piece
from analyzer.case.series import checklist, hand_over_log, notes_of
from analyzer.causes.repair import Prices
from analyzer.house.facts import check_facts
from analyzer.photo.reading import Photo, read_photo
from analyzer.relief.lights import Light
from analyzer.result.examination import Examination, Progress, examine, program_version
from analyzer.show.edition import CaseData, Edition, StepDone
from analyzer.wall.readings import readings_from_rows

ROLES = {"main": "main", "ring": "ring", "backlit": "backlit", "light": "light"}


def case_data(state: CaseState, logo: bytes = b"") -> CaseData:
    """What was told of the case, for the head of its reports."""
    told = state.description
    return CaseData(
        id=state.case_id,
        name=told.get("name", ""),
        place=told.get("place", ""),
        who=told.get("examiner", ""),
        when=state.last_when[:10],
        claim=told.get("claim_number", ""),
        firm=told.get("firm", ""),
        logo=logo,
    )


def edition_of(
    state: CaseState,
    examination: Examination | None = None,
    *,
    section: str = "1",
    units: str = "metric",
    logo: bytes = b"",
) -> Edition:
    """For whom and on what the case's report is made, with its series of photographs, the hand-overs and the notes."""
    return Edition(
        units=units,
        case=case_data(state, logo),
        series=checklist(state, examination, section=section),
        hand_overs=hand_over_log(state),
        notes=notes_of(state, section),
        steps_done=tuple(StepDone(step=step, when=when, by=by) for step, (when, by) in state.steps_done.items()),
    )


def examine_case(
    state: CaseState,
    original: Callable[[str], bytes],
    *,
    section: str = "1",
    progress: Progress | None = None,
) -> Examination:
    """Examine a section of a case. ``original`` gives a photo's bytes by the hash that the case knows it by.

    Today is the day of the case's last entry, so that the same case gives the same result on any day.
    Raises CutpipeError with one sentence.
    """
    piece = state.piece(section)
    photos, lights = photographs(
        piece, lambda kept: read_photo(original(kept.sha256), role=ROLES[kept.purpose], name=kept.file_name)
    )
    return examine(photos, settings=piece.settings, lights=lights, progress=progress, **told(state, section))


def photographs(piece: Piece, read: Callable[[KeptPhoto], Photo]) -> tuple[list[Photo], list[Light]]:
    """The photographs that are read, the main one first, and those with a torch. ``read`` opens a kept one. Raises CutpipeError."""
    if not piece.of("main"):
        raise InputError("This case has no photo of the cut-open piece yet; add one first.")
    opened: dict[str, list[Photo]] = {purpose: [] for purpose in READ_BY_THE_PROGRAM}
    lights = []
    for kept in piece.photos:
        if kept.purpose not in READ_BY_THE_PROGRAM:
            continue
        photo = read(kept)
        opened[kept.purpose].append(photo)
        if kept.purpose == "light":
            if kept.azimuth_deg is None:
                raise InputError(f"Say where the torch was for {kept.file_name}, or take the photo out of the case.")
            lights.append(Light(photo=photo, azimuth_deg=kept.azimuth_deg, elevation_deg=kept.elevation_deg))
    return [*opened["main"], *opened["ring"], *opened["backlit"]], lights


def told(state: CaseState, section: str = "1") -> dict[str, Any]:
    """What a case says beside its photographs, as ``conclude`` takes it: facts, readings, corrections, prices. Raises CutpipeError."""
    piece = state.piece(section)
    return {
        "facts": check_facts(dict(state.answers), today=day_of(state)),
        "readings": readings_from_rows(piece.reading_rows) if piece.reading_rows else None,
        "corrections": piece.corrections,
        "prices": Prices(**state.prices) if state.prices else None,
        "second_looks": piece.second_looks,
    }


def places_of_pits(
    state: CaseState, original: Callable[[str], bytes], section: str = "1"
) -> dict[int, tuple[float, float]]:
    """Where each pit lies in the upright photo, x and y in pixels, by the number that it has now; empty where nothing can be examined.

    What is said of a pit by its number is kept with its place, as another look gives other numbers.
    """
    try:
        result = examine_case(state, original, section=section)
    except CutpipeError:
        return {}
    return {pit.id: (round(pit.x_px, 1), round(pit.y_px, 1)) for pit in result.standing_pits.pits}


def day_of(state: CaseState) -> dt.date:
    """The day of the last entry."""
    try:
        return dt.datetime.fromisoformat(state.last_when).date()
    except ValueError:
        raise InputError(f"The case's log holds a time that is none ({state.last_when!r}).") from None


def versions() -> dict[str, str]:
    """What computes here, for the record."""
    found = {"cutpipe": program_version(), "python": platform.python_version()}
    for name in ("numpy", "scipy", "opencv-python-headless", "scikit-image", "pillow", "onnxruntime"):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    found["machine"] = platform.machine()
    return found
