"""Why it failed: rules held as data, judged against what was measured and told. See ``data/rules/*.toml``.

A rule file holds one cause: selectors that say whether the cause can be in play at all, conditions that support,
contradict or exclude it, each with a weight class and its own sentence, explanations, sources and worked cases.
A condition has three answers: it holds, it does not hold, or the quantity is not known. What is not known neither
supports nor contradicts. Facts of one topic (say: shape) count once for a cause, by the weightiest of them, so that
the same thing said twice does not weigh twice. The weights are ranks of evidence, not probabilities: nothing
calibrates one, so no figure of them is shown. Nothing is taken from how often a cause occurs.
"""

from __future__ import annotations

import operator
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from analyzer.house.facts import Quantity, Value, describe, quantities

STANDINGS = ("fits well", "fits", "possible", "can't tell", "speaks against", "ruled out")

WEIGHTS: Mapping[str, float] = MappingProxyType({"weak": 1.0, "moderate": 2.0, "strong": 4.0, "decisive": 8.0})
# A cause fits from FITS points over what speaks against it, out of two topics; it fits well from FITS_WELL, out of
# three, with a strong fact and nothing of weight against it. Our own rule of reading, no source.
FITS, FITS_WELL = 5.0, 9.0
# Two causes closer than this are not told apart by what is known.
CLEAR_LEAD = 2.0
EFFORT: Mapping[str, float] = MappingProxyType({"ask": 1.0, "look": 1.5, "measure": 3.0, "laboratory": 8.0})
MOST_CHECKS = 8
LEADERS = 5  # causes whose order a check is asked to settle


# ---------------------------------------------------------------- what a reader gets


@dataclass(frozen=True, kw_only=True)
class Reason:
    """One fact that decided: the sentence a person reads, the quantity and value behind it, the source of the rule."""

    sentence: str
    quantity: str
    value: float | str | bool | None
    source: str
    weight: str = ""  # weak, moderate, strong or decisive


@dataclass(frozen=True, kw_only=True)
class Finding:
    cause: str  # id in the catalogue
    name: str
    standing: str  # one of STANDINGS
    plain: str  # for a homeowner
    technical: str  # for a reviewer
    facts_for: tuple[Reason, ...]
    facts_against: tuple[Reason, ...]
    facts_not_known: tuple[Reason, ...]
    role: str  # "main", "contributing" or "" where none stands out
    cannot_be_told_from: tuple[str, ...]  # causes that no photo separates from this one
    sources: tuple[str, ...]
    needs_laboratory: bool = False  # the literature always needed a laboratory, and none has spoken yet


@dataclass(frozen=True, kw_only=True)
class Check:
    """A fact not known whose answers would change the ranking; computed from the rules."""

    quantity: str
    question: str
    how: str  # how to find it out
    effort: str  # "ask", "look", "measure" or "laboratory"
    separates: tuple[str, ...]  # cause ids


@dataclass(frozen=True, kw_only=True)
class Judgement:
    findings: tuple[Finding, ...]  # best first
    checks: tuple[Check, ...]  # most telling for its effort first
    summary: str  # one or two sentences that a person reads first
    not_explained: bool
    conflicts: tuple[str, ...] = ()  # where known facts pull one leading cause both ways
    keep: tuple[str, ...] = ()  # what to keep for a laboratory, where no rule explains the damage


# ---------------------------------------------------------------- the rules as data


_COMPARE = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Condition(_Row):
    """``quantity op value``, with the unit where the quantity is a number."""

    quantity: str
    op: Literal["==", "!=", "<", "<=", ">", ">=", "in", "includes"]
    value: bool | float | str | tuple[str, ...]
    unit: str = ""

    @model_validator(mode="after")
    def _fits_vocabulary(self) -> Condition:
        known = quantities().get(self.quantity)
        if known is None:
            raise ValueError(f"no quantity '{self.quantity}' in data/quantities.toml")
        _check_operand(known, self.op, self.value, self.unit)
        return self

    def holds(self, values: Mapping[str, Value]) -> bool | None:
        """True, False, or None where the quantity is not known."""
        known = values.get(self.quantity)
        if known is None:
            return None
        if self.op == "includes":
            several = known if isinstance(known, tuple) else (known,)
            return any(word in self.value for word in several)
        if self.op == "in":
            return known in self.value
        return _COMPARE[self.op](known, self.value)


