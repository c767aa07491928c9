"""The leak record in the facts: dates or yearly counts in a window of the pipe's life."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from analyzer.base.flags import InputError
from analyzer.base.words import say


@dataclass(frozen=True, kw_only=True)
class LeakRecord:
    """Leaks in a window of the pipe's life; times are ages of the pipe in any one unit (years for a house).

    Either ``times`` (one for each leak, rising) or ``counts`` (start, end, number; adjoining) is given.
    """

    start: float  # the window: before it, nothing is known
    end: float
    times: tuple[float, ...] | None = None
    counts: tuple[tuple[float, float, int], ...] | None = None
    ends_on_leak: bool = False  # the record stops at its last leak, not at a date
    notes: tuple[str, ...] = ()  # what was assumed to read the facts

    def __post_init__(self) -> None:
        if (self.times is None) == (self.counts is None):
            raise ValueError("give either times or counts")
        if not 0.0 <= self.start < self.end:
            raise InputError("The leak record must end after it begins: check its first and last date.")
        if self.times is not None:
            if any(not self.start <= t <= self.end for t in self.times):
                raise InputError(
                    "A leak lies outside of the time that the record covers: check its date and the record's dates."
                )
            if self.start == 0.0 and any(t == 0.0 for t in self.times):
                raise InputError(
                    "A leak at the very beginning of the pipe's life has no place in the model: leave it out."
                )
            if list(self.times) != sorted(self.times):
                raise ValueError("times must rise")
        for low, high, number in self.counts or ():
            if not (low < high and number >= 0):
                raise InputError("Counts need a beginning, a later end and a number of 0 or more.")

    @property
    def number(self) -> int:
        return len(self.times) if self.times is not None else sum(n for _, _, n in self.counts or ())

    @property
    def years(self) -> float:
        return self.end - self.start


# ---------------------------------------------------------------- from the facts


def read_record(quantities: Mapping[str, Any]) -> LeakRecord | None:
    """The leak record in the facts, in years of the pipe's age; None where no leaks are told.

    Dates go before yearly counts. The pipe's age gives the origin; without it the record's beginning does, and a note says
    so. A record whose beginning is not known begins with its first leak, which then is not counted: with one leak alone there
    is no record. InputError where dates contradict one another.
    """
    dates = quantities.get("leak_dates")
    counts = quantities.get("leaks_by_year")
    if not dates and not counts:
        return None
    told_from, told_to = quantities.get("history_from"), quantities.get("history_to")
    begin = None if told_from is None else _decimal_year(told_from)
    finish = None if told_to is None else _decimal_year(told_to)
    notes: list[str] = []
    leaks: list[float] | None
    rows: list[tuple[float, float, int]] | None
    if dates:
        leaks = sorted(_decimal_year(d) for d in dates)
        if begin is None and quantities.get("made_year") is not None:
            begin = float(quantities["made_year"])
            notes.append(say("leak_record.from_made_year"))
        elif begin is None and quantities.get("age_years") is not None:
            begin = (finish if finish is not None else leaks[-1]) - float(quantities["age_years"])
            notes.append(say("leak_record.from_age"))
        if begin is None:
            begin = leaks[0]
            notes.append(say("leak_record.from_unknown"))
        if leaks[0] == begin:
            leaks = [t for t in leaks if t > begin]
            notes.append(say("leak_record.first_not_counted"))
            if not leaks:
                return None
        ends_on_leak = False
        if finish is None:
            ends_on_leak, finish = True, leaks[-1]
            notes.append(say("leak_record.ends_on_leak"))
        rows = None
    else:
        by_year = dict(counts or ())
        first, last = min(by_year), max(by_year)
        if begin is None:
            begin = float(first)
            notes.append(say("leak_record.from_first_year", year=first))
        finish = float(last + 1) if finish is None else finish
        if finish <= begin or begin >= first + 1 or finish < last:
            raise InputError("The yearly counts lie outside of history_from and history_to: check the years.")
        rows = []
        for year in range(math.floor(begin), math.ceil(finish)):
            low, high = max(float(year), begin), min(float(year + 1), finish)
            if high > low:
                rows.append((low, high, int(by_year.get(year, 0))))
        missing = [str(y) for y in range(first, last) if y not in by_year]
        if missing:
            notes.append(say("leak_record.years_without", years=", ".join(missing)))
        leaks, ends_on_leak = None, False
    origin = _origin(quantities, begin, finish, notes)
    return LeakRecord(
        start=begin - origin,
        end=finish - origin,
        times=tuple(t - origin for t in leaks) if leaks is not None else None,
        counts=tuple((low - origin, high - origin, n) for low, high, n in rows) if rows is not None else None,
        ends_on_leak=ends_on_leak,
        notes=tuple(notes),
    )


def _origin(quantities: Mapping[str, Any], begin: float, finish: float, notes: list[str]) -> float:
    if quantities.get("made_year") is not None:
        laid = float(quantities["made_year"])
    elif quantities.get("age_years") is not None:
        laid = finish - float(quantities["age_years"])
    else:
        notes.append(say("leak_record.age_not_known"))
        return begin
    if laid > begin:
        notes.append(say("leak_record.younger"))
        return begin
    return laid


def _decimal_year(value: Any) -> float:
    day = value if isinstance(value, date) else date.fromisoformat(str(value))
    return day.year + (day - date(day.year, 1, 1)).days / ((date(day.year + 1, 1, 1) - date(day.year, 1, 1)).days)
