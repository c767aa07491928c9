"""Is this photo good enough: one line, and the one thing that would do most for the next one."""

from __future__ import annotations

from dataclasses import dataclass

from analyzer.base import display
from analyzer.result.examination import Examination
from analyzer.show import phrases

# What spoils most comes first; flags of the same weight stand in the order in which they were raised.
_WEIGHT = {"serious": 0, "warning": 1}
_OF_THE_PHOTO = {"scale", "area", "pits", "bands"}


@dataclass(frozen=True, kw_only=True)
class PhotoLine:
    """``verdict`` is "good", "fair" or "poor"; both others are sentences, ``better`` empty where nothing need be done."""

    verdict: str
    sentence: str
    better: str


def photo_line(examination: Examination, units: str = "metric") -> PhotoLine:
    """What the photo is good for, before any figure is read."""
    doubts = sorted(
        (flag for flag in examination.flags if flag.severity in _WEIGHT and _OF_THE_PHOTO & set(flag.suffers)),
        key=lambda flag: _WEIGHT[flag.severity],
    )
    if not doubts:
        return PhotoLine(
            verdict="good",
            sentence=f"This photo is good enough. {phrases.scale_in_short(examination)}.",
            better="",
        )
    worst = doubts[0]
    poor = worst.severity == "serious" or not examination.shown.countable
    more = len(doubts) - 1
    also = f" ({more} more below)" if more else ""
    begin = "This photo is not good enough" if poor else "This photo will do, with a limit"
    return PhotoLine(
        verdict="poor" if poor else "fair",
        sentence=display.sentence(f"{begin}{also}: {worst.message}", units),
        better=display.sentence(worst.remedy, units),
    )