def _check_operand(known: Quantity, op: str, value: object, unit: str) -> None:
    """The operator and the value suit the kind of quantity; ValueError otherwise."""
    if known.kind == "number":
        if op in ("in", "includes") or isinstance(value, (bool, str, tuple)):
            raise ValueError(f"{known.id} is a number: compare it with a number")
        if unit != known.unit:
            raise ValueError(f"{known.id} is in '{known.unit}', not in '{unit}'")
        return
    if unit:
        raise ValueError(f"{known.id} has no unit")
    if known.kind == "flag":
        if op not in ("==", "!=") or not isinstance(value, bool):
            raise ValueError(f"{known.id} is yes or no: compare it with true or false")
        return
    if known.kind != "choice":
        raise ValueError(f"{known.id} is a {known.kind}: no rule can read it")
    wanted = "includes" if known.multiple else "in"
    if op not in (("includes",) if known.multiple else ("==", "!=", "in")):
        raise ValueError(f"{known.id} is read with '{wanted}'")
    words = value if isinstance(value, tuple) else (value,)
    if (op in ("in", "includes")) != isinstance(value, tuple):
        raise ValueError(f"'{op}' takes {'a list' if op in ('in', 'includes') else 'one word'}")
    for word in words:
        if word not in known.choices:
            raise ValueError(f"{known.id} knows no '{word}'")


class Item(_Row):
    """One line of evidence: it holds where all of its conditions hold."""

    when: tuple[Condition, ...] = Field(min_length=1)
    weight: Literal["weak", "moderate", "strong", "decisive"]
    says: str = Field(min_length=10)
    source: str
    topic: str = ""

    @model_validator(mode="after")
    def _sourced(self) -> Item:
        for key in self.source.split():
            if key not in sources():
                raise ValueError(f"no source '{key}' in data/rule_sources.toml")
        return self

    def holds(self, values: Mapping[str, Value]) -> bool | None:
        answers = [condition.holds(values) for condition in self.when]
        if False in answers:
            return False
        return None if None in answers else True

    @property
    def about(self) -> str:
        return self.topic or quantities()[self.when[0].quantity].topic


class Exclusion(_Row):
    when: tuple[Condition, ...] = Field(min_length=1)
    says: str = Field(min_length=10)
    source: str

    holds = Item.holds


