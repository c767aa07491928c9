"""Sentences that people read, by name: they stand in ``data/words.toml``, one home for all rooms that speak.

Rules and steps carry their own sentences in their own data; flags in theirs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from types import MappingProxyType

from analyzer.base.datafile import data_table


@cache
def _book() -> Mapping[str, Mapping[str, str]]:
    return MappingProxyType({room: MappingProxyType(rows) for room, rows in data_table("words").items()})


def say(key: str, **values: object) -> str:
    """The sentence ``room.name`` with its places filled; KeyError for a sentence or a place that is not there."""
    room, name = key.split(".")
    return _book()[room][name].format(**values)


def sentences(room: str) -> Mapping[str, str]:
    """All sentences of a room as they stand in the data, places unfilled."""
    return _book()[room]


def listed(words: Sequence[str], joint: str = "and") -> str:
    """Words as people list them; empty for none.

    >>> listed(["a", "b", "c"], "or")
    'a, b or c'
    """
    if not words:
        return ""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {joint} {words[-1]}"
