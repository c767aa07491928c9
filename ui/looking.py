"""Looking at the case's photos and concluding, each done once: the slow part is kept for all windows of this server."""

from __future__ import annotations

import ctypes
import gc
import hashlib
import json
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace

import streamlit as st

from analyzer.base.flags import CutpipeError, InputError
from analyzer.case.contents import READ_BY_THE_PROGRAM, CaseState, KeptPhoto, Piece, standing
from analyzer.case.store import CaseStore
from analyzer.case.work import ROLES, edition_of, photographs, told
from analyzer.causes.verdict import Judgement
from analyzer.house.facts import FactError
from analyzer.photo.reading import Photo, read_photo
from analyzer.result import record
from analyzer.result.examination import Examination, Look, Settings, conclude, look, with_marked_scale, with_taps
from analyzer.show import output
from analyzer.show.edition import Edition
from ui import state

KEPT_LOOKS = 4  # some 200 MB each at 12 megapixels
KEPT_RESULTS = 4  # each holds its look


IDLE_S = 30 * 60.0  # after it nothing is held in memory: the case on the disk has all, and is looked at again
_used = [0.0]  # when anything was last asked for, on the monotonic clock


@st.cache_resource(show_spinner=False)
def _watch() -> threading.Thread:
    """Gives the memory back while nobody looks. One for all windows of this server."""

    def watch() -> None:
        while True:
            time.sleep(IDLE_S / 10)
            give_back(time.monotonic())

    thread = threading.Thread(target=watch, name="gives memory back", daemon=True)
    thread.start()
    return thread


def give_back(now_s: float) -> bool:
    """Forget all looks and results where nothing was asked for since ``IDLE_S`` before ``now_s`` (monotonic clock); whether it did."""
    if not _used[0] or now_s - _used[0] < IDLE_S:
        return False
    _used[0] = 0.0
    for held in (_looks(), _results(), _told()):
        held.clear()
    for forget in (_opened.clear, _files.clear, *FORGETS):
        forget()
    gc.collect()
    try:
        ctypes.CDLL(None).malloc_trim(0)  # glibc keeps what was freed otherwise
    except (AttributeError, OSError, TypeError):  # another system's library gives it back by itself
        pass
    return True


FORGETS: list[Callable[[], None]] = []  # of others who hold pictures


@st.cache_resource(show_spinner=False)
def _looks() -> OrderedDict[str, Look]:
    """The last few looks, for all windows of this server. The key names the photos by hash."""
    return OrderedDict()


@st.cache_resource(show_spinner=False)
def _results() -> OrderedDict[str, Examination]:
    """The last few results by the hash of the log's last entry, on which all of a case rests."""
    return OrderedDict()


@st.cache_resource(show_spinner=False)
def _told() -> OrderedDict[tuple[str, str], Examination]:
    """The last few results by the look and all that was told: what was tried before it was kept is not concluded again."""
    return OrderedDict()


@st.cache_data(max_entries=12, show_spinner=False)
def _opened(sha256: str, name: str, role: str, _data: bytes) -> Photo:
    return read_photo(_data, name=name, role=role)


def photo(data: bytes, name: str, purpose: str = "main") -> Photo:
    """Open a photo. Raises CutpipeError where it is none."""
    return _opened(hashlib.sha256(data).hexdigest(), name, ROLES.get(purpose, "main"), data)


def key(piece: Piece, settings: Settings | None = None) -> str:
    """Names the pictures and what was said about them (or ``settings`` in its place); the cache's key, never the pixels."""
    parts = [
        [kept.sha256, kept.file_name, kept.purpose, kept.azimuth_deg, kept.elevation_deg]
        for kept in piece.photos
        if kept.purpose in READ_BY_THE_PROGRAM
    ]
    said = (settings or piece.settings).as_json()
    return hashlib.sha256(json.dumps([parts, said], sort_keys=True).encode()).hexdigest()


def looked(store: CaseStore, piece: Piece) -> Look:
    """Look at a piece's photos, with progress where it is not done yet. Raises CutpipeError."""
    seen = _look(store, piece, with_taps(piece.settings, piece.corrections))
    marked = with_marked_scale(seen, piece.corrections)  # a length marked on a photo that has no scale of its own
    return seen if marked is None else _look(store, piece, marked)