class WorkedCase(_Row):
    """A made-up case that the tests run: what is told, and which standings are right."""

    name: Literal["fires", "contradicts", "not known"]
    told: Mapping[str, bool | float | str | tuple[str, ...]]
    standing: tuple[str, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _words(self) -> WorkedCase:
        for word in self.standing:
            if word not in STANDINGS:
                raise ValueError(f"'{word}' is no standing")
        for name in self.told:
            if name not in quantities():
                raise ValueError(f"no quantity '{name}' in data/quantities.toml")
        return self


class Cause(_Row):
    """One rule file."""

    id: str
    name: str
    order: int  # place in the catalogue: the order among causes that stand alike
    family: str
    applies: tuple[Exclusion, ...] = ()  # the cause is ruled out where one of them holds: other metal, other thing
    plain: str
    technical: str
    confidence: str
    sources: tuple[str, ...]
    cannot_be_told_from: tuple[str, ...] = ()
    contributes_to: tuple[str, ...] = ()
    needs_laboratory: tuple[Condition, ...] = ()  # one of them must hold before the cause can fit well
    supports: tuple[Item, ...]
    contradicts: tuple[Item, ...]
    excludes: tuple[Exclusion, ...] = ()
    cases: tuple[WorkedCase, ...]

    @model_validator(mode="after")
    def _whole(self) -> Cause:
        if {case.name for case in self.cases} != {"fires", "contradicts", "not known"}:
            raise ValueError("three worked cases are due: fires, contradicts, not known")
        for key in self.sources:
            if key not in sources():
                raise ValueError(f"no source '{key}' in data/rule_sources.toml")
        return self


class Source(_Row):
    id: str
    text: str
    status: Literal["read", "memory", "practice"]


@cache
def sources() -> Mapping[str, Source]:
    """Sources of the rules by key."""
    text = resources.files("analyzer").joinpath("data/rule_sources.toml").read_text(encoding="utf-8")
    return MappingProxyType({row["id"]: Source.model_validate(row) for row in tomllib.loads(text)["source"]})


def cite(keys: str | Iterable[str]) -> str:
    """Sources in words, each with its status."""
    words = {"read": "read", "memory": "from memory", "practice": "common practice, no source"}
    parts = []
    for key in keys.split() if isinstance(keys, str) else keys:
        source = sources()[key]
        parts.append(source.text if source.status == "practice" else f"{source.text} [{words[source.status]}]")
    return "; ".join(parts)


def read_cause(text: str, *, name: str) -> Cause:
    """One rule file's text; ValueError names the file and the exact path of what is wrong."""
    try:
        return Cause.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"data/rules/{name}: {error}") from error
    except ValidationError as error:
        lines = []
        for problem in error.errors():
            path = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in problem["loc"]).lstrip(".")
            lines.append(f"data/rules/{name}: {path or 'file'}: {problem['msg'].removeprefix('Value error, ')}")
        raise ValueError("\n".join(lines)) from error


@cache
def causes() -> Mapping[str, Cause]:
    """All causes by id, in the catalogue's order; read and validated once."""
    folder = resources.files("analyzer").joinpath("data/rules")
    found = []
    for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if file.name.endswith(".toml"):
            cause = read_cause(file.read_text(encoding="utf-8"), name=file.name)
            if file.name != f"{cause.id}.toml":
                raise ValueError(f"data/rules/{file.name}: id: the file is named after its cause, {cause.id}")
            found.append(cause)
    found.sort(key=lambda cause: cause.order)
    by_id = {cause.id: cause for cause in found}
    for cause in found:
        for field in ("cannot_be_told_from", "contributes_to"):
            for number, other in enumerate(getattr(cause, field)):
                if other not in by_id or other == cause.id:
                    raise ValueError(f"data/rules/{cause.id}.toml: {field}[{number}]: no other cause '{other}'")
    return MappingProxyType(by_id)


# ---------------------------------------------------------------- judging


@dataclass(frozen=True, kw_only=True)
class _Score:
    cause: Cause
    supporting: tuple[Item, ...]
    contradicting: tuple[Item, ...]
    excluding: tuple[Exclusion, ...]
    points_for: float
    points_against: float
    heaviest_for: float
    heaviest_against: float
    topics_for: int

    @property
    def net(self) -> float:
        return self.points_for - self.points_against

    @property
    def order(self) -> tuple[float, ...]:
        # Among equals: more supporting facts first, then fewer against, then the catalogue's order.
        return (
            1.0 if self.excluding else 0.0,
            -self.net,
            self.points_against,
            -float(len(self.supporting)),
            float(self.cause.order),
        )


def _score(cause: Cause, values: Mapping[str, Value]) -> _Score:
    supporting = tuple(item for item in cause.supports if item.holds(values))
    contradicting = tuple(item for item in cause.contradicts if item.holds(values))
    excluding = tuple(rule for rule in (*cause.applies, *cause.excludes) if rule.holds(values))
    best_for, best_against = _by_topic(supporting), _by_topic(contradicting)
    return _Score(
        cause=cause,
        supporting=supporting,
        contradicting=contradicting,
        excluding=excluding,
        points_for=sum(best_for.values()),
        points_against=sum(best_against.values()),
        heaviest_for=max(best_for.values(), default=0.0),
        heaviest_against=max(best_against.values(), default=0.0),
        topics_for=sum(1 for weight in best_for.values() if weight >= WEIGHTS["moderate"]),
    )


