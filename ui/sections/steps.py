"""What to do, in order; and the one page for the homeowner."""

from __future__ import annotations

import streamlit as st

from analyzer.causes.steps import PHASES
from analyzer.result.examination import Examination
from analyzer.show import phrases, report
from ui import blocks, state


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
    every = st.toggle("Open every step", key="every_step")
    for phase in PHASES:
        rows = [step for step in examination.steps if step.phase == phase]
        if not rows:
            continue
        st.subheader(phase[:1].upper() + phase[1:])
        why, source = phrases.said_of_all(rows)
        if why:
            st.caption(blocks.safe(f"{why} Source: {source}."))
        for step in rows:
            with st.expander(
                f"**{blocks.safe(step.title)}** ({step.who}; {step.effort})", expanded=every or phase == PHASES[0]
            ):
                st.markdown(blocks.safe(step.what))
                if step.caution:
                    st.warning(blocks.safe(step.caution), icon=":material/warning:")
                own = "" if (step.why, step.source) == (why, source) else step.why
                if own:
                    st.caption(blocks.safe(f"{own} Source: {step.source}."))
