"""The errors that stop a step, and the register of quality flags that go with a result.

An error is one clear sentence that says what to do next. A flag is a note on a result: what is doubtful, which
figure suffers and how to do better. Every flag is stated once, in ``data/flags.toml``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from analyzer.base.datafile import data_table


class CutpipeError(Exception):
    """What a user can mend; its text is one sentence that says what to do next.

    CutpipeError
      PhotoError      the file cannot be used as a photo
      ScaleError      the marker asked for is not there, or cannot be right
      SurfaceError    no pipe is found in the photo
      InputError      a value typed or read from a file cannot be right
    """


class PhotoError(CutpipeError):
    """The file cannot be used as a photo."""


class ScaleError(CutpipeError):
    """The marker asked for is not in the photo, or its size cannot be right."""


class SurfaceError(CutpipeError):
    """No pipe surface is found where one was promised."""


class InputError(CutpipeError):
    """A value typed or read from a file cannot be right."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FlagKind:
    """One record of the register."""

    id: str
    severity: str  # "note", "warning" or "serious"
    message: str  # one sentence, may hold {detail}
    suffers: tuple[str, ...]  # the figures that suffer: scale, area, pits, bands, wall, causes
    remedy: str  # how to retake or what to enter


@dataclass(frozen=True, kw_only=True, slots=True)
class Flag:
    """A raised flag: the kind and the figures of this case."""

    id: str
    severity: str
    message: str
    suffers: tuple[str, ...]
    remedy: str


@cache
def register() -> dict[str, FlagKind]:
    """All kinds of flag by id, read from ``data/flags.toml``."""
    kinds = [
        FlagKind(
            id=row["id"],
            severity=row["severity"],
            message=row["message"],
            suffers=tuple(row["suffers"]),
            remedy=row["remedy"],
        )
        for row in data_table("flags")["flag"]
    ]
    by_id = {kind.id: kind for kind in kinds}
    if len(by_id) != len(kinds):
        raise ValueError("data/flags.toml states a flag twice")
    return by_id


def raise_flag(flag_id: str, detail: str = "") -> Flag:
    """The flag of that id; ``detail`` fills the message's place for this case's figures."""
    kind = register()[flag_id]
    return Flag(
        id=kind.id,
        severity=kind.severity,
        message=kind.message.format(detail=detail),
        suffers=kind.suffers,
        remedy=kind.remedy,
    )