def _by_topic(items: Iterable[Item]) -> dict[str, float]:
    best: dict[str, float] = {}
    for item in items:
        best[item.about] = max(best.get(item.about, 0.0), WEIGHTS[item.weight])
    return best


def _reaches_fits(score: _Score) -> bool:
    """Enough over what speaks against it, out of two topics unless a decisive fact speaks, and none decisive against."""
    alone = score.topics_for < 2 and score.heaviest_for < WEIGHTS["decisive"]
    return score.net >= FITS and not alone and score.heaviest_against < WEIGHTS["decisive"]


def _standing(score: _Score, *, photo_only: bool, rivals: Iterable[_Score], values: Mapping[str, Value]) -> str:
    if score.excluding:
        return "ruled out"
    if not score.supporting and not score.contradicting:
        return "can't tell"
    if score.net < 0 or not score.supporting:
        return "speaks against"
    if not _reaches_fits(score):
        return "possible"
    if (
        score.net < FITS_WELL
        or score.topics_for < 3
        or score.heaviest_for < WEIGHTS["strong"]
        or score.heaviest_against >= WEIGHTS["moderate"]
        or photo_only
        or _laboratory_due(score.cause, values)
    ):
        return "fits"
    proved = bool(score.cause.needs_laboratory)  # its laboratory fact is known, or it would have stopped above
    # A cause cannot fit well while a rival stands about as high, nor while one that looks alike still fits.
    for rival in rivals:
        if rival is score or rival.excluding:
            continue
        alike = rival.cause.id in score.cause.cannot_be_told_from or score.cause.id in rival.cause.cannot_be_told_from
        if rival.net > score.net - CLEAR_LEAD or (alike and not proved and _reaches_fits(rival)):
            return "fits"
    return "fits well"


def _laboratory_due(cause: Cause, values: Mapping[str, Value]) -> bool:
    return bool(cause.needs_laboratory) and not any(c.holds(values) for c in cause.needs_laboratory)


def _scores(values: Mapping[str, Value]) -> list[_Score]:
    return sorted((_score(cause, values) for cause in causes().values()), key=lambda score: score.order)


def _only_photo(values: Mapping[str, Value]) -> bool:
    """Nothing told but what the piece is: metal, size, marks."""
    return not any(
        quantities()[name].origin == "told" and quantities()[name].topic not in ("material", "size", "record")
        for name in values
    )


def judge(quantities: Mapping[str, float | str | bool], *, material: str = "copper") -> Judgement:
    """Rank the causes by what is known; an unknown quantity neither supports nor contradicts.

    ``quantities``: measured, told and derived ones by the ids of ``data/quantities.toml``; others are left out.
    ``material`` goes for the piece unless the facts name one; "unknown" where nobody knows. Plastic is declined.
    """
    values = _known(quantities, material)
    if values.get("material") == "plastic":
        return Judgement(findings=(), checks=(), summary=_PLASTIC, not_explained=False)
    scores = _scores(values)
    photo_only = _only_photo(values)
    standings = {s.cause.id: _standing(s, photo_only=photo_only, rivals=scores, values=values) for s in scores}
    # Stable: within one standing the order of the evidence stays.
    scores.sort(key=lambda s: STANDINGS.index(standings[s.cause.id]))
    roles = _roles(scores, standings)
    findings = tuple(_finding(s, standings[s.cause.id], roles.get(s.cause.id, ""), values) for s in scores)
    not_explained = _not_explained(values, scores, standings)
    checks = _checks(values, scores, standings)
    return Judgement(
        findings=findings,
        checks=checks,
        summary=_summary(findings, checks, not_explained),
        not_explained=not_explained,
        conflicts=_conflicts(scores, standings),
        keep=_KEEP if not_explained else (),
    )


