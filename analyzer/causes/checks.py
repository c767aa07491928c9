"""The next check, computed: the unknown fact whose answers would change the ranking most for their effort."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from analyzer.causes.rules import WEIGHTS
from analyzer.causes.score import CLEAR_LEAD, Score, score_of
from analyzer.causes.verdict import Check
from analyzer.house.facts import COARSE, Quantity, Value, quantities

EFFORT: Mapping[str, float] = MappingProxyType({"ask": 1.0, "look": 1.5, "measure": 3.0, "laboratory": 8.0})
MOST_CHECKS = 8
LEADERS = 5  # causes whose order a check is asked to settle


def _leaders(scores: list[Score], standings: Mapping[str, str]) -> list[Score]:
    """The causes that a check should separate: those that fit, filled up to three with the next ones."""
    fitting = [s for s in scores if standings[s.cause.id] in ("fits well", "fits")]
    next_ones = [s for s in scores if standings[s.cause.id] in ("possible", "can't tell") and s.net >= 0]
    return [*fitting, *next_ones][: max(min(LEADERS, len(fitting)), 3)]


def checks_for(values: Mapping[str, Value], scores: list[Score], standings: Mapping[str, str]) -> tuple[Check, ...]:
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
            if name in COARSE and isinstance(answer, tuple):
                trial[COARSE[name]] = tuple(quantity.classes[word] for word in answer)
            after = []
            for score in leaders:
                again = score_of(score.cause, trial)
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


def _follows(name: str, values: Mapping[str, Value]) -> bool:
    """A coarse word that the fine one brings anyway, or that is known already, is not asked."""
    fine = {coarse: word for word, coarse in COARSE.items()}
    return name in fine or (name in COARSE and COARSE[name] in values)


def _answers(quantity: Quantity, leaders: list[Score]) -> list[Value]:
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
