"""Likely causes, with what speaks for and against each, and the checks that would tell most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import streamlit as st

from analyzer.causes.steps import EFFORT_WORDS
from analyzer.causes.verdict import Finding, Reason
from analyzer.result.examination import Examination
from analyzer.show import charts, drawing
from ui import blocks, state

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
    blocks.answer(examination)
    fitting = [f for f in judgement.findings if f.standing in ("fits well", "fits")]
    possible = [f for f in judgement.findings if f.standing == "possible"]
    leading = fitting + possible[: max(0, MOST_SHOWN - len(fitting))]
    named = {finding.cause: finding.name for finding in judgement.findings}
    asked_first = {check.quantity: place for place, check in enumerate(judgement.checks)}
    for place, finding in enumerate(leading):
        _finding(finding, asked_first, named, expanded=place == 0 and bool(fitting))
    plot = charts.for_and_against(judgement.findings) if state.reading() != "plain" else None
    if plot is not None:
        blocks.picture(
            drawing.jpeg(plot),
            "What speaks for and against each cause by the rules. A rank of evidence, no probability.",
            "Bars for and against each leading cause; the facts themselves stand under each cause.",
        )
    others = possible[len(leading) - len(fitting) :]
    if others:
        with st.expander(f"Also possible ({len(others)})"):
            for finding in others:
                _finding(finding, asked_first, named, expanded=False)
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
        st.button("Answer these now", on_click=state.go_to, args=("House",), icon=":material/arrow_forward:")
    rest = [f for f in judgement.findings if f not in fitting and f not in possible]
    if rest:
        with st.expander(f"Causes that do not fit or cannot be told ({len(rest)})"):
            for finding in rest:
                _finding(finding, asked_first, named, expanded=False)
    told = "A photo ranks explanations; it does not prove one."
    if state.reading() == "record":
        told += (
            " In brackets behind a source stands whether it was read for this table of rules, told from memory, or is common "
            "practice without a source."
        )
    st.caption(told)


def _finding(finding: Finding, asked_first: Mapping[str, int], named: Mapping[str, str], *, expanded: bool) -> None:
    """``named``: each cause's name by its id."""
    role = f", {finding.role}" if finding.role else ""
    with st.expander(f"{finding.name}: {finding.standing}{role}", expanded=expanded, icon=ICONS[finding.standing]):
        record, plain = state.reading() == "record", state.reading() == "plain"
        st.markdown(blocks.safe(finding.technical if record else finding.plain))
        if finding.tied_with:
            st.markdown(
                blocks.safe(
                    f"What is known does not tell it apart from: {', '.join(named.get(cause, cause) for cause in finding.tied_with)}."
                )
            )
        for heading, reasons in (("Speaks for it", finding.facts_for), ("Speaks against it", finding.facts_against)):
            if reasons:
                st.markdown(f"**{heading}**\n" + _list(reasons, record=record))
        # What would tell most comes first; the rest on request.
        unknown = sorted(finding.facts_not_known, key=lambda reason: asked_first.get(reason.quantity, len(asked_first)))
        if unknown:
            st.markdown("**Not known, and would count**\n" + _list(unknown[:MOST_UNKNOWN], record=record))
        if len(unknown) > MOST_UNKNOWN and not plain:
            with st.expander(f"{len(unknown) - MOST_UNKNOWN} more that would count"):
                st.markdown(_list(unknown[MOST_UNKNOWN:], record=record))
        if record and finding.sources:
            st.markdown("**Sources**\n" + "\n".join(f"- {blocks.safe(source)}" for source in finding.sources))
        elif not plain:
            with st.expander("Technical words and sources"):
                st.markdown(blocks.safe(finding.technical))
                if finding.sources:
                    st.markdown("\n".join(f"- {blocks.safe(source)}" for source in finding.sources))


def _list(reasons: Sequence[Reason], *, record: bool) -> str:
    """For the record each with its weight, and the rule's source."""
    return "\n".join(
        f"- {blocks.safe(reason.sentence)}"
        + (blocks.safe(f" [{', '.join(part for part in (reason.weight, reason.source) if part)}]") if record else "")
        for reason in reasons
    )