def _known(given: Mapping[str, Value], material: str) -> dict[str, Value]:
    values = {name: value for name, value in given.items() if name in quantities() and value is not None}
    if "material" not in values and material in quantities()["material"].choices:
        values["material"] = material
    # The side of a photo without a pit in it says where was looked, not which side was attacked.
    seen = any(quantities()[name].group == "seen" and name != "side_attacked" for name in values)
    if values.get("pit_count") == 0 and not values.get("through_hole_count") and not seen:
        values.pop("side_attacked", None)
    return values


def _not_explained(values: Mapping[str, Value], scores: list[_Score], standings: Mapping[str, str]) -> bool:
    """Damage was seen, nothing fits, and no possible cause accounts for it: for its form, where a form was told."""
    form_told = bool(values.get("observed_shape_class"))
    if not form_told and not values.get("pit_count") and not values.get("through_hole_count"):
        return False
    if any(word in ("fits well", "fits") for word in standings.values()):
        return False
    possible = [s for s in scores if standings[s.cause.id] == "possible"]
    if form_told:
        possible = [s for s in possible if any(item.about == "shape" for item in s.supporting)]
    return not possible


def _roles(scores: list[_Score], standings: Mapping[str, str]) -> dict[str, str]:
    """Main: it fits, and leads by a strong fact over all that do not merely add to it.

    Contributing: the rules say that it adds to the main one, and something told or measured speaks for it that does not
    already speak for the main one. Without that it is a rival, not a helper.
    """
    if not scores or standings[scores[0].cause.id] not in ("fits well", "fits"):
        return {}
    main = scores[0]
    used = {c.quantity for item in main.supporting for c in item.when}
    helpers = [
        s
        for s in scores[1:]
        if main.cause.id in s.cause.contributes_to
        and standings[s.cause.id] in ("fits well", "fits", "possible")
        and any(
            WEIGHTS[item.weight] >= WEIGHTS["moderate"] and not used & {c.quantity for c in item.when}
            for item in s.supporting
        )
    ]
    for other in scores[1:]:
        if other not in helpers and not other.excluding and other.net > main.net - WEIGHTS["strong"]:
            return {}
    return {main.cause.id: "main", **{s.cause.id: "contributing" for s in helpers}}


def _finding(score: _Score, standing: str, role: str, values: Mapping[str, Value]) -> Finding:
    cause = score.cause
    against = tuple(_exclusion_reason(rule, values) for rule in score.excluding) + tuple(
        _reason(item, values) for item in _weightiest(score.contradicting)
    )
    due = _laboratory_due(cause, values)
    technical = cause.technical
    if due and standing in ("fits", "possible"):
        technical += (
            " Published cases of it rested on a laboratory fact; none is known here, so it cannot fit well yet."
        )
    return Finding(
        cause=cause.id,
        name=cause.name,
        standing=standing,
        plain=cause.plain,
        technical=technical,
        facts_for=tuple(_reason(item, values) for item in _weightiest(score.supporting)),
        facts_against=against,
        facts_not_known=_not_known(cause, values) if not score.excluding else (),
        role=role,
        cannot_be_told_from=cause.cannot_be_told_from,
        sources=tuple(cite((key,)) for key in cause.sources),
        needs_laboratory=due,
    )


def _weightiest(items: Iterable[Item]) -> list[Item]:
    """The items, weightiest first; of several about the same fact only the weightiest, and no sentence twice."""
    kept, seen = [], set()
    for item in sorted(items, key=lambda item: -WEIGHTS[item.weight]):
        marks = {(item.about, item.when[0].quantity), item.says}
        if not marks & seen:
            kept.append(item)
        seen |= marks
    return kept


def _reason(item: Item, values: Mapping[str, Value]) -> Reason:
    first = item.when[0]
    return Reason(
        sentence=_with_value(item.says, first, values),
        quantity=first.quantity,
        value=_as_read(first, values),
        source=cite(item.source),
        weight=item.weight,
    )


