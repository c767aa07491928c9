"""The rules held as data: one file a cause, read and validated once. See ``data/rules/*.toml``.

A rule file holds one cause: selectors that say whether the cause can be in play at all, conditions that support,
contradict or exclude it, each with a weight class and its own sentence, explanations, sources and worked cases.
A condition has three answers: it holds, it does not hold, or the quantity is not known.
"""

from __future__ import annotations

import operator
import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Literal

from pydantic import Field, ValidationError, model_validator

from analyzer.base.datafile import data_table
from analyzer.base.datarecord import DataRecord
from analyzer.base.words import listed
from analyzer.house.facts import Quantity, Value, describe, quantities

STANDINGS = ("fits well", "fits", "possible", "can't tell", "speaks against", "ruled out")

# Our own scale, each word twice the one before; no source.
WEIGHTS: Mapping[str, float] = MappingProxyType({"weak": 1.0, "moderate": 2.0, "strong": 4.0, "decisive": 8.0})


_COMPARE = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


class Condition(DataRecord):
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
            return isinstance(self.value, tuple) and any(word in self.value for word in several)
        if self.op == "in":
            return isinstance(self.value, tuple) and known in self.value
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


def _all_hold(conditions: Iterable[Condition], values: Mapping[str, Value]) -> bool | None:
    """True where all hold, False where one does not, else None."""
    answers = [condition.holds(values) for condition in conditions]
    if False in answers:
        return False
    return None if None in answers else True


class Item(DataRecord):
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
        return _all_hold(self.when, values)

    @property
    def about(self) -> str:
        return self.topic or quantities()[self.when[0].quantity].topic


class Exclusion(DataRecord):
    when: tuple[Condition, ...] = Field(min_length=1)
    says: str = Field(min_length=10)
    source: str

    def holds(self, values: Mapping[str, Value]) -> bool | None:
        return _all_hold(self.when, values)


class WorkedCase(DataRecord):
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


class Cause(DataRecord):
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
    needs_told: tuple[str, ...] = ()  # no more than possible until one of these is known: hot, cold, wet outside
    remedy_asks: tuple[str, ...] = ()  # what decides its remedy, most telling first
    supports: tuple[Item, ...]
    contradicts: tuple[Item, ...]
    excludes: tuple[Exclusion, ...] = ()
    cases: tuple[WorkedCase, ...]

    @model_validator(mode="after")
    def _whole(self) -> Cause:
        if {case.name for case in self.cases} != {"fires", "contradicts", "not known"}:
            raise ValueError("three worked cases are due: fires, contradicts, not known")
        for name in (*self.needs_told, *self.remedy_asks):
            if name not in quantities():
                raise ValueError(f"no quantity '{name}' in data/quantities.toml")
        for key in self.sources:
            if key not in sources():
                raise ValueError(f"no source '{key}' in data/rule_sources.toml")
        return self


class Source(DataRecord):
    id: str
    text: str
    status: Literal["read", "memory", "practice"]


@cache
def sources() -> Mapping[str, Source]:
    """Sources of the rules by key."""
    return MappingProxyType({row["id"]: Source.model_validate(row) for row in data_table("rule_sources")["source"]})


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
            names = listed([quantities()[c.quantity].label for c in cause.needs_laboratory], "or")
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
