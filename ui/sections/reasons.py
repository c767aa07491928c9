"""Likely causes, with what speaks for and against each, and the checks that would tell most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import streamlit as st

from analyzer.causes.steps import EFFORT_WORDS
from analyzer.causes.verdict import Finding, Reason
from analyzer.result.examination import Examination
from ui import blocks

MOST_SHOWN = 4  # causes before the rest is folded away
MOST_UNKNOWN = 3
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
    fitting = [f for f in judgement.findings if f.standing in ("fits well", "fits")]
    possible = [f for f in judgement.findings if f.standing == "possible"]
    leading = fitting + possible[: max(0, MOST_SHOWN - len(fitting))]
    asked_first = {check.quantity: place for place, check in enumerate(judgement.checks)}
    for place, finding in enumerate(leading):
        _finding(finding, asked_first, expanded=place == 0 and bool(fitting))
    others = possible[len(leading) - len(fitting) :]
    if others:
        with st.expander(f"Also possible ({len(others)})"):
            for finding in others:
                _finding(finding, asked_first, expanded=False)
    if not leading:
        st.info(
            "Nothing that is known points to a cause yet. Add facts of the house, or do the checks below.",
            icon=":material/info:",
        )
    if judgement.checks:
        st.subheader("What would tell most")
        for number, check in enumerate(judgement.checks[:5], 1):
            st.markdown(
                f"{number}. **{blocks.safe(check.question)}** {blocks.safe(check.how)} _({EFFORT_WORDS[check.effort]})_"
            )
        st.caption("Enter what you find under House: the ranking changes at once.")
    rest = [f for f in judgement.findings if f not in fitting and f not in possible]
    if rest:
        with st.expander(f"Causes that do not fit or cannot be told ({len(rest)})"):
            for finding in rest:
                _finding(finding, asked_first, expanded=False)
    st.caption(
        "A photo ranks explanations; it does not prove one. In brackets behind a source stands whether it was read for this "
        "table of rules, told from memory, or is common practice without a source."
    )


def _finding(finding: Finding, asked_first: Mapping[str, int], *, expanded: bool) -> None:
    role = f", {finding.role}" if finding.role else ""
    with st.expander(f"{finding.name}: {finding.standing}{role}", expanded=expanded, icon=ICONS[finding.standing]):
        st.markdown(blocks.safe(finding.plain))
        for heading, reasons in (("Speaks for it", finding.facts_for), ("Speaks against it", finding.facts_against)):
            if reasons:
                st.markdown(f"**{heading}**\n" + _list(reasons))
        # What would tell most comes first; the rest on request.
        unknown = sorted(finding.facts_not_known, key=lambda reason: asked_first.get(reason.quantity, len(asked_first)))
        if unknown:
            st.markdown("**Not known, and would count**\n" + _list(unknown[:MOST_UNKNOWN]))
        if len(unknown) > MOST_UNKNOWN:
            with st.expander(f"{len(unknown) - MOST_UNKNOWN} more that would count"):
                st.markdown(_list(unknown[MOST_UNKNOWN:]))
        with st.expander("Technical words and sources"):
            st.markdown(blocks.safe(finding.technical))
            if finding.sources:
                st.markdown("\n".join(f"- {blocks.safe(source)}" for source in finding.sources))


def _list(reasons: Sequence[Reason]) -> str:
    return "\n".join(f"- {blocks.safe(reason.sentence)}" for reason in reasons)