def _exclusion_reason(rule: Exclusion, values: Mapping[str, Value]) -> Reason:
    first = rule.when[0]
    return Reason(
        sentence=_with_value(rule.says, first, values),
        quantity=first.quantity,
        value=_as_read(first, values),
        source=cite(rule.source),
        weight="decisive",
    )


def _with_value(sentence: str, condition: Condition, values: Mapping[str, Value]) -> str:
    """The sentence with the figure or the word that the condition met, so that a reader can check it."""
    value = values[condition.quantity]
    if isinstance(value, bool):
        return sentence
    if isinstance(value, tuple):
        value = tuple(word for word in value if word in condition.value)
    elif isinstance(value, str) and not isinstance(condition.value, tuple):
        return sentence
    words = describe(condition.quantity, value)
    if words.lower() in sentence.lower():
        return sentence
    return f"{sentence.removesuffix('.')} ({words})."


def _as_read(condition: Condition, values: Mapping[str, Value]) -> float | str | bool:
    """The value that the condition met; of several words those that it names."""
    value = values[condition.quantity]
    if isinstance(value, tuple):
        return ", ".join(str(word) for word in value if word in condition.value)
    return value


def _not_known(cause: Cause, values: Mapping[str, Value]) -> tuple[Reason, ...]:
    """The unknown quantities that would weigh, weightiest first; weak ones are left out."""
    weights: dict[str, tuple[float, str]] = {}
    for item in (*cause.supports, *cause.contradicts):
        if item.holds(values) is None and WEIGHTS[item.weight] >= WEIGHTS["moderate"]:
            for condition in item.when:
                if condition.quantity not in values:
                    best = weights.get(condition.quantity, (0.0, ""))
                    weights[condition.quantity] = max(best, (WEIGHTS[item.weight], item.source))
    rows = sorted(weights.items(), key=lambda row: (-row[1][0], row[0]))
    reasons = []
    for name, (_, source) in rows:
        quantity = quantities()[name]
        reasons.append(
            Reason(sentence=f"{quantity.label}: {quantity.use}", quantity=name, value=None, source=cite(source))
        )
    return tuple(reasons)


def _conflicts(scores: list[_Score], standings: Mapping[str, str]) -> tuple[str, ...]:
    lines = []
    for score in scores:
        if standings[score.cause.id] not in ("fits", "possible") or score.net < WEIGHTS["moderate"]:
            continue
        if min(score.heaviest_for, score.heaviest_against) < WEIGHTS["strong"]:
            continue
        good, bad = _weightiest(score.supporting)[0], _weightiest(score.contradicting)[0]
        lines.append(f"{score.cause.name}: {good.says} But: {bad.says}")
    return tuple(lines)


# ---------------------------------------------------------------- the next check, computed


def _leaders(scores: list[_Score], standings: Mapping[str, str]) -> list[_Score]:
    """The causes that a check should separate: those that fit, filled up to three with the next ones."""
    fitting = [s for s in scores if standings[s.cause.id] in ("fits well", "fits")]
    next_ones = [s for s in scores if standings[s.cause.id] in ("possible", "can't tell") and s.net >= 0]
    return [*fitting, *next_ones][: max(min(LEADERS, len(fitting)), 3)]


