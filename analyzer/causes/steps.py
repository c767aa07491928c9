"""What to do: next checks, remedies, monitoring, whom to call. See ``data/steps.toml``.

A step is a record of the data: its words, and the conditions under which it belongs in the plan. Conditions look at
facts, derived quantities and the standing of causes. An unknown fact never brings a step in and never keeps one out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache

from pydantic import Field, model_validator

from analyzer.base.datafile import data_table
from analyzer.base.datarecord import DataRecord
from analyzer.base.words import listed, say
from analyzer.causes.rules import Condition, causes
from analyzer.causes.verdict import Check, Finding, Judgement
from analyzer.house.facts import Value
from analyzer.house.facts import quantities as vocabulary

PHASES = (
    "now",
    "before cleaning",
    "next check",
    "remedy",
    "elsewhere in the house",
    "monitoring",
    "whom to call",
)
WHO = (
    "homeowner",
    "plumber",
    "licensed electrician",
    "licensed gas fitter",
    "licensed sprinkler contractor",
    "certified refrigeration technician",
    "heating engineer",
    "licensed asbestos contractor",
    "water utility",
    "laboratory",
    "insurer",
)
_RANKED = ("next check", "remedy", "elsewhere in the house")  # elsewhere the order of the data is the order of doing
# Judgements, no source.
MOST_CAUSES = 3  # possible causes are followed up to this many in all
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
    danger: str = ""  # what could hurt someone, in one sentence for the first page


@dataclass(frozen=True, kw_only=True)
class HomeownerPage:
    """One page in plain words. Each field is a sentence or a list of sentences, ready to print."""

    what_happened: tuple[str, ...]
    how_sure: tuple[str, ...]
    first_three: tuple[str, ...]
    whom_to_call: tuple[str, ...]
    what_not_to_do: tuple[str, ...]
    limits: str
    dangers: tuple[str, ...] = ()  # told before all else
    who_repairs: str = ""  # one of WHO; empty where this program goes no further


class _Record(DataRecord):
    """One step of the data, with the conditions that bring it in."""

    id: str
    phase: str
    title: str
    what: str
    why: str
    who: str
    effort: str
    caution: str = ""
    source: str
    causes: tuple[str, ...] = ()  # comes in for any of these; empty: whatever the cause
    even_if_possible: bool = False  # harmless or cheap enough to name while its cause is only possible
    first: bool = False  # among the first three things on the plain page
    danger: str = ""
    only_for: tuple[str, ...] = ()  # services; empty: every one
    water_only: bool = False
    costly: bool = False  # the most telling check should come first
    when_any: tuple[
        tuple[Condition, ...], ...
    ] = ()  # comes in when all conditions of one group hold, beside ``causes``
    unless_any: tuple[tuple[Condition, ...], ...] = ()  # stays out when all conditions of one group hold

    @model_validator(mode="after")
    def _known_causes(self) -> _Record:
        if self.phase not in PHASES or self.who not in WHO:
            raise ValueError(f"{self.id}: no phase '{self.phase}' or nobody '{self.who}'")
        for cause in self.causes:
            if cause not in causes():
                raise ValueError(f"{self.id}: no cause '{cause}' in data/rules")
        return self

    def told(self, quantities: Mapping[str, Value]) -> bool:
        return any(all(condition.holds(quantities) for condition in group) for group in self.when_any)

    def barred(self, quantities: Mapping[str, Value]) -> bool:
        return any(all(condition.holds(quantities) for condition in group) for group in self.unless_any)

    def serves(self, service: Value | None) -> bool:
        """Whether the step belongs to what runs through the pipe; where that is not known, the steps for water do."""
        if self.only_for:
            return service in self.only_for
        return service not in _book().stops_at and not (self.water_only and service in _book().not_drinking_water)

    def causes_standing(self, live: Mapping[str, Finding]) -> tuple[str, ...]:
        wanted = _MAY_STAND if self.even_if_possible else _STANDS
        return tuple(c for c in self.causes if c in live and live[c].standing in wanted)


class _Book(DataRecord):
    schema_version: int = Field(alias="schema")
    step: tuple[_Record, ...]
    not_to_do: tuple[str, ...]
    not_to_do_for: dict[str, tuple[str, ...]]
    not_drinking_water: tuple[str, ...]
    stops_at: tuple[str, ...]
    plumber_looks: frozenset[str]
    trade_for: dict[str, str]
    limits: str

    @model_validator(mode="after")
    def _known_words(self) -> _Book:
        for name in (*self.plumber_looks,):
            if name not in vocabulary():
                raise ValueError(f"no quantity '{name}' in data/quantities.toml")
        for service, who in self.trade_for.items():
            if service not in vocabulary()["service"].choices or who not in WHO:
                raise ValueError(f"no service '{service}' or nobody '{who}'")
        return self


@cache
def _book() -> _Book:
    """The step records, validated; one id may stand once."""
    book = _Book.model_validate(data_table("steps"))
    ids = [record.id for record in book.step]
    if len(set(ids)) != len(ids):
        raise ValueError("data/steps.toml states a step twice")
    return book


def plan(quantities: Mapping[str, Value], judgement: Judgement) -> tuple[Step, ...]:
    """The steps in order, from the data.

    Order is by phase; among checks, remedies and looks elsewhere by the rank of the cause that brought the step in; else
    as the data has them. A remedy comes in when its cause fits or a told fact calls for it; while a cause is only possible, only steps marked as
    harmless come in, because work on the house should wait for the check that decides.
    """
    live = _live(judgement)
    service = quantities.get("service")
    stopped = service in _book().stops_at
    rank = {f.cause: place for place, f in enumerate(judgement.findings)}
    chosen: list[tuple[int, int, int, Step]] = []
    for place, record in enumerate(_book().step):
        standing = record.causes_standing(live)
        asked = record.causes or record.when_any
        if (
            not record.serves(service)
            or record.barred(quantities)
            or (asked and not standing and not record.told(quantities))
        ):
            continue
        ranked = record.phase in _RANKED
        first = min((rank[c] for c in standing), default=len(rank)) if ranked else 0
        chosen.append((PHASES.index(record.phase), first, place, _as_step(record, standing, live, judgement)))
    if judgement.not_explained and judgement.keep and not stopped:
        chosen.append((PHASES.index("before cleaning"), 1, 0, _keep_step(judgement)))
    chosen += [
        (PHASES.index("next check"), -1, place, _check_step(check, judgement))
        for place, check in enumerate(judgement.checks[: 0 if stopped else MOST_CHECKS])
    ]
    trade = _trade(service)
    return tuple(
        replace(step, who=trade) if step.who == "plumber" else step
        for *_, step in sorted(chosen, key=lambda row: row[:3])
    )


def _live(judgement: Judgement) -> dict[str, Finding]:
    """The causes that steps answer: all that fit, and the first few that are possible.

    Where one fits well, of the possible ones only those that nothing known separates from it: a plan that follows every
    possibility is not followed at all.
    """
    fitting = [f for f in judgement.findings if f.standing in _STANDS]
    possible = [f for f in judgement.findings if f.standing == "possible"]
    well = [f for f in fitting if f.standing == "fits well"]
    if well:
        alike = {cause for f in well for cause in f.cannot_be_told_from}
        possible = [f for f in possible if f.cause in alike]
    return {f.cause: f for f in (*fitting, *possible[: max(0, MOST_CAUSES - len(fitting))])}


def _as_step(record: _Record, standing: tuple[str, ...], live: Mapping[str, Finding], judgement: Judgement) -> Step:
    why, caution = record.why, record.caution
    if standing:
        why = say(
            "steps.in_this_case", why=why, standing="; ".join(f"{live[c].name}: {live[c].standing}" for c in standing)
        )
    sure = any(live[c].standing == "fits well" for c in standing)
    if record.costly and standing and not sure and judgement.checks:
        caution = say("steps.before_you_pay", caution=caution, question=judgement.checks[0].question).strip()
    return Step(
        id=record.id,
        phase=record.phase,
        title=record.title,
        what=record.what,
        why=why,
        who=record.who,
        effort=record.effort,
        caution=caution,
        source=record.source,
        causes=standing,
        danger=record.danger,
    )


def dangers(steps: Iterable[Step]) -> tuple[str, ...]:
    """What was told that could hurt someone, a sentence each, in the order of the plan: for the first page."""
    return tuple(step.danger for step in steps if step.danger)


_WHO_CHECKS = {"ask": "homeowner", "look": "homeowner", "measure": "plumber", "laboratory": "laboratory"}


def _check_step(check: Check, judgement: Judgement) -> Step:
    names = {f.cause: f.name for f in judgement.findings}
    separated = [names.get(cause, cause) for cause in check.separates]
    group = vocabulary()[check.quantity].group if check.quantity in vocabulary() else ""
    who = _WHO_CHECKS[check.effort]
    if check.effort == "measure" and group == "electrical":
        who = "licensed electrician"
    elif check.effort == "measure" and group == "water":
        who = "water utility"
    elif check.quantity in _book().plumber_looks:
        who = "plumber"
    return Step(
        id=f"check_{check.quantity}",
        phase="next check",
        title=check.question,
        what=check.how,
        why=say("steps.check_why", of=say("steps.check_of", names=listed(separated)) if separated else ""),
        who=who,
        effort=EFFORT_WORDS[check.effort],
        caution=say("steps.bonding_caution") if group == "electrical" else "",
        source=say("steps.check_source"),
        causes=check.separates,
    )


EFFORT_WORDS = {"ask": "a question", "look": "a look", "measure": "a measurement", "laboratory": "a laboratory"}


def _keep_step(judgement: Judgement) -> Step:
    return Step(
        id="keep_unexplained",
        phase="before cleaning",
        title=say("steps.keep_title"),
        what=say("steps.keep_what", things=listed(list(judgement.keep))),
        why=say("steps.keep_why"),
        who="homeowner",
        effort=say("steps.keep_effort"),
        caution=say("steps.keep_caution"),
        source=say("steps.keep_source"),
    )


def homeowner_page(quantities: Mapping[str, Value], judgement: Judgement, steps: tuple[Step, ...]) -> HomeownerPage:
    """The plan on one page in plain words: what happened, how sure, three things to do, whom to call, what to leave.

    ``quantities`` and ``judgement`` are those that ``steps`` were made from; plastic pipe gets the judgement's own sentence.
    """
    service = quantities.get("service")
    not_to_do = _book().not_to_do_for.get(str(service), _book().not_to_do)
    if service in _book().stops_at:
        return HomeownerPage(
            what_happened=(say("steps.gas_what"),),
            how_sure=(say("steps.gas_how_sure"),),
            first_three=tuple(_said(s) for s in _first_three(steps)),
            whom_to_call=tuple(_said(s) for s in steps if s.phase == "whom to call"),
            what_not_to_do=not_to_do,
            limits=_book().limits,
            dangers=dangers(steps),
        )
    standing = [f for f in judgement.findings if f.standing in _STANDS]
    possible = [f for f in judgement.findings if f.standing == "possible"]
    names = {f.cause: f.name for f in judgement.findings}
    if standing:
        what_happened = tuple(f.plain for f in standing[:2])
        how_sure = [_how_sure(standing)]
        alike = [names[c] for c in standing[0].cannot_be_told_from if c in names]
        if alike:
            others = listed([_inside(name) for name in alike], "or")
            how_sure.append(say("steps.no_photo_tells", name=_inside(standing[0].name), others=others))
        if any(f.needs_laboratory for f in standing[:2]):
            how_sure.append(say("steps.only_laboratory"))
    elif judgement.not_explained:
        what_happened = (say("steps.unexplained"),)
        how_sure = [say("steps.no_cause_fits")]
    elif quantities.get("material") == "plastic":
        what_happened, how_sure = (judgement.summary,), [say("steps.metal_only")]
    else:
        what_happened = (say("steps.says_not_why"),)
        how_sure = [
            say(
                "steps.would_allow" if all(f.by_circumstance for f in possible[:3]) else "steps.still_open",
                names=listed([_inside(f.name) for f in possible[:3]], "or"),
            )
            if possible
            else say("steps.too_little")
        ]
    if judgement.checks:
        how_sure.append(say("steps.tells_most", question=judgement.checks[0].question))
    return HomeownerPage(
        what_happened=what_happened,
        how_sure=tuple(how_sure),
        first_three=tuple(_said(s) for s in _first_three(steps)),
        whom_to_call=tuple(_said(s) for s in steps if s.phase == "whom to call"),
        what_not_to_do=not_to_do,
        limits=_book().limits,
        dangers=dangers(steps),
        who_repairs=_trade(service),
    )


def _trade(service: Value | None) -> str:
    """Who does a plumber's work on a line that carries this."""
    return _book().trade_for.get(str(service), "plumber")


