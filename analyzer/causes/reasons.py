"""The reasons behind a standing, in the rules' own sentences with the value that they met."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from analyzer.base.words import say
from analyzer.causes.rules import WEIGHTS, Cause, Condition, Exclusion, Item, cite
from analyzer.causes.score import Score, laboratory_due
from analyzer.causes.verdict import Finding, Reason
from analyzer.house.facts import COARSE, Value, describe, quantities


def finding_of(
    score: Score,
    standing: str,
    role: str,
    values: Mapping[str, Value],
    tied_with: tuple[str, ...] = (),
    ruled_out: frozenset[str] = frozenset(),
) -> Finding:
    cause = score.cause
    against = tuple(_exclusion_reason(rule, values) for rule in score.excluding) + tuple(
        _reason(item, values) for item in weightiest(score.contradicting)
    )
    due = laboratory_due(cause, values)
    technical = cause.technical
    if due and standing in ("fits", "possible"):
        technical += say("causes.laboratory_due")
    return Finding(
        cause=cause.id,
        name=cause.name,
        standing=standing,
        plain=cause.plain,
        technical=technical,
        facts_for=tuple(_reason(item, values) for item in weightiest(score.supporting)),
        facts_against=against,
        facts_not_known=_not_known(cause, values) if not score.excluding else (),
        role=role,
        cannot_be_told_from=tuple(other for other in cause.cannot_be_told_from if other not in ruled_out),
        sources=tuple(cite((key,)) for key in cause.sources),
        needs_laboratory=due,
        by_circumstance=bool(score.supporting) and not score.damage_for,
        tied_with=tied_with,
    )


def weightiest(items: Iterable[Item]) -> list[Item]:
    """The items, weightiest first; of several about the same fact only the weightiest, and no sentence twice."""
    kept: list[Item] = []
    seen: set[object] = set()
    for item in sorted(items, key=lambda item: -WEIGHTS[item.weight]):
        quantity = item.when[0].quantity
        marks = {(item.about, COARSE.get(quantity, quantity)), item.says}  # a fine word and its coarse one are one look
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
        value = _met(value, condition)
    elif isinstance(value, str) and not isinstance(condition.value, tuple):
        return sentence
    words = describe(condition.quantity, value)
    if words.lower() in sentence.lower():
        return sentence
    return f"{sentence.removesuffix('.')} ({words})."


def _met(words: tuple[object, ...], condition: Condition) -> tuple[str, ...]:
    """Of several words those that the condition names."""
    named = condition.value if isinstance(condition.value, tuple) else ()
    return tuple(str(word) for word in words if word in named)


def _as_read(condition: Condition, values: Mapping[str, Value]) -> float | str | bool:
    """The value that the condition met; of several words those that it names."""
    value = values[condition.quantity]
    if isinstance(value, tuple):
        return ", ".join(_met(value, condition))
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


def conflicts_among(scores: list[Score], standings: Mapping[str, str]) -> tuple[str, ...]:
    lines = []
    for score in scores:
        if standings[score.cause.id] not in ("fits", "possible") or score.net < WEIGHTS["moderate"]:
            continue
        if min(score.heaviest_for, score.heaviest_against) < WEIGHTS["strong"]:
            continue
        good, bad = weightiest(score.supporting)[0], weightiest(score.contradicting)[0]
        lines.append(say("causes.but", cause=score.cause.name, good=good.says, bad=bad.says))
    return tuple(lines)
