"""A second examiner's own look at the unmarked photo, and how far it agrees with the first result: this piece's own error rate.

The second marks pits without having seen the first result. What both see is agreed on; what only one sees is a miss of the one
or a mistake of the other. Nobody marks what is no pit, so there is no count of places on which both agree that there is none, and
Cohen's kappa, which needs it, is not defined. Agreement on pits alone is, as the positive specific agreement.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.special import betaincinv

from analyzer.base.flags import InputError
from analyzer.base.text import one_line, shown
from analyzer.base.tomlfile import read_table
from analyzer.marks.catalogue import Pit, PitCatalogue
from analyzer.piece.surface import Surface

MOST_PX = 1e5  # no photo is as wide
MOST_MARKS = 5000
# A photo shown 800 pixels wide is pointed at within some 2 of them: a judgement, no source.
POINTING_SHARE = 0.0025
FEWEST_SHARED = 7  # below, Chapman's estimate is biased low (Robson and Regier 1964, from memory)
_FIELDS = {"points_px", "diameter_px"}
TEMPLATE = """# A second look: mark every pit that you see on unmarked.png, without having seen the first result.
# Pixels stand along the edges of the picture; x to the right, y down.
who = ""
when = ""
unseen = false         # write true: I had not seen the first result

# For each pit two points across its mouth, or one point and its width in pixels. No [[mark]] at all: you saw none.
# [[mark]]
# points_px = [[812, 640], [830, 641]]
# [[mark]]
# points_px = [[1020, 455]]
# diameter_px = 14
"""


@dataclass(frozen=True, kw_only=True)
class SecondLook:
    """What a second person marked on the unmarked photo, before seeing any result.

    ``marks_px``: x, y of each pit's middle and its width, in pixels of the upright photo; none is an answer too.
    """

    marks_px: tuple[tuple[float, float, float], ...]
    who: str = ""
    when: str = ""


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """How a second look and the first result agree, on the metal that was looked at and from the smallest size that counts.

    ``first`` is what stands after the first examiner's corrections; where that person judged no pit it is the program's own result
    (``first_is_program``). Counts of pits; ``interval_95`` of the specific agreement is exact (Clopper and Pearson 1934).
    """

    who: str
    when: str
    marks: int  # as told
    off_the_metal: int  # of the marks, those where no metal was looked at; they are not compared
    both: int
    only_first: int
    only_second: int
    second_and_program: int  # of ``only_second``, those that the program had found and the first took out
    only_program: int  # found by the program, taken out by the first, not marked by the second
    first_is_program: bool
    specific_agreement: float | None  # None where neither saw a pit
    specific_agreement_95: tuple[float, float] | None
    expected_in_all: float | None  # if both had looked independently (Chapman 1951); None where they share too few

    @property
    def first(self) -> int:
        return self.both + self.only_first

    @property
    def second(self) -> int:
        return self.both + self.only_second


def read_second_look(path: str | Path) -> SecondLook:
    """A second look from a TOML file: ``who``, ``when``, ``unseen = true`` and a ``[[mark]]`` for each pit.

    A mark has two ``points_px`` across the pit's mouth, or one and ``diameter_px``. Raises InputError naming what cannot be right.
    """
    document = read_table(path, what="second look")
    unknown = set(document) - {"who", "when", "unseen", "mark"}
    if unknown:
        raise InputError(
            f"The file {path} may hold who, when, unseen and [[mark]] tables; take {shown(', '.join(sorted(unknown)))} out."
        )
    if document.get("unseen") is not True:
        raise InputError(
            f"{path} does not say unseen = true: only marks made before seeing the first result tell how sure it is. If you had "
            "not seen it, write that line; else let somebody mark who has not."
        )
    rows = document.get("mark", [])
    if not isinstance(rows, list):
        raise InputError(f"Write each pit in {path} as a [[mark]] table.")
    who, when = (document.get(name, "") for name in ("who", "when"))
    marks = [_mark(row, number) for number, row in enumerate(rows, 1)]
    return make_second_look(marks, who=str(who), when=str(when))


def make_second_look(marks_px: Iterable[Sequence[float]], *, who: str = "", when: str = "") -> SecondLook:
    """A checked SecondLook from x, y and width of each mark. Raises InputError."""
    checked = []
    for number, mark in enumerate(marks_px, 1):
        try:
            x, y, width = (float(value) for value in mark)
        except (TypeError, ValueError, OverflowError):
            raise InputError(f"Mark {number} of the second look is not x, y and width in pixels.") from None
        if not (abs(x) < MOST_PX and abs(y) < MOST_PX and 1 <= width < MOST_PX):  # nan too
            raise InputError(
                f"Mark {number} of the second look cannot be right: x and y lie in the photo, the width is 1 pixel or more."
            )
        checked.append((x, y, width))
    if len(checked) > MOST_MARKS:
        raise InputError(f"The second look has more than {MOST_MARKS} marks; mark single pits only.")
    return SecondLook(marks_px=tuple(checked), who=one_line(who, longest=200), when=one_line(when, longest=200))


def _mark(row: Any, number: int) -> tuple[float, float, float]:
    def wrong(what: str) -> InputError:
        return InputError(f"Mark {number}: {what}.")

    if not isinstance(row, Mapping) or set(row) - _FIELDS:
        raise wrong("it has points_px and, with one point alone, diameter_px; nothing else")
    try:
        points = [(float(x), float(y)) for x, y in row.get("points_px", ())]
        told = None if row.get("diameter_px") is None else float(row["diameter_px"])
    except (TypeError, ValueError, OverflowError):
        raise wrong("points_px is [[x, y], ...] and diameter_px a number") from None
    if len(points) == 1 and told is not None:
        return (*points[0], told)
    if len(points) == 2 and told is None and points[0] != points[1]:
        (x1, y1), (x2, y2) = points
        return (x1 + x2) / 2, (y1 + y2) / 2, math.dist(*points)
    raise wrong("it has two different points across the pit's mouth, or one point and diameter_px")


def agreement(
    look: SecondLook,
    *,
    first: PitCatalogue,
    program: PitCatalogue,
    surface: Surface,
    longest_px: int,
    first_is_program: bool,
) -> Agreement:
    """Compare a second look with the ``first`` result and the ``program``'s own, on the ``surface`` as it was looked at.

    A mark and a pit are the same where one's middle lies within the other's mouth, as far as a person points exactly on a
    photo of ``longest_px``; each goes with one other at most, so that as many as can be agree and lie as near as can be. Of a pair
    one has to be of the size that counts.
    """
    pointing = POINTING_SHARE * longest_px
    marks = [mark for mark in look.marks_px if _on_the_metal(surface, mark[0], mark[1], pointing)]
    counts = [_large_enough(mark[2], first, surface) for mark in marks]
    with_first = pairs(marks, first.pits, pointing_px=pointing)
    with_program = pairs(marks, program.pits, pointing_px=pointing)
    counted = {pit.id for pit in first.counted}
    both = sum(counts[at] or pit.id in counted for at, pit in with_first.items())
    taken = {pit.id for pit in with_first.values()}
    only_first = len(counted - taken)
    alone = [at for at in range(len(marks)) if at not in with_first and counts[at]]
    standing = {pit.id for pit in first.pits}
    marked = {pit.id for pit in with_program.values()}
    removed = {
        pit.id
        for pit in program.counted
        if pit.id not in standing and _on_the_metal(surface, pit.x_px, pit.y_px, pointing)
    }  # a pit that was left out with its metal is nobody's word against it
    specific, interval = specific_agreement(both, only_first, len(alone))
    return Agreement(
        who=look.who,
        when=look.when,
        marks=len(look.marks_px),
        off_the_metal=len(look.marks_px) - len(marks),
        both=both,
        only_first=only_first,
        only_second=len(alone),
        second_and_program=sum(at in with_program and with_program[at].id in removed for at in alone),
        only_program=len(removed - marked),
        first_is_program=first_is_program,
        specific_agreement=specific,
        specific_agreement_95=interval,
        expected_in_all=expected_in_all(both + only_first, both + len(alone), both) if both >= FEWEST_SHARED else None,
    )


def pairs(marks: Sequence[tuple[float, float, float]], pits: Sequence[Pit], *, pointing_px: float) -> dict[int, Pit]:
    """Which pit each mark (by its place in the sequence) is; one to one, with the least distances in all."""
    if not marks or not pits:
        return {}
    at, wide = np.array([mark[:2] for mark in marks]), np.array([mark[2] for mark in marks])
    there = np.array([(pit.x_px, pit.y_px) for pit in pits])
    mouths = np.array([pit.equivalent_diameter_px for pit in pits])
    apart = np.hypot(*(at[:, None, :] - there[None, :, :]).transpose(2, 0, 1))
    reach = np.maximum(wide[:, None], mouths[None, :]) / 2 + pointing_px
    far = 1e3 * MOST_PX  # dearer than any number of pairs: as many as can be are made
    rows, columns = linear_sum_assignment(np.where(apart <= reach, apart, far))
    return {
        int(row): pits[column]
        for row, column in zip(rows, columns, strict=True)
        if apart[row, column] <= reach[row, column]
    }


def specific_agreement(both: int, only_first: int, only_second: int) -> tuple[float | None, tuple[float, float] | None]:
    """Positive specific agreement 2 a / (2 a + b + c) and its 95 % interval; None where neither saw anything.

    It is the chance that one sees what the other has seen (Cicchetti and Feinstein 1990, J Clin Epidemiol 43: 551), the same as
    the F-measure, and what kappa comes to where agreement on nothing has no bound (Hripcsak and Rothschild 2005, J Am Med Inform
    Assoc 12: 296). The interval follows from the exact one (Clopper and Pearson 1934) of the share a / (a + b + c), of
    which it is a rising function.

    >>> specific_agreement(8, 1, 1)[0]
    0.8888888888888888
    """
    seen = both + only_first + only_second
    if not seen:
        return None, None
    low = float(betaincinv(both, seen - both + 1, 0.025)) if both else 0.0
    high = float(betaincinv(both + 1, seen - both, 0.975)) if both < seen else 1.0
    return 2 * both / (2 * both + only_first + only_second), (2 * low / (1 + low), 2 * high / (1 + high))


def expected_in_all(first: int, second: int, both: int) -> float:
    """How many there are if two looked independently: (n1 + 1)(n2 + 1) / (m + 1) - 1 (Chapman 1951).

    Two who look at one photo miss the same faint pits, so it is rather too small.

    >>> round(expected_in_all(10, 15, 5), 1)
    28.3
    """
    return (first + 1) * (second + 1) / (both + 1) - 1


def _on_the_metal(surface: Surface, x_px: float, y_px: float, reach_px: float) -> bool:
    """Whether there is metal that was looked at within ``reach_px`` of a place of the photo."""
    column, row = x_px - surface.origin_px[0], y_px - surface.origin_px[1]
    rows, columns = (slice(max(0, round(v - reach_px)), max(0, round(v + reach_px) + 1)) for v in (row, column))
    return bool(surface.metal[rows, columns].any())


def _large_enough(width_px: float, catalogue: PitCatalogue, surface: Surface) -> bool:
    smallest, scale = catalogue.smallest_counted_mm, surface.mm_per_px
    return smallest is None or scale is None or width_px * scale.value >= smallest
