"""Facts of the installation: each with its use and how to find it out, all optional."""

from __future__ import annotations

import datetime as dt
from typing import Any

import streamlit as st

from analyzer.base.flags import CutpipeError
from analyzer.house.facts import (
    GROUPS,
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
from ui import blocks, state
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
    for group, title in GROUPS.items():
        rows = [q for q in told_quantities() if q.group == group and q.id != asked and (every or q.rank == "basic")]
        if not rows:
            continue
        known = sum(q.id in state.case().answers for q in rows)
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
                state.case().answers = dict(parse_facts(file.getvalue(), today=dt.date.today()))
                for quantity in told_quantities():
                    st.session_state.pop(f"fact_{quantity.id}", None)
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
        fresh = [check for check in open_ if check.quantity not in state.case().asked_later]
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
            st.button("Don't know", on_click=state.ask_later, args=(asked,))
        if examination is not None:
            st.caption(f"As it stands: {blocks.safe(examination.judgement.summary)}")
    return str(asked)


def _ask(quantity: Any) -> None:
    key = f"fact_{quantity.id}"
    now = state.case().answers.get(quantity.id)
    helping = f"{quantity.use} {quantity.how}"
    label = quantity.question or quantity.label
    if quantity.kind == "choice" and quantity.multiple:
        raw: Any = st.multiselect(
            label,
            list(quantity.choices),
            default=list(now or ()),
            format_func=quantity.choices.get,
            key=key,
            help=helping,
        )
        raw = tuple(raw) or None
    elif quantity.kind == "choice":
        options = [NOT_KNOWN, *quantity.choices]
        raw = st.selectbox(
            label,
            options,
            index=options.index(now) if now in options else 0,
            format_func=lambda v: quantity.choices.get(v, v),
            key=key,
            help=helping,
        )
    elif quantity.kind == "flag":
        options = [NOT_KNOWN, "yes", "no"]
        raw = st.selectbox(label, options, index=0 if now is None else (1 if now else 2), key=key, help=helping)
    else:
        unit, others = asked_unit(quantity, state.units()), other_units(quantity)
        if isinstance(now, (int, float)):
            shown = number_in(quantity, now, state.units())
        else:
            shown = "" if now is None else describe(quantity.id, now) if isinstance(now, tuple) else str(now)
        if others:
            helping += f" Another unit may stand behind the number: {', '.join(others)}."
        words = f" ({unit_words(unit)})" if unit_words(unit) else ""
        tube = state.case().settings.tube
        told = f"{tube}, as told with the photo" if quantity.id == "tube_size" and tube else NOT_KNOWN
        raw = st.text_input(
            label + words,
            value=shown,
            key=key if unit == quantity.unit else f"{key}_{unit}",
            help=helping,
            placeholder=told,
        )
        if raw == shown:  # nothing typed; a number that was only shown in another unit must not creep
            raw = now
        elif unit != quantity.unit and is_bare_number(raw):
            raw = f"{raw} {unit}"
    try:
        if state.answer(quantity.id, None if raw in (None, NOT_KNOWN, "", []) else raw):
            st.rerun()
    except CutpipeError as error:
        st.error(blocks.safe(str(error)))
        return
    flag = unusual(quantity, now) if now is not None else None
    if flag is not None:
        st.warning(blocks.safe(f"{flag.message} {flag.remedy}"))
