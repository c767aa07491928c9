"""What the pages remember: which kept case is at hand, and what of its log was shown. Only this module touches the session.

What was entered lies in the case's log on the disk and nowhere else: a reload, another window or a new server finds the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import streamlit as st

from analyzer.base.flags import InputError
from analyzer.case.commands import now
from analyzer.case.contents import WORDS, CaseState, KeptPhoto, Piece, checked, standing, state_of
from analyzer.case.log import Entry, make_entry
from analyzer.case.store import CaseChanged, CaseStore
from analyzer.causes.verdict import Judgement
from ui import shelf

_SYNCED = "_as_kept"
_CASE, _SHOWN, _WAITING, _ADDRESS = "cutpipe_case", "cutpipe_shown", "cutpipe_waiting", "cutpipe_address"
_SECOND, _CHOSEN = "cutpipe_second_look", "cutpipe_chosen_pit"
_ANSWERED, _HELD = "cutpipe_answered", "cutpipe_held_question"
_STOPPED = "cutpipe_stopped_look"


@dataclass(frozen=True, kw_only=True)
class Case:
    """The case at hand as its log stands."""

    store: CaseStore
    entries: tuple[Entry, ...]

    @cached_property
    def kept(self) -> CaseState:
        return state_of(self.entries)

    @property
    def address(self) -> str:
        return self.store.folder.name

    @property
    def number(self) -> int:
        """Of the last entry."""
        return self.entries[-1].number

    @property
    def piece(self) -> Piece:
        return self.kept.piece()

    @property
    def main(self) -> KeptPhoto | None:
        return next(iter(self.piece.of("main")), None)

    @property
    def title(self) -> str:
        return shelf.title_of(self.kept)

    @cached_property
    def answers(self) -> dict[str, Any]:
        """Facts as answered, in the form of ``check_facts``: the log's lists as tuples."""
        return {name: _tupled(value) for name, value in self.kept.answers.items()}

    def tried(self, kind: str, content: Mapping[str, Any], *, when: str | None = None) -> CaseState:
        """What the case would be after one more entry; nothing is kept."""
        return self.tried_all(kind, [content], when=when)

    def tried_all(self, kind: str, contents: Sequence[Mapping[str, Any]], *, when: str | None = None) -> CaseState:
        """What the case would be after several entries of one kind; nothing is kept."""
        entries = list(self.entries)
        for content in contents:
            made = make_entry(
                kind, checked(kind, content), private={"who": who()}, when=when or now(), last=entries[-1]
            )
            entries.append(made)
        return state_of(tuple(entries))


def _tupled(value: Any) -> Any:
    return tuple(map(_tupled, value)) if isinstance(value, list) else value


# ------------------------------------------------------------------ which case


def at_hand() -> bool:
    return _CASE in st.session_state


def case() -> Case:
    """The case at hand. KeyError where none is."""
    found: Case = st.session_state[_CASE]
    return found


def open_case(store: CaseStore) -> None:
    st.session_state[_CASE] = Case(store=store, entries=store.entries())
    st.session_state[_SHOWN] = case().number
    for name in (_WAITING, _CHOSEN):
        st.session_state.pop(name, None)


def leave() -> None:
    """To the first page; the case stays kept."""
    for name in (_CASE, _SHOWN, _WAITING, _SECOND, _CHOSEN, _HELD):
        st.session_state.pop(name, None)


def follow_address(sections: Mapping[str, str]) -> str | None:
    """Where the address was changed by hand, by Back or by a reload, the case and the section that it names are taken up.

    ``sections``: name in the address to name on the page. Gives a sentence where the case is no longer there.
    """
    st.session_state.setdefault("section", next(iter(sections.values())))
    told = (st.query_params.get("case"), st.query_params.get("section"))
    known = st.session_state.get(_ADDRESS, (None, None))
    said = None
    if told != known:
        st.session_state[_ADDRESS] = told
        if told[0] != known[0]:
            store = shelf.find(told[0]) if told[0] else None
            if store is not None:
                open_case(store)
            else:
                leave()
                said = "The case that this address names is not kept here." if told[0] else None
        st.session_state["section"] = sections.get(told[1] or "", next(iter(sections.values())))
    if at_hand():  # what other windows wrote since; what is shown counts as seen only when it was drawn
        current = case()
        st.session_state[_CASE] = Case(store=current.store, entries=current.store.entries())
    return said


