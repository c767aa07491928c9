"""What the front end remembers between reruns. Only this module touches the session's state."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import secrets
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import streamlit as st

from analyzer.base.flags import CutpipeError, InputError
from analyzer.causes.repair import Prices
from analyzer.house.facts import FactError, Facts, check_facts
from analyzer.photo.reading import Photo, read_photo
from analyzer.relief.lights import Light
from analyzer.result import record
from analyzer.result.corrections import ABOUT_A_PIT, TAPS, Correction
from analyzer.result.examination import Examination, Look, Settings, conclude, look, with_marked_scale, with_taps
from analyzer.show import output
from analyzer.show.edition import Edition
from analyzer.wall.readings import Readings

_KEY, _BEFORE, _ADDRESS = "cutpipe_case", "cutpipe_case_before", "cutpipe_address"
KEPT_CASES = 12  # a few MB each: the photos as they came
KEPT_LOOKS = 6  # some 200 MB each at 12 megapixels


@dataclass(frozen=True, kw_only=True)
class ExtraPhoto:
    """A further photo of the same section."""

    data: bytes
    name: str
    role: str  # "light", "backlit" or "ring"
    azimuth_deg: float = 0.0
    elevation_deg: float = 30.0


@dataclass
class Case:
    """The case at hand. Photos are kept as bytes: what was entered stays whatever fails later."""

    data: bytes | None = None
    name: str = ""
    settings: Settings = Settings()
    extras: list[ExtraPhoto] = field(default_factory=list)
    answers: dict[str, Any] = field(default_factory=dict)  # what was told, in the units of the vocabulary
    reading_rows: list[dict[str, Any]] = field(default_factory=list)
    readings: Readings | None = None
    corrections: list[Correction] = field(default_factory=list)
    undone: list[Correction] = field(default_factory=list)
    # Corrections made under other settings: they belong to another automatic result, and come back with those settings.
    set_aside: dict[Settings, tuple[list[Correction], list[Correction]]] = field(default_factory=dict)
    prices: Prices | None = None
    demo: str = ""
    who: str = ""
    asked_later: set[str] = field(default_factory=set)  # questions answered with "don't know"
    id: str = field(
        default_factory=lambda: secrets.token_urlsafe(12)
    )  # names it in the page's address; cannot be guessed


def case() -> Case:
    """The case at hand; a new empty one at first."""
    if _KEY not in st.session_state:
        st.session_state[_KEY] = Case()
    return st.session_state[_KEY]


@st.cache_resource(show_spinner=False)
def _cases() -> OrderedDict[str, Case]:
    """The last cases of this server by their names in the address, so that a page that is loaded anew finds its case again."""
    return OrderedDict()


def follow_address(sections: Mapping[str, str]) -> None:
    """Where the address was changed by hand, by Back or by a reload, the case and the section that it names are taken up.

    ``sections``: name in the address to name on the page.
    """
    st.session_state.setdefault("section", next(iter(sections.values())))
    told = (st.query_params.get("case"), st.query_params.get("section"))
    known = st.session_state.get(_ADDRESS, (None, None))
    if told == known:
        return
    st.session_state[_ADDRESS] = told
    if told[0] != known[0]:
        kept = _cases().get(told[0] or "")
        if kept is not None:
            st.session_state[_KEY] = kept
        elif case().data is not None:
            clear()
    st.session_state["section"] = sections.get(told[1] or "", next(iter(sections.values())))


def write_address(section: str) -> None:
    """The address of what is shown, so that Back, a reload and a bookmark lead here again."""
    current = case()
    if current.data is None:
        return
    _cases()[current.id] = current
    while len(_cases()) > KEPT_CASES:
        _cases().popitem(last=False)
    known = st.session_state.get(_ADDRESS, (None, None))
    if known == (current.id, section) or (known[0] == current.id and known[1] is None and section == "photo"):
        return
    st.session_state[_ADDRESS] = (current.id, section)
    st.query_params.from_dict({"case": current.id, "section": section})


def begin(
    data: bytes,
    name: str,
    settings: Settings | None = None,
    *,
    demo: str = "",
    answers: Mapping[str, Any] | None = None,
) -> None:
    """Start with this photo. Facts of the house stay when only the photo changes; a demo brings its own."""
    old = case()
    st.session_state[_KEY] = Case(
        data=data,
        name=name,
        settings=settings or old.settings,
        answers=dict(answers) if answers is not None else ({} if old.demo else old.answers),
        who=old.who,
        demo=demo,
    )


def replace_photo(data: bytes, name: str) -> None:
    """Another main photo of the same piece. Facts, readings, prices and a ring stay; what was tied to the old picture goes."""
    current = case()
    current.data, current.name, current.demo = data, name, ""
    current.extras = [extra for extra in current.extras if extra.role == "ring"]
    current.corrections, current.undone, current.set_aside = [], [], {}


def clear() -> None:
    """An empty case; the one at hand can be brought back."""
    st.session_state[_BEFORE] = case()
    st.session_state[_KEY] = Case(who=case().who)


def before() -> str | None:
    """Name of the case that can be brought back."""
    old = st.session_state.get(_BEFORE)
    return None if old is None else old.demo or old.name


def go_back() -> None:
    """Bring back the case that was at hand before the empty one."""
    st.session_state[_KEY] = st.session_state.pop(_BEFORE)


def set_settings(settings: Settings) -> None:
    """Change what was said about the photo; corrections made on the old result are set aside until its settings come back."""
    current = case()
    if settings != current.settings:
        # What was said of a place of the photo stays with that place; the rest belongs to the other result.
        staying = [entry for entry in current.corrections if entry.kind in (*ABOUT_A_PIT, *TAPS) and entry.points_px]
        rest = [entry for entry in current.corrections if entry not in staying]
        current.set_aside[current.settings] = (rest, current.undone)
        current.settings = settings
        back, current.undone = current.set_aside.pop(settings, ([], []))
        current.corrections = [*back, *staying]


def correct(entry: Correction) -> None:
    current = case()
    current.corrections.append(
        replace(entry, who=current.who, when=dt.datetime.now().astimezone().isoformat(timespec="seconds"))
    )
    current.undone.clear()


def undo() -> None:
    current = case()
    if current.corrections:
        current.undone.append(current.corrections.pop())


def redo() -> None:
    current = case()
    if current.undone:
        current.corrections.append(current.undone.pop())


def try_readings(readings: Readings | None) -> None:
    """Raise CutpipeError where these readings cannot be right for this piece; nothing is kept."""
    conclude(looked(), facts=facts(), readings=readings, corrections=case().corrections)


def set_readings(rows: list[dict[str, Any]], readings: Readings | None) -> None:
    case().reading_rows, case().readings = rows, readings


def add_extra(extra: ExtraPhoto) -> None:
    """Add a further photo of the section. Raises CutpipeError, and keeps nothing, where it is no photo or does not belong."""
    photo(extra.data, extra.name, extra.role)
    current = case()
    before = list(current.extras)
    if extra.role != "light":  # one ring, one photo with the light behind: a new one takes the place of the old
        current.extras = [other for other in current.extras if other.role != extra.role]
    current.extras.append(extra)
    try:
        looked()
    except CutpipeError:
        current.extras = before
        raise


def ask_later(quantity_id: str) -> None:
    """Don't know, for now: the next question is asked; this one comes again once all others were."""
    case().asked_later.add(quantity_id)


