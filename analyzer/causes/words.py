"""The judgement in a sentence or two; the sentences themselves stand in ``data/words.toml``."""

from __future__ import annotations

from analyzer.base.words import listed, say
from analyzer.causes.verdict import Check, Finding
from analyzer.house.facts import label


def summary_of(findings: tuple[Finding, ...], checks: tuple[Check, ...], not_explained: bool) -> str:
    if not_explained:
        return say("causes.not_explained")
    leading = [f for f in findings if f.standing == "fits well"] or [f for f in findings if f.standing == "fits"]
    if not leading:
        possible = [f for f in findings if f.standing == "possible"][:3]
        if not possible:
            return say("causes.too_little", ask=_ask(checks))
        if all(f.by_circumstance for f in possible):
            return say("causes.would_allow", names=listed([f.name for f in possible]), ask=_ask(checks))
        return say("causes.only_possible", names=listed([f.name for f in possible]), ask=_ask(checks)) + say(
            "causes.never_proves"
        )
    named = leading[:1] + [f for f in leading[1:3] if f.cause in leading[0].tied_with]
    names = listed([f.name for f in named], "or")
    well = leading[0].standing == "fits well"
    text = say("causes.what_is_known", word="fits well", names=names) if well else say("causes.looks_like", names=names)
    text += say("causes.tied") if len(named) > 1 else ""
    if not well and checks:
        text += say("causes.not_checked", labels=listed([label(check.quantity) for check in checks[:3]]))
    main = [f for f in findings if f.role == "main"]
    contributing = [f.name for f in findings if f.role == "contributing"]
    if main and contributing:
        text += say("causes.may_have_added", names=listed(contributing))
    if any(f.needs_laboratory for f in leading[:3]):
        text += say("causes.section_would_tell")
        text += say("causes.first", question=checks[0].question) if checks else ""
    elif checks and (len(leading) > 1 or leading[0].standing == "fits"):
        text += f" {_ask(checks)}"
    return text + say("causes.never_proves")


def _ask(checks: tuple[Check, ...]) -> str:
    return say("causes.would_tell_most", question=checks[0].question) if checks else say("causes.keep_uncleaned")
