"""Facts of the installation: each with its use and how to find it out, all optional."""

from __future__ import annotations

import datetime as dt
from typing import Any

import streamlit as st

from analyzer.base.flags import CutpipeError, InputError
from analyzer.house.facts import (
    GROUPS,
    Quantity,
    asked_unit,
    describe,
    facts_template,
    is_bare_number,
    number_in,
    other_units,
    parse_facts,
    told_quantities,
    unit_words,
    unusual,
)
from analyzer.result.examination import Examination
from ui import blocks, entries, state
from ui.sections import prices

NOT_KNOWN = "not known"


def show(examination: Examination | None) -> None:
    st.subheader("Facts of the house")
    asked = _one_question(examination)
    st.caption(
        "Everything is optional. What is left empty counts neither for nor against. The ranking changes at once."
    )
    every = st.toggle(
        "Ask everything",
        value=False,
        key="every_fact",
        help="Off: the few facts that tell most. On: laboratory and expert facts too.",
    )
    answers = state.case().answers
    for group, title in GROUPS.items():
        rows = [q for q in told_quantities() if q.group == group and q.id != asked and (every or q.rank == "basic")]
        if not rows:
            continue
        known = sum(q.id in answers for q in rows)
        # The key keeps it open while its title counts on.
        with st.expander(f"{title} ({known} of {len(rows)} known)", expanded=group == "piece", key=f"facts_of_{group}"):
            columns = st.columns(2)
            for place, quantity in enumerate(rows):
                with columns[place % 2]:
                    _ask(quantity)
    if examination is not None:
        prices.show(examination)
    with st.expander("Facts file", icon=":material/description:"):
        st.download_button(
            "Empty facts file to fill in", facts_template(), "facts.toml", "text/plain", on_click="ignore"
        )
        file = st.file_uploader("Read a facts file", type=["toml", "txt"], key="facts_file")
        if file is not None and st.button("Take these facts"):
            try:
                entries.take_facts(dict(parse_facts(file.getvalue(), today=dt.date.today())))
                st.rerun()
            except CutpipeError as error:
                st.error(blocks.safe(str(error)), icon=":material/error:")


def _one_question(examination: Examination | None) -> str | None:
    """The question that would tell most, or the one that was looked for; its id. None where nothing is left to ask."""
    told = {quantity.id: quantity for quantity in told_quantities()}
    with st.container(border=True, key="one_question"):
        looked_for = st.selectbox(
            "Find a question",
            list(told),
            index=None,
            format_func=lambda name: told[name].question or told[name].label,
            placeholder="type a word, such as pressure",
            key="find_question",
        )
        checks = examination.judgement.checks if examination is not None else ()
        open_ = [check for check in checks if check.quantity in told]
        fresh = [check for check in open_ if check.quantity not in state.asked_later()]
        check = next(iter(fresh or open_), None)
        asked = looked_for or (check.quantity if check is not None else None)
        if asked is None:
            st.markdown("No further question would change the ranking." if checks or examination else "")
            return None
        if not looked_for:
            st.markdown(f"**What would tell most** ({len(fresh or open_)} such questions)")
        _ask(told[asked])
        st.caption(blocks.safe(f"{told[asked].use} {told[asked].how}"))
        if not looked_for:
            st.button("Don't know", on_click=state.asked_later().add, args=(asked,))
        if examination is not None:
            st.caption(f"As it stands: {blocks.safe(examination.judgement.summary)}")
    return str(asked)


def _ask(quantity: Quantity) -> None:
    """One question as the vocabulary has it. Only what a person types is kept: a form that another window made old writes nothing."""
    now = state.case().answers.get(quantity.id)
    unit, others = asked_unit(quantity, state.units()), other_units(quantity)
    key = f"fact_{quantity.id}" if unit == quantity.unit else f"fact_{quantity.id}_{unit}"
    helping = f"{quantity.use} {quantity.how}"
    label = quantity.question or quantity.label
    said: dict[str, Any] = {"key": key, "on_change": _answered, "args": (quantity, key)}
    if quantity.kind == "choice" and quantity.multiple:
        state.synced(key, now, list(now or ()))
        st.multiselect(label, list(quantity.choices), format_func=quantity.choices.__getitem__, help=helping, **said)
    elif quantity.kind == "choice":
        state.synced(key, now, now if now in quantity.choices else NOT_KNOWN)
        words = {NOT_KNOWN: NOT_KNOWN, **quantity.choices}
        st.selectbox(label, list(words), format_func=words.__getitem__, help=helping, **said)
    elif quantity.kind == "flag":
        state.synced(key, now, NOT_KNOWN if now is None else "yes" if now else "no")
        st.selectbox(label, (NOT_KNOWN, "yes", "no"), help=helping, **said)
    else:
        if isinstance(now, (int, float)):
            shown = number_in(quantity, now, state.units())
        else:
            shown = "" if now is None else describe(quantity.id, now) if isinstance(now, tuple) else str(now)
        if others:
            helping += f" Another unit may stand behind the number: {', '.join(others)}."
        tube = state.case().piece.settings.tube
        told = f"{tube}, as told with the photo" if quantity.id == "tube_size" and tube else NOT_KNOWN
        state.synced(key, now, shown)
        in_unit = f" ({unit_words(unit)})" if unit_words(unit) else ""
        st.text_input(label + in_unit, help=helping, placeholder=told, **said)
    sentence = state.refused(key)
    if sentence:
        st.error(blocks.safe(sentence))
        return
    flag = unusual(quantity, now) if now is not None else None
    if flag is not None:
        st.warning(blocks.safe(f"{flag.message} {flag.remedy}"))


def _answered(quantity: Quantity, key: str) -> None:
    """Called when a person changed the answer."""
    raw = state.typed(key)
    unit = asked_unit(quantity, state.units())
    if raw in (None, NOT_KNOWN, "", []):
        raw = None
    elif isinstance(raw, list):
        raw = tuple(raw)
    elif unit != quantity.unit and isinstance(raw, str) and is_bare_number(raw):
        raw = f"{raw} {unit}"
    try:
        entries.answer(quantity.id, raw)
    except InputError as error:
        state.refuse(key, error)