def write_address(section: str) -> None:
    """The address of what is shown, so that Back, a reload and a bookmark lead here again."""
    address = case().address
    known = st.session_state.get(_ADDRESS, (None, None))
    if known == (address, section) or (known[0] == address and known[1] is None and section == "photo"):
        return
    st.session_state[_ADDRESS] = (address, section)
    st.query_params.from_dict({"case": address, "section": section})


def drawn() -> None:
    """All that is kept was drawn: what a person does next rests on it."""
    if at_hand():
        st.session_state[_SHOWN] = case().number


# ------------------------------------------------------------------ writing


def change(kind: str, content: Mapping[str, Any], *, when: str | None = None, **private: str) -> bool:
    """Keep one more entry, of now or as it was tried; False where another window came first and the person has to choose.

    Raises InputError.
    """
    current = case()
    told = {"who": who(), **private}
    try:
        entry = current.store.add(kind, content, private=told, when=when or now(), after=st.session_state[_SHOWN])
    except CaseChanged:
        st.session_state[_WAITING] = (kind, dict(content), private)
        return False
    st.session_state[_CASE] = Case(store=current.store, entries=(*current.entries, entry))
    st.session_state[_SHOWN] = entry.number
    return True


def waiting() -> str | None:
    """One sentence where an entry of this window waits, because another window changed the case first."""
    if _WAITING not in st.session_state:
        return None
    kind = st.session_state[_WAITING][0]
    others = [entry for entry in case().entries if entry.number > st.session_state[_SHOWN]] or case().entries[-1:]
    words = ", ".join(dict.fromkeys(WORDS[entry.kind] for entry in others))
    return (
        f"Another window changed this case meanwhile ({words}, {others[-1].when[11:16]}), so what you did here ({WORDS[kind]}) is "
        "not kept yet; look at what stands now and choose."
    )


def keep_mine() -> None:
    kind, content, private = st.session_state.pop(_WAITING)
    current = case()
    st.session_state[_CASE] = Case(store=current.store, entries=current.store.entries())
    st.session_state[_SHOWN] = case().number
    change(kind, content, **private)


def drop_mine() -> None:
    st.session_state.pop(_WAITING, None)
    for name in [str(name) for name in st.session_state if str(name).endswith(_SYNCED)]:
        del st.session_state[name]  # every form shows again what is kept


def _back_words(number: int | None) -> str | None:
    if number is None:
        return None
    entry = case().entries[number - 1]
    first = entry.kind == "photo_added" and entry.content["purpose"] == "main" and len(case().piece.of("main")) == 1
    before = (e for e in standing(case().entries[: number - 1]) if e.kind == "photo_added")
    if first and not any(e.content["purpose"] == "main" for e in before):
        return None  # a case keeps its first photo
    return WORDS[entry.kind]


def undoable() -> str | None:
    """What undo would take back, in words."""
    return _back_words(case().kept.undoable)


def redoable() -> str | None:
    number = case().kept.redoable
    return None if number is None else WORDS[case().entries[number - 1].kind]


def undo(number: int | None = None) -> None:
    """Take the last change back, or the entry with this number; itself an entry."""
    number = case().kept.undoable if number is None else number
    st.session_state.pop(_ANSWERED, None)
    if number is not None:
        change("undo", {"of": number})


def redo() -> None:
    number = case().kept.redoable
    if number is not None:
        change("redo", {"of": number})


# ------------------------------------------------------------------ the person


def who() -> str:
    """The name for the record: as typed here, else as it stood last in this case."""
    typed = st.session_state.get("cutpipe_who")
    if typed is not None or not at_hand():
        return typed or ""
    return next((entry.who for entry in reversed(case().entries) if entry.who), "")


