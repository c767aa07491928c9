"""What to do: next checks, remedies, monitoring, whom to call. See ``data/steps.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analyzer.causes import Judgement


@dataclass(frozen=True, kw_only=True)
class Step:
    id: str
    phase: str  # "now", "before cleaning", "next check", "remedy", "elsewhere in the house", "monitoring", "whom to call"
    title: str
    what: str
    why: str
    who: str  # homeowner, plumber, licensed electrician, water utility, laboratory, insurer
    effort: str
    caution: str
    source: str


def plan(quantities: Mapping[str, float | str | bool], judgement: Judgement) -> tuple[Step, ...]:
    """The steps in order, from the data."""
    raise NotImplementedError