def go_to(section: str) -> None:
    """Turn to a section; to be called before the pages are drawn anew."""
    st.session_state["section"] = section


def facts() -> Facts:
    """The case's answers, all checked together. Raises InputError where two of them cannot both hold."""
    return _checked(case().answers)


def _checked(answers: Mapping[str, Any]) -> Facts:
    try:
        return check_facts(answers, today=dt.date.today())
    except FactError as error:  # here a person answered a question and never saw the name that a file would use
        raise InputError(error.sentence) from None


def answer(quantity_id: str, raw: object) -> bool:
    """Keep an answer (None takes it back); whether anything changed. Raises InputError, and keeps nothing, where it cannot be right."""
    current = case()
    if raw is None:
        return current.answers.pop(quantity_id, None) is not None
    told = _checked({**current.answers, quantity_id: raw})
    if quantity_id not in told:
        return current.answers.pop(quantity_id, None) is not None
    if current.answers.get(quantity_id) == told[quantity_id]:
        return False
    current.answers[quantity_id] = told[quantity_id]
    return True


def units() -> str:
    return "us" if st.session_state.get("units") == "in, psi" else "metric"


def key(settings: Settings | None = None) -> str:
    """Names the pictures and what was said about them (or ``settings`` in its place); the cache's key, never the pixels."""
    current = case()
    if current.data is None:
        return ""
    parts: list[Any] = [
        hashlib.sha256(current.data).hexdigest(),
        current.name,
        (settings or current.settings).as_json(),
    ]
    parts += [[hashlib.sha256(e.data).hexdigest(), e.role, e.azimuth_deg, e.elevation_deg] for e in current.extras]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