def _how_sure(standing: list[Finding]) -> str:
    first = standing[0]
    tied = [f.name for f in standing[1:3] if f.cause in first.tied_with]
    others = [f.name for f in standing[1:3] if f.cause not in first.tied_with]
    if tied:
        return say(
            "steps.tied", names=listed([first.name, *map(_inside, tied)]), both="both" if len(tied) == 1 else "all"
        )
    if first.standing == "fits well":
        sure = say("steps.fits_well", name=first.name)
        return sure + (say("steps.others_fit", names=listed(others)) if others else "")
    sure = say("steps.looks_like", name=_inside(first.name))
    return sure + (say("steps.others_like", names=listed([_inside(name) for name in others], "or")) if others else "")


def _said(step: Step) -> str:
    return f"{step.title} {step.what}" if step.title.endswith(("?", "!", ".")) else f"{step.title}. {step.what}"


def _first_three(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """Stop the water, keep the piece, and the most telling thing that the owner can find out without tools."""
    first = {record.id for record in _book().step if record.first}
    picked = [s for s in steps if s.id in first]
    own = [s for s in steps if s.phase == "next check" and s.who == "homeowner"]
    rest = [s for s in steps if s.phase in ("next check", "remedy", "whom to call")]
    return tuple((picked + (own or rest))[:3])


def _inside(name: str) -> str:
    """A cause's name in the middle of a sentence: MIC and "type I" keep their capitals."""
    return name if name[:2].isupper() else name[:1].lower() + name[1:]
