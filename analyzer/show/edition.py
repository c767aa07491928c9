"""For whom and on what a report is made: units, paper, and whose case it is."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Literal

from analyzer.base.text import LONGEST_NAME, one_line

Paper = Literal["a4", "letter"]
LONGEST_NOTE = 2000  # signs of one note in a report (a judgement, no source); the log holds the whole of it


@dataclass(frozen=True, kw_only=True)
class CaseData:
    """What a person says of the case; empty where it is not said. Cleaned as every text that a person typed."""

    id: str = ""  # the case's own, given by the program
    name: str = ""
    place: str = ""
    who: str = ""  # examined by
    when: str = ""
    claim: str = ""  # the insurer's number
    firm: str = ""
    logo: bytes = b""  # of the firm, PNG or JPEG

    def __post_init__(self) -> None:
        for part in fields(self):
            if part.name == "logo":
                continue
            object.__setattr__(self, part.name, one_line(getattr(self, part.name), longest=LONGEST_NAME))

    @property
    def rows(self) -> tuple[tuple[str, str], ...]:
        """Each field with its heading, in the order of the page."""
        return (
            ("Case", self.name),
            ("Place", self.place),
            ("Examined by", ", ".join(part for part in (self.who, self.firm) if part)),
            ("Date", self.when),
            ("Claim", self.claim),
        )

    @property
    def short(self) -> str:
        """What stands on every page; empty where nothing is known of the case."""
        parts = (self.name, f"claim {self.claim}" if self.claim else "", f"case {self.id[:12]}" if self.id else "")
        return ", ".join(part for part in parts if part)


@dataclass(frozen=True, kw_only=True)
class Kept:
    """One item of the series of photographs and records, and whether the case holds it."""

    id: str
    title: str
    there: str | None  # what is there, in a few words
    missing: bool | None  # None: not known
    why: str  # it matters
    source: str


@dataclass(frozen=True, kw_only=True)
class _Typed:
    """Words of one line each, all cleaned as every text that a person typed."""

    def __post_init__(self) -> None:
        for part in fields(self):
            object.__setattr__(self, part.name, one_line(getattr(self, part.name), longest=300))


@dataclass(frozen=True, kw_only=True)
class HandedOn(_Typed):
    """One hand-over of the piece."""

    when: str
    what: str
    by: str
    to: str


@dataclass(frozen=True, kw_only=True)
class Noted:
    """A remark that was kept, and where on the upright photo it belongs. Cleaned as every text that a person typed."""

    when: str
    text: str
    by: str
    x_px: float | None = None
    y_px: float | None = None

    def __post_init__(self) -> None:
        for name, longest in (("when", 40), ("text", LONGEST_NOTE), ("by", LONGEST_NAME)):
            object.__setattr__(self, name, one_line(getattr(self, name), longest=longest))


@dataclass(frozen=True, kw_only=True)
class StepDone(_Typed):
    """A step that was ticked off."""

    step: str
    when: str
    by: str


@dataclass(frozen=True, kw_only=True)
class Edition:
    units: str = "metric"
    paper: Paper | None = None  # None: A4, with US units Letter
    case: CaseData = field(default_factory=CaseData)
    series: tuple[Kept, ...] = ()  # of a kept case
    hand_overs: tuple[HandedOn, ...] = ()
    notes: tuple[Noted, ...] = ()
    steps_done: tuple[StepDone, ...] = ()

    @property
    def sheet(self) -> Paper:
        return self.paper or ("a4" if self.units == "metric" else "letter")
