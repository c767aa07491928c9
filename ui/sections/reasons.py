"""Likely causes, with what speaks for and against each, and the checks that would tell most."""

from __future__ import annotations

import streamlit as st

from analyzer.causes import Finding
from analyzer.examination import Examination
from ui import blocks

ICONS = {
    "fits well": ":material/check_circle:",
    "fits": ":material/check:",
    "possible": ":material/help:",
    "can't tell": ":material/question_mark:",
    "speaks against": ":material/remove_circle:",
    "ruled out": ":material/block:",
}


def show(examination: Examination) -> None:
    judgement = examination.judgement
    st.subheader("Why it failed")
    st.markdown(f"**{blocks.safe(judgement.summary)}**")
    leading = [f for f in judgement.findings if f.standing in ("fits well", "fits", "possible")]
    for place, finding in enumerate(leading):
        _finding(finding, expanded=place < 2)
    if not leading:
        st.info("Nothing that is known points to a cause yet. Add facts of the house, or do the checks below.", icon=":material/info:")
    if judgement.checks:
        st.subheader("What would tell most")
        for number, check in enumerate(judgement.checks[:5], 1):
            st.markdown(f"{number}. **{blocks.safe(check.question)}** {blocks.safe(check.how)} _({check.effort})_")
    rest = [f for f in judgement.findings if f not in leading]
    if rest:
        with st.expander(f"Causes that do not fit or cannot be told ({len(rest)})"):
            for finding in rest:
                _finding(finding, expanded=False)
    st.caption(
        "A photo ranks explanations; it does not prove one. In brackets behind a source stands whether it was read for this "
        "table of rules, told from memory, or is common practice without a source."
    )


def _finding(finding: Finding, *, expanded: bool) -> None:
    role = f", {finding.role}" if finding.role else ""
    with st.expander(f"{finding.name}: {finding.standing}{role}", expanded=expanded, icon=ICONS[finding.standing]):
        st.markdown(blocks.safe(finding.plain))
        for heading, reasons in (("Speaks for it", finding.facts_for), ("Speaks against it", finding.facts_against), ("Not known", finding.facts_not_known)):
            if reasons:
                st.markdown(f"**{heading}**\n" + "\n".join(f"- {blocks.safe(reason.sentence)}" for reason in reasons))
        st.caption(blocks.safe(finding.technical))
        if finding.sources:
            st.caption("Sources: " + blocks.safe("; ".join(finding.sources)))
