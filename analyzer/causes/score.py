"""How far the rules speak for and against each cause, and where that makes it stand.

What is not known neither supports nor contradicts. Facts of one topic (say: shape) count once for a cause, by the
weightiest of them, so that the same thing said twice does not weigh twice. The weights are ranks of evidence, not
probabilities: nothing calibrates one, so no figure of them is shown. Nothing is taken from how often a cause occurs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import TypeVar

from analyzer.causes.evidence import shows_damage
from analyzer.causes.rules import WEIGHTS, Cause, Exclusion, Item, causes
from analyzer.house.facts import Value, quantities

# A cause fits from FITS points over what speaks against it, out of two topics; it fits well from FITS_WELL, out of
# three, with a strong fact and nothing of weight against it. Our own rule of reading, no source.
FITS, FITS_WELL = 5.0, 9.0
# Two causes closer than this are not told apart by what is known.
CLEAR_LEAD = 2.0
# Damage that speaks alike for more causes than this beside the one in question separates nothing (our own rule, no source).
MOST_ALIKE = 3


_Fact = TypeVar("_Fact", Item, Exclusion)


@dataclass(frozen=True, kw_only=True)
class Score:
    cause: Cause
    supporting: tuple[Item, ...]
    contradicting: tuple[Item, ...]
    excluding: tuple[Exclusion, ...]
    points_for: float
    points_against: float
    heaviest_for: float
    heaviest_against: float
    topics_for: int
    damage_for: Mapping[str, float]  # by topic, the weightiest damage that speaks for it

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


def score_of(cause: Cause, values: Mapping[str, Value]) -> Score:
    supporting = tuple(item for item in cause.supports if item.holds(values))
    contradicting = tuple(item for item in cause.contradicts if item.holds(values))
    excluding = tuple(rule for rule in (*cause.applies, *cause.excludes) if rule.holds(values))
    best_for, best_against = by_topic(supporting), by_topic(contradicting)
    damage = [item for item in supporting if shows_damage(item, values)]
    return Score(
        cause=cause,
        supporting=supporting,
        contradicting=contradicting,
        excluding=excluding,
        points_for=sum(best_for.values()),
        points_against=sum(best_against.values()),
        heaviest_for=max(best_for.values(), default=0.0),
        heaviest_against=max(best_against.values(), default=0.0),
        topics_for=sum(1 for weight in best_for.values() if weight >= WEIGHTS["moderate"]),
        damage_for=by_topic(damage),
    )


def net_where(score: Score, changed: Set[str | None]) -> Callable[[Mapping[str, Value]], float | None]:
    """A quick way to the net of ``score_of(score.cause, values)``, or None where the cause is then excluded.

    It holds for ``values`` that differ from those that ``score`` was made of in the quantities ``changed`` alone: what reads none of
    these stands as it stood, so that many answers are tried for the price of the few facts that they touch.
    """

    def parted(items: Iterable[_Fact], before: Iterable[_Fact]) -> tuple[list[_Fact], list[_Fact]]:
        """Those that hold whatever the answer, and those that depend on it."""
        touched = [item for item in items if any(condition.quantity in changed for condition in item.when)]
        open_ones = {id(item) for item in touched}
        return [item for item in before if id(item) not in open_ones], touched

    cause = score.cause
    excluded, may_exclude = parted((*cause.applies, *cause.excludes), score.excluding)
    speaking, may_speak = parted(cause.supports, score.supporting)
    against, may_contradict = parted(cause.contradicts, score.contradicting)

    def net(values: Mapping[str, Value]) -> float | None:
        if excluded or any(rule.holds(values) for rule in may_exclude):
            return None
        best_for = by_topic((*speaking, *(item for item in may_speak if item.holds(values))))
        best_against = by_topic((*against, *(item for item in may_contradict if item.holds(values))))
        return sum(best_for.values()) - sum(best_against.values())

    return net


def separating_weight(score: Score, rivals: Iterable[Score]) -> float:
    """The weightiest damage that speaks for this cause and for few others beside it; 0 where none does.

    Causes that are ruled out, and those that the rule file calls alike, are no others here: nothing seen separates them.
    """
    others = [r for r in rivals if r is not score and not r.excluding and not _alike(score, r)]
    heaviest = 0.0
    for topic, weight in score.damage_for.items():
        if weight < WEIGHTS["moderate"]:
            continue
        alike = sum(1 for other in others if other.damage_for.get(topic, 0.0) >= weight)
        if alike <= MOST_ALIKE:
            heaviest = max(heaviest, weight)
    return heaviest


def _alike(one: Score, other: Score) -> bool:
    return other.cause.id in one.cause.cannot_be_told_from or one.cause.id in other.cause.cannot_be_told_from


def by_topic(items: Iterable[Item]) -> dict[str, float]:
    best: dict[str, float] = {}
    for item in items:
        best[item.about] = max(best.get(item.about, 0.0), WEIGHTS[item.weight])
    return best


def reaches_fits(score: Score) -> bool:
    """Enough over what speaks against it, out of two topics unless a decisive fact speaks, and none decisive against."""
    alone = score.topics_for < 2 and score.heaviest_for < WEIGHTS["decisive"]
    return score.net >= FITS and not alone and score.heaviest_against < WEIGHTS["decisive"]


def standing_of(score: Score, *, photo_only: bool, rivals: Sequence[Score], values: Mapping[str, Value]) -> str:
    if score.excluding:
        return "ruled out"
    if not score.supporting and not score.contradicting:
        return "can't tell"
    if score.net < 0 or not score.supporting:
        return "speaks against"
    # a picture alone lifts no cause to "fits"
    if not reaches_fits(score) or photo_only or _untold(score, values):
        return "possible"
    separating = separating_weight(score, rivals)
    if not separating:
        return "possible"
    if (
        score.net < FITS_WELL
        or score.topics_for < 3
        or separating < WEIGHTS["strong"]
        or score.heaviest_against >= WEIGHTS["moderate"]
        or laboratory_due(score.cause, values)
    ):
        return "fits"
    proved = bool(score.cause.needs_laboratory)  # its laboratory fact is known, or it would have stopped above
    # A cause cannot fit well while a rival stands about as high, nor while one that looks alike still fits.
    for rival in rivals:
        if rival is score or rival.excluding:
            continue
        if rival.net > score.net - CLEAR_LEAD or (_alike(score, rival) and not proved and reaches_fits(rival)):
            return "fits"
    return "fits well"


def _untold(score: Score, values: Mapping[str, Value]) -> bool:
    """The cause needs hot, cold or outside water, and nobody told it; a laboratory's word on the piece goes before."""
    needs = score.cause.needs_told
    proved = any(c.holds(values) for c in score.cause.needs_laboratory)
    return bool(needs) and not proved and not any(name in values for name in needs)


def laboratory_due(cause: Cause, values: Mapping[str, Value]) -> bool:
    return bool(cause.needs_laboratory) and not any(c.holds(values) for c in cause.needs_laboratory)


def all_scores(values: Mapping[str, Value]) -> list[Score]:
    return sorted((score_of(cause, values) for cause in causes().values()), key=lambda score: score.order)


def only_photo(values: Mapping[str, Value]) -> bool:
    """Nothing told but what the piece is: metal, size, marks."""
    return not any(
        quantities()[name].origin == "told" and quantities()[name].topic not in ("material", "size", "record")
        for name in values
    )
