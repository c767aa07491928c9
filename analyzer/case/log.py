"""The case's log: append-only entries, each of which names the hash of the one before.

An entry has an open part (what was done) and a private part (names, places). The hash covers the open part as it is and the
private part by salted digests, so that a log without the private values can still be checked, and with them too. The
entry's hash is SHA-256 over its JSON with sorted keys and no spaces, in UTF-8.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from analyzer.base.flags import InputError

FIRST = "0" * 64  # what the first entry names as the one before
# 128 bits, the least that NIST SP 800-132 asks of a salt (from memory).
SALT_BYTES = 16


def canonical(value: Any) -> bytes:
    """The one way that a value is written before it is hashed. Raises ValueError for what JSON cannot hold (NaN too)."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def _digest(salt: str, value: Any) -> str:
    return hashlib.sha256(canonical([salt, value])).hexdigest()


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One change of a case. ``private`` maps a field to (salt, value); empty in a log from which names were left out."""

    number: int  # from 1, no gaps
    when: str  # ISO 8601 with the offset to UTC, as the computer's clock said
    kind: str
    content: Mapping[str, Any]
    sealed: Mapping[str, str]  # private field to the digest of its salt and value
    before: str  # hash of the entry before
    private: Mapping[str, tuple[str, Any]] = field(default_factory=dict)

    @property
    def hash(self) -> str:
        body = [self.number, self.when, self.kind, dict(self.content), dict(self.sealed), self.before]
        return hashlib.sha256(canonical(body)).hexdigest()

    @property
    def who(self) -> str:
        return str(self.known("who") or "")

    def known(self, name: str) -> Any:
        """A private value; None where it was not told or was left out."""
        return self.private[name][1] if name in self.private else None

    def without_private(self) -> Entry:
        return Entry(
            number=self.number,
            when=self.when,
            kind=self.kind,
            content=self.content,
            sealed=self.sealed,
            before=self.before,
        )

    def as_json(self) -> dict[str, Any]:
        return {
            "number": self.number,
            "when": self.when,
            "kind": self.kind,
            "content": dict(self.content),
            "sealed": dict(self.sealed),
            "private": {name: list(pair) for name, pair in self.private.items()},
            "before": self.before,
            "hash": self.hash,
        }


def make_entry(
    kind: str,
    content: Mapping[str, Any],
    *,
    private: Mapping[str, Any] | None = None,
    when: str,
    last: Entry | None,
) -> Entry:
    """The entry that follows ``last``. Private values that are empty are left out."""
    told = {name: value for name, value in (private or {}).items() if value not in (None, "")}
    salted = {name: (secrets.token_hex(SALT_BYTES), value) for name, value in told.items()}
    return Entry(
        number=1 if last is None else last.number + 1,
        when=when,
        kind=kind,
        content=json.loads(canonical(content)),  # a copy of plain data: nothing outside can change it later
        sealed={name: _digest(*pair) for name, pair in salted.items()},
        before=FIRST if last is None else last.hash,
        private=salted,
    )


def to_lines(entries: Iterable[Entry], *, private: bool = True) -> str:
    """The log as text, one entry a line."""
    return "".join(canonical((e if private else e.without_private()).as_json()).decode() + "\n" for e in entries)


def from_lines(text: str) -> tuple[Entry, ...]:
    """Read a log. Raises InputError where it is not one; whether it is whole is for ``faults`` to say."""
    entries = []
    for row, line in enumerate(text.splitlines(), 1):
        try:
            raw = json.loads(line)
            entry = Entry(
                number=raw["number"],
                when=raw["when"],
                kind=raw["kind"],
                content=dict(raw["content"]),
                sealed=dict(raw["sealed"]),
                before=raw["before"],
                private={name: (str(pair[0]), pair[1]) for name, pair in raw["private"].items()},
            )
            told = raw["hash"]
            entry_hash = entry.hash
        except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError):
            raise InputError(f"Line {row} of the log is not an entry; the log was damaged or changed.") from None
        if told != entry_hash:
            raise InputError(f"Entry {row} of the log was changed after it was written: its hash does not fit.")
        entries.append(entry)
    return tuple(entries)


def faults(entries: Iterable[Entry]) -> tuple[str, ...]:
    """What is wrong with a log, a sentence each; empty where each entry follows from the one before."""
    said, last = [], None
    for place, entry in enumerate(entries, 1):
        if entry.number != place:
            said.append(f"Entry {place} of the log calls itself {entry.number}: entries are missing or were put in.")
        if entry.before != (FIRST if last is None else last.hash):
            said.append(f"Entry {place} of the log does not follow from the one before it: the log was changed.")
        for name, pair in entry.private.items():
            if entry.sealed.get(name) != _digest(*pair):
                said.append(f"The {name} of entry {place} in the log was changed after it was written.")
        last = entry
    return tuple(said)
