"""What to do: next checks, remedies, monitoring, whom to call. See ``data/steps.toml``.

A step is a record of the data: its words, and the conditions under which it belongs in the plan. Conditions look at
facts, derived quantities and the standing of causes. An unknown fact never brings a step in and never keeps one out.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from analyzer.causes import Check, Finding, Judgement

PHASES = (
    "now",
    "before cleaning",
    "next check",
    "remedy",
    "elsewhere in the house",
    "monitoring",
    "whom to call",
)
WHO = ("homeowner", "plumber", "licensed electrician", "water utility", "laboratory", "insurer")
NO_SOURCE = "common practice, no source"
MOST_CHECKS = 5  # more than a person does in a day; the judgement holds the rest

_STANDS = ("fits well", "fits")
_MAY_STAND = (*_STANDS, "possible")


@dataclass(frozen=True, kw_only=True)
class Step:
    id: str
    phase: str  # one of PHASES
    title: str
    what: str
    why: str
    who: str  # one of WHO
    effort: str
    caution: str
    source: str
    causes: tuple[str, ...] = ()  # ids of the causes that brought it in; empty where it holds for every case


@dataclass(frozen=True, kw_only=True)
class HomeownerPage:
    """One page in plain words. Each field is a sentence or a list of sentences, ready to print."""

    what_happened: tuple[str, ...]
    how_sure: tuple[str, ...]
    first_three: tuple[str, ...]
    whom_to_call: tuple[str, ...]
    what_not_to_do: tuple[str, ...]
    limits: str


class _Condition(BaseModel):
    """``quantity op value``; false while the quantity is not known."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    quantity: str
    op: Literal["=", "!=", "<", "<=", ">", ">=", "in"]
    value: float | str | bool | tuple[str, ...]
    unit: str = ""

    def holds(self, quantities: Mapping[str, float | str | bool]) -> bool:
        known = quantities.get(self.quantity)
        if known is None:
            return False
        if self.op == "in":
            return known in self.value
        if self.op == "=":
            return known == self.value
        if self.op == "!=":
            return known != self.value
        if isinstance(known, (bool, str)):
            return False
        return {
            "<": known < self.value,
            "<=": known <= self.value,
            ">": known > self.value,
            ">=": known >= self.value,
        }[self.op]