def _checks(values: Mapping[str, Value], scores: list[_Score], standings: Mapping[str, str]) -> tuple[Check, ...]:
    """The unknown facts whose answers would change the order of the leading causes most for their effort.

    Each possible answer is tried: how much the leaders' distances move, how often another one comes first. The mean
    over the answers that differ in effect, divided by the effort, is what a check is worth.
    """
    leaders = _leaders(scores, standings)
    if not leaders:
        return ()
    rows = []
    names = {c.quantity for s in leaders for item in (*s.cause.supports, *s.cause.contradicts) for c in item.when}
    names |= {c.quantity for s in leaders for rule in s.cause.excludes for c in rule.when}
    before = [s.net for s in leaders]
    for name in sorted(names):
        quantity = quantities()[name]
        if name in values or quantity.origin == "measured" or _follows(name, values):
            continue
        outcomes: dict[tuple[float, ...], None] = {}
        for answer in _answers(quantity, leaders):
            trial = dict(values)
            trial[name] = answer
            if name in _COARSE and isinstance(answer, tuple):
                trial[_COARSE[name]] = tuple(quantity.classes[word] for word in answer)
            after = []
            for score in leaders:
                again = _score(score.cause, trial)
                after.append(-WEIGHTS["decisive"] * 2 if again.excluding else again.net)
            outcomes[tuple(after)] = None
        if len(outcomes) < 2:
            continue
        worth = sum(_change(before, after) for after in outcomes) / len(outcomes)
        if worth <= 0:
            continue
        separated = _separated(before, outcomes)
        if separated:
            rows.append((worth / EFFORT[quantity.effort], name, separated))
    rows.sort(key=lambda row: (-row[0], row[1]))
    checks, topics = [], set()
    for _, name, separated in rows:
        quantity = quantities()[name]
        if quantity.topic in topics:
            continue  # one question a topic: the same thing is not asked twice
        topics.add(quantity.topic)
        checks.append(
            Check(
                quantity=name,
                question=quantity.question or f"What is the {quantity.label.lower()}?",
                how=quantity.how,
                effort=quantity.effort,
                separates=tuple(leaders[i].cause.id for i in separated),
            )
        )
    return tuple(checks[:MOST_CHECKS])


_COARSE = {"observed_pit_shape": "observed_shape_class", "observed_pattern": "observed_pattern_class"}


def _follows(name: str, values: Mapping[str, Value]) -> bool:
    """A coarse word that the fine one brings anyway, or that is known already, is not asked."""
    fine = {coarse: word for word, coarse in _COARSE.items()}
    return name in fine or (name in _COARSE and _COARSE[name] in values)


def _answers(quantity: Quantity, leaders: list[_Score]) -> list[Value]:
    """Answers that can differ in effect: the choices, yes and no, or a number on each side of each threshold."""
    if quantity.kind == "flag":
        return [True, False]
    if quantity.kind == "choice":
        return [(word,) if quantity.multiple else word for word in quantity.choices]
    thresholds = set()
    for score in leaders:
        for item in (*score.cause.supports, *score.cause.contradicts, *score.cause.excludes):
            thresholds |= {c.value for c in item.when if c.quantity == quantity.id}
    if not thresholds:
        return []
    low, high = quantity.usual or quantity.possible
    edges = [min(low, *thresholds), *sorted(thresholds), max(high, *thresholds)]
    middles = [(a + b) / 2 for a, b in zip(edges, edges[1:], strict=False)]
    return sorted({*middles, *thresholds})


def _change(before: list[float], after: tuple[float, ...]) -> float:
    """How far the leaders' distances from the best one move, and twice as much where another comes first."""
    gaps_before = [max(before) - value for value in before]
    gaps_after = [max(after) - value for value in after]
    moved = sum(abs(a - b) for a, b in zip(gaps_before, gaps_after, strict=True))
    first_before, first_after = before.index(max(before)), list(after).index(max(after))
    return moved * (2.0 if first_before != first_after else 1.0)


def _separated(before: list[float], outcomes: Iterable[tuple[float, ...]]) -> list[int]:
    """The leaders that some answer moves against another one by a clear lead."""
    moved = set()
    for after in outcomes:
        shifts = [b - a for a, b in zip(before, after, strict=True)]
        for i, shift in enumerate(shifts):
            if any(abs(shift - other) >= CLEAR_LEAD for other in shifts):
                moved.add(i)
    return sorted(moved)


# ---------------------------------------------------------------- words

_PLASTIC = (
    "The piece is plastic. The rules here are for metal pipes, above all copper, so no cause is named; keep the piece "
    "with its print and ask the maker of the pipe or a laboratory for polymers."
)
_KEEP = (
    "Both halves of the piece, uncleaned, in a dry paper bag with date, place and TOP marked.",
    "Some decimetres of the pipe on both sides of the damage, with the nearest fitting.",
    "What falls off, in a separate bag; a litre of the first water of the morning.",
)


