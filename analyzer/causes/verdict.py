"""What a reader of a judgement gets: findings with their reasons, checks, a summary."""

from __future__ import annotations

from dataclasses import dataclass


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
    by_circumstance: bool = False  # nothing but circumstance speaks for it: what this house would allow
    tied_with: tuple[str, ...] = ()  # causes of the same standing that what is known does not tell from it
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