class _Record(BaseModel):
    """One step of the data, with the conditions that bring it in."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: str
    phase: Literal[PHASES]
    title: str
    what: str
    why: str
    who: Literal[WHO]
    effort: str
    caution: str = ""
    source: str
    causes: tuple[str, ...] = ()  # comes in for any of these; empty: whatever the cause
    even_if_possible: bool = False  # harmless or cheap enough to name while its cause is only possible
    when_any: tuple[_Condition, ...] = ()  # comes in when any of these holds, beside ``causes``
    unless_any: tuple[_Condition, ...] = ()  # stays out when any of these is known to hold

    def causes_standing(self, live: Mapping[str, Finding]) -> tuple[str, ...]:
        wanted = _MAY_STAND if self.even_if_possible else _STANDS
        return tuple(c for c in self.causes if c in live and live[c].standing in wanted)


class _Book(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    schema_version: int = Field(alias="schema")
    step: tuple[_Record, ...]
    not_to_do: tuple[str, ...]
    limits: str


@cache
def _book() -> _Book:
    """The step records, validated; one id may stand once."""
    text = resources.files("analyzer").joinpath("data/steps.toml").read_text(encoding="utf-8")
    book = _Book.model_validate(tomllib.loads(text))
    ids = [record.id for record in book.step]
    if len(set(ids)) != len(ids):
        raise ValueError("data/steps.toml states a step twice")
    return book


def _live(judgement: Judgement) -> dict[str, Finding]:
    """The causes that remedies answer: all that fit; where none does, those that are possible."""
    return {f.cause: f for f in judgement.findings if f.standing in _MAY_STAND}


def plan(quantities: Mapping[str, float | str | bool], judgement: Judgement) -> tuple[Step, ...]:
    """The steps in order, from the data.

    Order is by phase, then by the rank of the cause that brought the step in, then as the data has them. A remedy
    comes in when its cause fits; while a cause is only possible, only steps marked as harmless come in, because work
    on the house should wait for the check that decides.
    """
    live = _live(judgement)
    rank = {f.cause: place for place, f in enumerate(judgement.findings)}
    chosen: list[tuple[int, int, int, Step]] = []
    for place, record in enumerate(_book().step):
        if any(condition.holds(quantities) for condition in record.unless_any):
            continue
        standing = record.causes_standing(live)
        told = [condition for condition in record.when_any if condition.holds(quantities)]
        if (record.causes or record.when_any) and not standing and not told:
            continue
        first = min((rank[c] for c in standing), default=len(rank))
        chosen.append((PHASES.index(record.phase), first, place, _as_step(record, standing, live)))
    checks = [
        (PHASES.index("next check"), -1, place, _check_step(check, judgement))
        for place, check in enumerate(judgement.checks[:MOST_CHECKS])
    ]
    return tuple(step for *_, step in sorted(chosen + checks, key=lambda row: row[:3]))


def _as_step(record: _Record, standing: tuple[str, ...], live: Mapping[str, Finding]) -> Step:
    why = record.why
    if standing:
        named = "; ".join(f"{live[c].name}: {live[c].standing}" for c in standing)
        why = f"{why} (In this case {named}.)"
    return Step(
        id=record.id,
        phase=record.phase,
        title=record.title,
        what=record.what,
        why=why,
        who=record.who,
        effort=record.effort,
        caution=record.caution,
        source=record.source,
        causes=standing,
    )


_WHO_CHECKS = {"ask": "homeowner", "look": "homeowner", "measure": "plumber", "laboratory": "laboratory"}


def _check_step(check: Check, judgement: Judgement) -> Step:
    names = {f.cause: f.name for f in judgement.findings}
    separated = [names.get(cause, cause) for cause in check.separates]
    why = f"Its answer would change the ranking{' of ' + _listed(separated) if separated else ''}."
    electrical = "current" in check.quantity or "bond" in check.quantity or "potential" in check.quantity
    return Step(
        id=f"check_{check.quantity}",
        phase="next check",
        title=check.question,
        what=check.how,
        why=why,
        who="licensed electrician" if electrical and check.effort == "measure" else _WHO_CHECKS[check.effort],
        effort=check.effort,
        caution="Look only: never loosen or disconnect a bonding conductor yourself." if electrical else "",
        source="computed from the rules: the unknown fact that would change the ranking most for its effort",
        causes=check.separates,
    )


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def homeowner_page(
    quantities: Mapping[str, float | str | bool], judgement: Judgement, steps: tuple[Step, ...]
) -> HomeownerPage:
    """The plan on one page in plain words: what happened, how sure, three things to do, whom to call, what to leave.

    ``quantities`` and ``judgement`` are those that ``steps`` were made from.
    """
    standing = [f for f in judgement.findings if f.standing in _STANDS]
    possible = [f for f in judgement.findings if f.standing == "possible"]
    if standing:
        what_happened = tuple(f.plain for f in standing[:2])
        how_sure = [
            f"{standing[0].name}: {standing[0].standing} with what is known."
            if len(standing) == 1
            else f"{_listed([f.name for f in standing[:3]])} all fit; the piece as seen cannot choose between them."
        ]
    elif judgement.not_explained:
        what_happened = ("The metal failed, but nothing that is known so far explains the pattern.",)
        how_sure = ["No cause fits. Keep the piece uncleaned for a laboratory."]
    else:
        what_happened = ("The metal failed, and what is known so far does not yet say why.",)
        how_sure = [
            "Still open: " + _listed([f.name for f in possible[:3]]) + "."
            if possible
            else "Too little is known to name a cause."
        ]
    if judgement.checks:
        how_sure.append(f"The answer that would tell most: {judgement.checks[0].question}")
    return HomeownerPage(
        what_happened=what_happened,
        how_sure=tuple(how_sure),
        first_three=tuple(_said(s) for s in _first_three(steps)),
        whom_to_call=tuple(_said(s) for s in steps if s.phase == "whom to call"),
        what_not_to_do=_book().not_to_do,
        limits=_book().limits,
    )


def _said(step: Step) -> str:
    return f"{step.title} {step.what}" if step.title.endswith(("?", "!", ".")) else f"{step.title}. {step.what}"


def _first_three(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """Stop the water, keep the piece, and the most telling thing that the owner can find out without tools."""
    picked = [s for s in steps if s.phase == "now"][:1] + [s for s in steps if s.phase == "before cleaning"][:1]
    own = [s for s in steps if s.phase == "next check" and s.who == "homeowner"]
    rest = [s for s in steps if s.phase in ("next check", "remedy", "whom to call")]
    return tuple(picked + (own or rest)[:1])