def _summary(findings: tuple[Finding, ...], checks: tuple[Check, ...], not_explained: bool) -> str:
    if not_explained:
        return (
            "No rule explains this damage. Keep the piece as it is, uncleaned, with its neighbours, for a laboratory."
        )
    leading = [f for f in findings if f.standing == "fits well"] or [f for f in findings if f.standing == "fits"]
    if not leading:
        possible = [f for f in findings if f.standing == "possible"][:3]
        if not possible:
            return "Too little is known to name a cause. " + _ask(checks)
        return f"Not enough is known to name a cause; possible: {_listed([f.name for f in possible], 'and')}. " + _ask(
            checks
        )
    names = _listed([f.name for f in leading[:3]], "or")
    word = "fits well" if leading[0].standing == "fits well" else "fits"
    text = f"What is known {word}: {names}."
    main = [f for f in findings if f.role == "main"]
    contributing = [f.name for f in findings if f.role == "contributing"]
    if main and contributing:
        text += f" {_listed(contributing, 'and')} may have added to it."
    if any(f.needs_laboratory for f in leading[:3]):
        text += " A section in a laboratory would tell." + (f" First: {checks[0].question}" if checks else "")
    elif checks and (len(leading) > 1 or leading[0].standing == "fits"):
        text += f" {_ask(checks)}"
    return text + " A photo never proves a cause."


def _ask(checks: tuple[Check, ...]) -> str:
    return f"What would tell most: {checks[0].question}" if checks else "Keep the piece uncleaned."


def _listed(words: list[str], joint: str) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {joint} {words[-1]}"


# ---------------------------------------------------------------- the table for the documentation


def rules_table() -> str:
    """Every rule in Markdown, one table a cause: what supports, contradicts and excludes it, weight and source."""
    lines = []
    for cause in causes().values():
        lines += [f"### {cause.name} (`{cause.id}`)", "", cause.technical, ""]
        if cause.cannot_be_told_from:
            others = ", ".join(causes()[other].name for other in cause.cannot_be_told_from)
            lines += [f"No photo separates it from: {others}.", ""]
        if cause.needs_laboratory:
            names = _listed([quantities()[c.quantity].label for c in cause.needs_laboratory], "or")
            lines += [f"Fits well only with: {names}.", ""]
        lines += ["| | Where | Weight | It says | Source |", "| --- | --- | --- | --- | --- |"]
        for word, items in (
            ("rules out", (*cause.applies, *cause.excludes)),
            ("supports", cause.supports),
            ("contradicts", cause.contradicts),
        ):
            for item in items:
                where = " and ".join(_condition_words(condition) for condition in item.when)
                weight = getattr(item, "weight", "")
                lines.append(f"| {word} | {where} | {weight} | {item.says} | {item.source} |")
        lines.append("")
    lines += ["Sources:", ""]
    lines += [f"- {source.id}: {cite((source.id,))}" for source in sources().values()]
    return "\n".join(lines) + "\n"


def _condition_words(condition: Condition) -> str:
    quantity = quantities()[condition.quantity]
    if isinstance(condition.value, tuple):
        shown = " / ".join(describe(quantity.id, word) for word in condition.value)
        return f"{quantity.label}: {shown}"
    op = {"==": "is", "!=": "is not"}.get(condition.op, condition.op)
    return f"{quantity.label} {op} {describe(quantity.id, condition.value)}"


# ---------------------------------------------------------------- the map of names


@cache
def causes_map() -> Mapping[str, object]:
    """``data/causes_map.toml``: verdict words of published cases and patterns of rendered photos against the causes."""
    text = resources.files("analyzer").joinpath("data/causes_map.toml").read_text(encoding="utf-8")
    return MappingProxyType(tomllib.loads(text))
