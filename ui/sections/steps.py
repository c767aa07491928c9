"""What to do, in order; and the one page for the homeowner."""

from __future__ import annotations

import streamlit as st

from analyzer.causes.steps import PHASES, Step, dangers
from analyzer.result.examination import Examination
from analyzer.show import phrases, report
from ui import blocks, entries, state

SOON = PHASES[:3]  # what cannot wait: now, before the piece is cleaned, and the next check
FEW = 3


def show(examination: Examination) -> None:
    if state.reading() == "plain":
        blocks.section(report.section(examination, "homeowner", units=state.units()))
        return
    for danger in dangers(examination.steps):
        st.warning(blocks.safe(danger), icon=":material/warning:")
    every = state.reading() == "record" or st.toggle("Open every step", key="every_step")
    for phase in SOON:
        _phase(examination, phase, opened=every)
    later = [phase for phase in PHASES if phase not in SOON]
    number = sum(step.phase in later for step in examination.steps)
    if number:
        with st.expander(f"Later: {', '.join(later)} ({number})", key="later_steps"):
            for phase in later:
                _phase(examination, phase, opened=every)


def _phase(examination: Examination, phase: str, *, opened: bool) -> None:
    rows = [step for step in examination.steps if step.phase == phase]
    if not rows:
        return
    st.subheader(phase[:1].upper() + phase[1:])
    why, source = phrases.said_of_all(rows)
    if why:
        st.caption(blocks.safe(f"{why} Source: {source}."))
    for step in rows[:FEW]:
        _step(step, (why, source), opened=opened)
    if rows[FEW:]:
        with st.expander(f"{len(rows) - FEW} more", key=f"more_{phase}"):
            for step in rows[FEW:]:
                _step(step, (why, source), opened=opened)


def _step(step: Step, said: tuple[str, str], *, opened: bool) -> None:
    """A step with its tick: who did it and when goes into the case."""
    done = state.case().kept.steps_done.get(step.id)
    key = f"done_{step.id}"
    state.synced(key, done is not None, done is not None)
    with st.container(horizontal=True, vertical_alignment="top", key=f"step_{step.id}"):
        st.checkbox(
            f"Done: {step.title}", key=key, label_visibility="collapsed", on_change=_ticked, args=(step.id, key)
        )
        when = (
            f", done {done[0][:10]}{' by ' + done[1] if done[1] else ''}" if done else f" ({step.who}; {step.effort})"
        )
        with st.expander(f"**{blocks.safe(step.title)}**{blocks.safe(when)}", expanded=opened):
            st.markdown(blocks.safe(step.what))
            if step.caution:
                st.warning(blocks.safe(step.caution), icon=":material/warning:")
            if step.why and (step.why, step.source) != said:
                st.caption(blocks.safe(f"{step.why} Source: {step.source}."))


def _ticked(step: str, key: str) -> None:
    entries.tick(step, bool(state.typed(key)))