def set_who(name: str) -> None:
    st.session_state["cutpipe_who"] = name.strip()


def asked_later() -> set[str]:
    """Questions answered with "don't know" in this window; they come again once all others were asked."""
    later: set[str] = st.session_state.setdefault(f"cutpipe_later_{case().address}", set())
    return later


def before_answer(question: str, judgement: Judgement) -> None:
    """Remember how the causes stood when a question was answered, so that the page can tell what the answer changed."""
    st.session_state[_ANSWERED] = (case().address, question, judgement)


def answered_last() -> tuple[str, Judgement] | None:
    """The question that was answered last in this window, and how the causes stood before; None where none was."""
    address, question, judgement = st.session_state.get(_ANSWERED, (None, "", None))
    return (question, judgement) if at_hand() and address == case().address else None


def held_question() -> str | None:
    """A question with several answers at once stays until the person goes on."""
    held: str | None = st.session_state.get(_HELD)
    return held


def hold_question(question: str | None) -> None:
    st.session_state[_HELD] = question


def stopped_look() -> str | None:
    """Name of the look that a person stopped while it went on; None where none was."""
    stopped: str | None = st.session_state.get(_STOPPED)
    return stopped


def stop_look(name: str | None) -> None:
    """Stop a look (``None``: let it go on again). To be called before the pages are drawn anew."""
    st.session_state[_STOPPED] = name


def go_to(section: str) -> None:
    """Turn to a section; to be called before the pages are drawn anew."""
    st.session_state["section"] = section


def chosen_pit() -> int | None:
    """Number of the pit whose card is open in this window."""
    number: int | None = st.session_state.get(_CHOSEN)
    return number


def choose_pit(number: int | None) -> None:
    """Open a pit's card, or none."""
    st.session_state[_CHOSEN] = None if number is None else int(number)


def second_look() -> list[tuple[float, float, float]] | None:
    """What a second person has marked so far (x, y, width in the upright photo's pixels); None where nobody is at it."""
    marks: list[tuple[float, float, float]] | None = st.session_state.get(_SECOND)
    return marks


def begin_second_look() -> None:
    st.session_state[_SECOND] = []


def mark(x_px: float, y_px: float, width_px: float) -> None:
    st.session_state[_SECOND] = [*(second_look() or []), (x_px, y_px, width_px)]


def unmark() -> None:
    st.session_state[_SECOND] = (second_look() or [])[:-1]


def end_second_look() -> None:
    """Back to where it was begun."""
    st.session_state.pop(_SECOND, None)
    go_to("Figures")


def units() -> str:
    return "us" if st.session_state.get("units") == "in, psi" else "metric"


def shown_texts() -> list[str]:
    """What this page has said so far, for its list of words explained."""
    texts: list[str] = st.session_state.setdefault("cutpipe_shown_texts", [])
    return texts


READINGS = {"plain": "Plain words", "working": "Trade", "record": "Record"}


def reading() -> str:
    """How the same result is read: one of ``READINGS``."""
    chosen: str = st.session_state.get("reading") or "working"
    return chosen


def synced(key: str, kept: Any, shown: Any) -> None:
    """Before a widget is drawn: where what is kept changed elsewhere (undo, another window), the widget shows it."""
    marker = f"{key}{_SYNCED}"
    if key not in st.session_state or st.session_state.get(marker, _SYNCED) != kept:
        st.session_state[marker] = kept
        st.session_state[key] = shown


def typed(key: str) -> Any:
    """What a widget holds now."""
    return st.session_state.get(key)


def refuse(key: str, error: InputError) -> None:
    """Remember the sentence for what was typed into a widget until something else is typed there."""
    st.session_state[f"{key}_refused"] = (st.session_state.get(key), str(error))


def refused(key: str) -> str | None:
    value, sentence = st.session_state.get(f"{key}_refused", (None, None))
    return sentence if sentence and value == st.session_state.get(key) else None
