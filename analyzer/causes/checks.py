"""The next check, computed: the unknown fact whose answers would change the ranking most for their effort."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from analyzer.causes.evidence import is_damage, may_be_asked
from analyzer.causes.rules import WEIGHTS
from analyzer.causes.score import CLEAR_LEAD, Score, net_where
from analyzer.causes.verdict import Check
from analyzer.house.facts import COARSE, Quantity, Value, quantities

# What a check costs a person against the others, and how far it is looked: our own rule, no source.
EFFORT: Mapping[str, float] = MappingProxyType({"ask": 1.0, "look": 1.5, "measure": 3.0, "laboratory": 8.0})
MOST_CHECKS = 8
EXCLUDED_NET = -2 * WEIGHTS["decisive"]  # of a cause that an answer rules out: below all that stand
LEADERS = 5  # causes whose order a check is asked to settle


def _leaders(scores: list[Score], standings: Mapping[str, str]) -> list[Score]:
    """The causes that a check should separate: the first ones, and none that trails the first by a strong fact."""
    standing = [s for s in scores if standings[s.cause.id] in ("fits well", "fits")]
    open_ones = [s for s in scores if standings[s.cause.id] in ("possible", "can't tell") and s.net >= 0]
    if not standing and not open_ones:
        return []
    first = max((s.net for s in standing), default=max((s.net for s in open_ones), default=0.0))
    near = [s for s in (*standing, *open_ones) if s.net > first - WEIGHTS["strong"]]
    if len(near) < 2 and not any(standings[s.cause.id] == "fits well" for s in near):
        near = [*standing, *open_ones][:2]  # what could still overtake the only one
    return near[:LEADERS]


def checks_for(values: Mapping[str, Value], scores: list[Score], standings: Mapping[str, str]) -> tuple[Check, ...]:
    """The unknown facts most likely to change the first cause, or its remedy, for their effort.

    Each possible answer is tried, and those that differ in effect are counted alike: nothing says which is likelier.
    What counts is the share of them after which another cause comes first or a tie is broken; that the answer decides
    the first cause's remedy counts as half of that; how far the leaders move settles what is equal. Our own rule.
    """
    leaders = _leaders(scores, standings)
    if not leaders:
        return ()
    rows = []
    names = {c.quantity for s in leaders for item in (*s.cause.supports, *s.cause.contradicts) for c in item.when}
    names |= {c.quantity for s in leaders for rule in s.cause.excludes for c in rule.when}
    remedy = leaders[0].cause.remedy_asks if standings[leaders[0].cause.id] in ("fits well", "fits") else ()
    names |= set(remedy)
    before = [s.net for s in leaders]
    for name in sorted(names):
        quantity = quantities()[name]
        if name in values or not quantity.told or _follows(name, values) or not may_be_asked(name, values):
            continue
        nets = [net_where(score, {name, COARSE.get(name)}) for score in leaders]
        outcomes: dict[tuple[float, ...], None] = {}
        for answer in _answers(quantity, leaders):
            trial = dict(values)
            trial[name] = answer
            if name in COARSE and isinstance(answer, tuple):
                trial[COARSE[name]] = tuple(quantity.classes[str(word)] for word in answer)
            after = (net(trial) for net in nets)
            outcomes[tuple(EXCLUDED_NET if net is None else net for net in after)] = None
        separated = _separated(before, outcomes) if len(outcomes) > 1 else []
        worth = sum(_first_changes(before, after) for after in outcomes) / len(outcomes) if separated else 0.0
        moved = sum(_moved(before, after) for after in outcomes) / len(outcomes) if separated else 0.0
        if name in remedy:
            worth += 0.5 - 0.05 * remedy.index(name)
        if separated or name in remedy:
            rows.append(((worth + 0.01 * moved) / EFFORT[quantity.effort], name, separated or [0]))
    # While nothing fits, a laboratory has nothing to settle yet; and where no damage is described that tells one cause
    # from another, that comes first: circumstance alone lets nothing fit.
    fits = any(standings[s.cause.id] in ("fits well", "fits") for s in leaders)
    described = any(s.damage_for for s in leaders)

    def order(row: tuple[float, str, list[int]]) -> tuple[bool, bool, float, str]:
        worth, name, _ = row
        dear = not fits and quantities()[name].effort == "laboratory"
        return dear, not described and not is_damage(name), -worth, name

    rows.sort(key=order)
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
    thresholds: set[float] = set()
    for score in leaders:
        conditions = [c for item in (*score.cause.supports, *score.cause.contradicts) for c in item.when]
        conditions += [c for rule in score.cause.excludes for c in rule.when]
        thresholds |= {
            float(c.value) for c in conditions if c.quantity == quantity.id and isinstance(c.value, (int, float))
        }
    span = quantity.usual or quantity.possible
    if not thresholds or span is None:
        return []
    low, high = span
    edges = [min(low, *thresholds), *sorted(thresholds), max(high, *thresholds)]
    middles = [(a + b) / 2 for a, b in zip(edges, edges[1:], strict=False)]
    return sorted({*middles, *thresholds})


def _first_changes(before: list[float], after: tuple[float, ...]) -> float:
    """1 where another cause comes first, or where one of several that stood alike takes a clear lead; else 0."""
    first_before, first_after = before.index(max(before)), after.index(max(after))
    if first_before != first_after:
        return 1.0
    tied_before = sum(1 for value in before if value > max(before) - CLEAR_LEAD)
    tied_after = sum(1 for value in after if value > max(after) - CLEAR_LEAD)
    return 1.0 if tied_before > 1 and tied_after == 1 else 0.0


def _moved(before: list[float], after: tuple[float, ...]) -> float:
    """How far the leaders' distances from the best one move."""
    return sum(abs((max(before) - b) - (max(after) - a)) for b, a in zip(before, after, strict=True))


def _separated(before: list[float], outcomes: Iterable[tuple[float, ...]]) -> list[int]:
    """The leaders that some answer moves against another one by a clear lead."""
    moved = set()
    for after in outcomes:
        shifts = [b - a for a, b in zip(before, after, strict=True)]
        for i, shift in enumerate(shifts):
            if any(abs(shift - other) >= CLEAR_LEAD for other in shifts):
                moved.add(i)
    return sorted(moved)
