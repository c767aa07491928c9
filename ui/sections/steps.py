"""What to do, in order; and the one page for the homeowner."""

from __future__ import annotations

import streamlit as st

from analyzer.causes.steps import PHASES, Step, dangers
from analyzer.result.examination import Examination
from analyzer.show import phrases, report
from ui import blocks, state

SOON = PHASES[:3]  # what cannot wait: now, before the piece is cleaned, and the next check
FEW = 3


def show(examination: Examination) -> None:
    whom = st.segmented_control(
        "For",
        ("The repairer", "The homeowner"),
        default="The repairer",
        key="steps_for",
        label_visibility="collapsed",
        required=True,
    )
    if whom == "The homeowner":
        blocks.section(report.section(examination, "homeowner", units=state.units()))
        return
    for danger in dangers(examination.steps):
        st.warning(blocks.safe(danger), icon=":material/warning:")
    every = st.toggle("Open every step", key="every_step")
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
    with st.expander(f"**{blocks.safe(step.title)}** ({step.who}; {step.effort})", expanded=opened):
        st.markdown(blocks.safe(step.what))
        if step.caution:
            st.warning(blocks.safe(step.caution), icon=":material/warning:")
        if step.why and (step.why, step.source) != said:
            st.caption(blocks.safe(f"{step.why} Source: {step.source}."))
