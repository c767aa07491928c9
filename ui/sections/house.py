"""Facts of the installation: each with its use and how to find it out, all optional."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
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
from analyzer.show import phrases, sketches
from ui import blocks, entries, looking, state
from ui.sections import prices

NOT_KNOWN = "not known"
MOST_TO_TAP = 19  # answers that stand as buttons; more are looked for by typing
MOST_CHANGES = 4


def show(examination: Examination | None) -> None:
    st.subheader("About the house")
    _one_question(examination)
    _answers(examination)
    if examination is not None:
        prices.show(examination)
    with st.expander("Answers in a file", icon=":material/description:"):
        st.download_button(
            "Empty file with every question", facts_template(), "facts.toml", "text/plain", on_click="ignore"
        )
        file = st.file_uploader("Read a file with answers", type=["toml", "txt"], key="facts_file")
        if file is not None and st.button("Take these answers"):
            try:
                entries.take_facts(dict(parse_facts(file.getvalue(), today=dt.date.today())))
                st.rerun()
            except CutpipeError as error:
                st.error(blocks.safe(str(error)), icon=":material/error:")


def _answers(examination: Examination | None) -> None:
    """All questions by group, with what was answered."""
    st.markdown("**All questions.** None must be answered; what is left open counts neither for nor against.")
    every = st.toggle(
        "Laboratory and expert questions too",
        value=False,
        key="every_fact",
    )
    answers = state.case().answers
    for group, title in GROUPS.items():
        rows = [q for q in told_quantities() if q.group == group and (every or q.rank == "basic")]
        if not rows:
            continue
        known = sum(q.id in answers for q in rows)
        # The key keeps it open while its title counts on.
        with st.expander(f"{title} ({known} of {len(rows)} known)", expanded=group == "piece", key=f"facts_of_{group}"):
            columns = st.columns(2)
            for place, quantity in enumerate(rows):
                with columns[place % 2]:
                    _ask(quantity)


def _one_question(examination: Examination | None) -> None:
    """The question that would tell most, or the one that was looked for, with a drawing and how to find out."""
    told = {quantity.id: quantity for quantity in told_quantities()}
    checks = examination.judgement.checks if examination is not None else ()
    open_ = [check for check in checks if check.quantity in told]
    fresh = [check for check in open_ if check.quantity not in state.asked_later()]
    check = next(iter(fresh or open_), None)
    looked_for = state.typed("find_question")
    asked = looked_for or state.held_question() or (check.quantity if check is not None else None)
    with st.container(border=True, key="one_question"):
        if asked is None:
            st.markdown("No further question would change the order of the causes." if examination else "")
        else:
            number = len(fresh or open_)
            more = f"{number} such questions" if number > 1 else "the last such question"
            st.markdown(
                f"**{'You looked for' if looked_for else 'What would tell most'}**"
                + ("" if looked_for else f" ({more})")
            )
            _asked(told[asked], looked_for=bool(looked_for))
        if examination is not None:
            _changed(examination, told)
        st.selectbox(
            "Look for a question",
            list(told),
            index=None,
            format_func=lambda name: told[name].question or told[name].label,
            placeholder="type a word, such as pressure",
            key="find_question",
        )


def _asked(quantity: Quantity, *, looked_for: bool) -> None:
    """One question, its answers to tap, and the way to the next one."""
    words, drawing = st.columns([2, 1])
    with words:
        st.markdown(f"### {blocks.safe(quantity.question or quantity.label)}")
        _tapped(quantity)
        with st.container(horizontal=True):
            if state.held_question() == quantity.id and not looked_for:
                st.button("Next question", type="primary", on_click=state.hold_question, args=(None,))
            elif not looked_for:
                st.button("Don't know", on_click=_dont_know, args=(quantity.id,))
        st.markdown(f"**How to find out.** {blocks.safe(quantity.how)}")
        st.caption(blocks.safe(quantity.use))
    if quantity.id in sketches.OF_QUESTIONS:
        with drawing:
            blocks.sketch(sketches.OF_QUESTIONS[quantity.id])


def _tapped(quantity: Quantity) -> None:
    """The answers as buttons where there are few enough, else as everywhere."""
    key = f"ask_{quantity.id}"
    now = state.case().answers.get(quantity.id)
    words = dict(quantity.choices) if quantity.kind == "choice" else {"yes": "yes", "no": "no"}
    if quantity.kind not in ("choice", "flag") or len(words) > MOST_TO_TAP:
        _ask(quantity, prefix="ask", label=False)
        return
    if quantity.kind == "flag":
        now = None if now is None else "yes" if now else "no"
    several = quantity.multiple
    state.synced(key, now, list(now or ()) if several else now)
    st.pills(
        quantity.question or quantity.label,
        list(words),
        format_func=words.__getitem__,
        selection_mode="multi" if several else "single",
        label_visibility="collapsed",
        key=key,
        on_change=_answered,
        args=(quantity, key),
    )
    sentence = state.refused(key)
    if sentence:
        st.error(blocks.safe(sentence))


def _dont_know(quantity_id: str) -> None:
    state.asked_later().add(quantity_id)
    state.hold_question(None)


def _changed(examination: Examination, told: Mapping[str, Quantity]) -> None:
    """What the last answer did to the order of the causes."""
    last = state.answered_last()
    if last is None:
        return
    question, before = last
    moved = phrases.what_changed(before, examination.judgement)
    name = told[question].question or told[question].label if question in told else question
    with st.container(key="changed"):
        if moved:
            rows = "".join(f"\n- {blocks.safe(row)}" for row in moved[:MOST_CHANGES])
            more = f"\n- and {len(moved) - MOST_CHANGES} more" if len(moved) > MOST_CHANGES else ""
            st.markdown(f"**Your answer ({blocks.safe(name)}) changed:**{rows}{more}")
        else:
            st.markdown(f"**Your answer ({blocks.safe(name)})** is kept; the order of the causes stays as it was.")


def _ask(quantity: Quantity, *, prefix: str = "fact", label: bool = True) -> None:
    """One question as the vocabulary has it. Only what a person types is kept: a form that another window made old writes nothing."""
    now = state.case().answers.get(quantity.id)
    unit, others = asked_unit(quantity, state.units()), other_units(quantity)
    key = f"{prefix}_{quantity.id}" if unit == quantity.unit else f"{prefix}_{quantity.id}_{unit}"
    helping = f"{quantity.use} {quantity.how}" if label else None
    words = quantity.question or quantity.label
    said: dict[str, Any] = {"key": key, "on_change": _answered, "args": (quantity, key)}
    if quantity.kind == "choice" and quantity.multiple:
        state.synced(key, now, list(now or ()))
        st.multiselect(words, list(quantity.choices), format_func=quantity.choices.__getitem__, help=helping, **said)
    elif quantity.kind == "choice":
        state.synced(key, now, now if now in quantity.choices else NOT_KNOWN)
        choices = {NOT_KNOWN: NOT_KNOWN, **quantity.choices}
        st.selectbox(words, list(choices), format_func=choices.__getitem__, help=helping, **said)
    elif quantity.kind == "flag":
        state.synced(key, now, NOT_KNOWN if now is None else "yes" if now else "no")
        st.selectbox(words, (NOT_KNOWN, "yes", "no"), help=helping, **said)
    else:
        if isinstance(now, (int, float)):
            shown = number_in(quantity, now, state.units())
        else:
            shown = "" if now is None else describe(quantity.id, now) if isinstance(now, tuple) else str(now)
        if others:
            helping = f"{helping or ''} Another unit may stand behind the number: {', '.join(others)}."
        tube = state.case().piece.settings.tube
        told = f"{tube}, as told with the photo" if quantity.id == "tube_size" and tube else NOT_KNOWN
        state.synced(key, now, shown)
        in_unit = f" ({unit_words(unit)})" if unit_words(unit) else ""
        st.text_input(words + in_unit, help=helping, placeholder=told, **said)
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
    before = looking.judged_before()
    try:
        entries.answer(quantity.id, raw)
        if before is not None:
            state.before_answer(quantity.id, before)
        if quantity.multiple and key.startswith("ask_"):
            state.hold_question(quantity.id)
    except InputError as error:
        state.refuse(key, error)