@st.cache_resource(show_spinner=False)
def _looks() -> OrderedDict[str, Look]:
    """The last few looks, for all sessions of this server: looking is the slow part. The key names the photos by hash."""
    return OrderedDict()


@st.cache_data(max_entries=12, show_spinner=False)
def _opened(sha256: str, name: str, role: str, _data: bytes) -> Photo:
    return read_photo(_data, name=name, role=role)


def photo(data: bytes, name: str, role: str = "main") -> Photo:
    return _opened(hashlib.sha256(data).hexdigest(), name, role, data)


def looked() -> Look:
    """Look at the case's photos, with progress where it is not done yet. Raises CutpipeError."""
    return _with_marked_length(_look(with_taps(case().settings, case().corrections)))


def _with_marked_length(seen: Look) -> Look:
    """Looked at again where the photo has no scale of its own and a length was marked on it."""
    marked = with_marked_scale(seen, case().corrections)
    return seen if marked is None else _look(marked)


def _look(settings: Settings) -> Look:
    current = case()
    assert current.data is not None
    photos = [photo(current.data, current.name)]
    lights = []
    for extra in current.extras:
        opened = photo(extra.data, extra.name, extra.role)
        if extra.role == "light":
            lights.append(Light(photo=opened, azimuth_deg=extra.azimuth_deg, elevation_deg=extra.elevation_deg))
        else:
            photos.append(opened)
    store, case_key = _looks(), key(settings)
    # Its place is there even where nothing has to be looked at: otherwise all below moves by one at the next choice, and the
    # browser takes a form that moved for a new one, folds it shut and forgets what was chosen in it.
    place = st.empty()
    if case_key not in store:
        bar = place.progress(0.0, "Starting")

        def say(words: str, share: float) -> None:
            bar.progress(share, words)

        try:
            store[case_key] = look(photos, settings=settings, lights=lights, progress=say)
        finally:
            place.empty()
        while len(store) > KEPT_LOOKS:
            store.popitem(last=False)
    return store[case_key]


def files(examination: Examination) -> tuple[dict[str, bytes], dict[str, str]]:
    """Everything that can be saved, by file name, and what could not be made; anew only where the result or the units changed."""
    return _files(hashlib.sha256(record.to_json(examination).encode()).hexdigest(), units(), examination)


@st.cache_data(max_entries=4, show_spinner=False)
def _files(result: str, units_: str, _examination: Examination) -> tuple[dict[str, bytes], dict[str, str]]:
    return output.make(_examination, Edition(units=units_))


def examined() -> Examination:
    """The examination of the case as it stands. Raises CutpipeError with one sentence for the person."""
    current = case()
    seen = _look(current.settings)  # what fails here fails without corrections too
    try:
        seen = _with_marked_length(_look(with_taps(current.settings, current.corrections)))
        return conclude(
            seen, facts=facts(), readings=current.readings, corrections=current.corrections, prices=current.prices
        )
    except CutpipeError:
        if current.corrections:  # an entry that no longer fits must not lock the person out
            current.undone.append(current.corrections.pop())
        raise