def _look(store: CaseStore, piece: Piece, settings: Settings) -> Look:
    def read(kept: KeptPhoto) -> Photo:
        return photo(store.original(kept.sha256), kept.file_name, kept.purpose)

    looks, name = _looks(), key(piece, settings)
    # Its place is there even where nothing has to be looked at: otherwise all below moves by one at the next choice, and the
    # browser takes a form that moved for a new one, folds it shut and forgets what was chosen in it.
    place = st.empty()
    if name not in looks:
        if state.stopped_look() == name:
            with place.container():
                st.markdown("Stopped before it was examined. Photo and answers are kept.")
                st.button("Examine it now", type="primary", on_click=state.stop_look, args=(None,))
            st.stop()
        with place.container():
            bar = st.progress(0.0, "Starting")
            st.button("Cancel", key=f"cancel_{name[:12]}", on_click=state.stop_look, args=(name,))

        def say(words: str, share: float) -> None:
            bar.progress(share, words)

        try:
            photos, lights = photographs(piece, read)
            looks[name] = look(photos, settings=settings, lights=lights, progress=say)
        finally:
            place.empty()
        while len(looks) > KEPT_LOOKS:
            looks.popitem(last=False)
    return looks[name]


def concluded(store: CaseStore, kept: CaseState) -> Examination:
    """The result of a case as ``kept`` says it is, whether it is kept so or only tried. Raises CutpipeError."""
    seen = looked(store, kept.piece())
    try:
        said = told(kept)
        done, name = _told(), (key(kept.piece()), repr(said))
        if name not in done:
            done[name] = conclude(seen, **said)
            while len(done) > KEPT_RESULTS:
                done.popitem(last=False)
        return done[name]
    except FactError as error:  # here a person answered a question and never saw the name that a file would use
        raise InputError(error.sentence) from None


def examined() -> Examination:
    """The examination of the case at hand. Raises CutpipeError with one sentence for the person."""
    _used[0] = time.monotonic()
    _watch()
    current = state.case()
    results, name = _results(), current.entries[-1].hash
    if name not in results:
        results[name] = concluded(current.store, current.kept)
        while len(results) > KEPT_RESULTS:
            results.popitem(last=False)
    else:
        st.empty()  # the place of the progress, as in _look
    return results[name]


def judged_before() -> Judgement | None:
    """How the causes stand as the case was shown last; None where it was not concluded yet."""
    done = _results().get(state.case().entries[-1].hash)
    return None if done is None else done.judgement


def misfit() -> int | None:
    """Number of the correction without which the case can be examined; None where no correction is at fault."""
    current = state.case()
    piece = current.piece
    entries = [entry for entry in standing(current.entries) if entry.kind == "correction"][-len(piece.corrections) :]
    for place in range(len(piece.corrections)):
        rest = (*piece.corrections[:place], *piece.corrections[place + 1 :])
        pieces = {**current.kept.pieces, "1": replace(piece, corrections=rest)}
        try:
            concluded(current.store, replace(current.kept, pieces=pieces))
        except CutpipeError:
            continue
        return entries[place].number
    return None


Making = Callable[..., tuple[dict[str, bytes], dict[str, str]]]


def making(examination: Examination) -> Making:
    """What makes the files that can be saved: called with the names of those that are wanted (none: all) it gives them by name, and
    what could not be made. It asks the session for nothing, so that it can be called when a button is pressed, between two drawings
    of the page; made anew only where result, case data or units changed."""
    made_of = hashlib.sha256(record.to_json(examination).encode()).hexdigest()
    current = state.case()
    edition = edition_of(current.kept, examination, units=state.units(), logo=current.store.logo(current.kept))
    return lambda *only: _files(made_of, edition, examination, only or None)


@st.cache_data(max_entries=4, show_spinner=False)
def _files(
    result: str, edition: Edition, _examination: Examination, only: tuple[str, ...] | None = None
) -> tuple[dict[str, bytes], dict[str, str]]:
    return output.make(_examination, edition, only)
