"""Why it failed: the rules judged against what was measured and told."""

from __future__ import annotations

from collections.abc import Mapping

from analyzer.base.words import say, sentences
from analyzer.causes.checks import checks_for
from analyzer.causes.reasons import conflicts_among, finding_of
from analyzer.causes.rules import STANDINGS, WEIGHTS
from analyzer.causes.score import CLEAR_LEAD, Score, all_scores, only_photo, standing_of
from analyzer.causes.verdict import Judgement
from analyzer.causes.words import summary_of
from analyzer.house.facts import Value, quantities


def judge(quantities: Mapping[str, float | str | bool], *, material: str = "copper") -> Judgement:
    """Rank the causes by what is known; an unknown quantity neither supports nor contradicts.

    ``quantities``: measured, told and derived ones by the ids of ``data/quantities.toml``; others are left out.
    ``material`` goes for the piece unless the facts name one; "unknown" where nobody knows. Plastic is declined.
    """
    values = _known(quantities, material)
    if values.get("material") == "plastic":
        return Judgement(findings=(), checks=(), summary=say("causes.plastic"), not_explained=False)
    scores = all_scores(values)
    photo_only = only_photo(values)
    standings = {s.cause.id: standing_of(s, photo_only=photo_only, rivals=scores, values=values) for s in scores}
    # Stable: within one standing the order of the evidence stays.
    scores.sort(key=lambda s: STANDINGS.index(standings[s.cause.id]))
    roles = _roles(scores, standings)
    out = frozenset(cause for cause, word in standings.items() if word == "ruled out")
    findings = tuple(
        finding_of(s, standings[s.cause.id], roles.get(s.cause.id, ""), values, _tied(s, scores, standings), out)
        for s in scores
    )
    not_explained = _not_explained(values, scores, standings)
    gas = values.get("service") == "gas_supply"  # what to do is not for a program, and no question comes before leaving
    checks = () if gas else checks_for(values, scores, standings)
    return Judgement(
        findings=findings,
        checks=checks,
        summary=(say("causes.gas") + (" " + say("causes.not_explained") if not_explained else ""))
        if gas
        else summary_of(findings, checks, not_explained),
        not_explained=not_explained,
        conflicts=conflicts_among(scores, standings),
        keep=tuple(sentences("causes_keep").values()) if not_explained else (),
    )


def _known(given: Mapping[str, Value], material: str) -> dict[str, Value]:
    values = {name: value for name, value in given.items() if name in quantities() and value is not None}
    if "material" not in values and material in quantities()["material"].choices:
        values["material"] = material
    # The side of a photo without a pit in it says where was looked, not which side was attacked.
    # What a photo may answer as well as a person counts as seen only where it says that there is something.
    seen = values.get("general_attack_seen") is True or any(
        quantities()[name].group == "seen" and quantities()[name].origin != "either" for name in values
    )
    if values.get("pit_count") == 0 and not values.get("through_hole_count") and not seen:
        values.pop("side_attacked", None)
    return values


def _tied(score: Score, scores: list[Score], standings: Mapping[str, str]) -> tuple[str, ...]:
    standing = standings[score.cause.id]
    if standing not in ("fits well", "fits", "possible"):
        return ()
    return tuple(
        other.cause.id
        for other in scores
        if other is not score and standings[other.cause.id] == standing and abs(other.net - score.net) < CLEAR_LEAD
    )


def _not_explained(values: Mapping[str, Value], scores: list[Score], standings: Mapping[str, str]) -> bool:
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


def _roles(scores: list[Score], standings: Mapping[str, str]) -> dict[str, str]:
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
