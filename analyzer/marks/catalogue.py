"""The pits and mounds of one photo: what is told of each, which of them count."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np

from analyzer.base.flags import Flag, raise_flag
from analyzer.base.measured import Measure
from analyzer.marks.general_attack import GeneralAttack
from analyzer.marks.number import SQUARELY_DEG, Marks, number_of_pits
from analyzer.piece.restrict import Kept
from analyzer.piece.surface import Surface

SMALLEST_MM = 0.30  # equivalent diameter of the smallest pit that is counted
SURE = 0.5  # below it a listed pit is called doubtful


@dataclass(frozen=True, kw_only=True)
class Pit:
    """One pit's mouth. Lengths in millimetres on the metal are None where the photo has no scale; pixel figures always stand."""

    id: int  # its label in ``PitCatalogue.labels``
    x_px: float  # centre of the mouth in the upright photo, pixel centres at integers
    y_px: float
    opening_area_px: float
    equivalent_diameter_px: float
    confidence: (
        float  # share of candidates like this one that were true pits on pictures with truth; see training notes
    )
    through: bool | None  # light or background seen through it; None where one photo cannot say
    obliquity_deg: float
    contrast: float  # CIELAB distance between the mouth and the ring round it
    axial_mm: float | None = None
    around_mm: float | None = None
    opening_area_mm2: Measure | None = None
    equivalent_diameter_mm: Measure | None = None
    length_mm: Measure | None = None
    width_mm: Measure | None = None
    orientation_deg: float | None = None  # of the long axis on the metal, from +axial towards +around, -90..90
    # Places in the list of photos looked at together of those that show it by themselves (a likelihood of a half or more).
    carried_by: tuple[int, ...] = ()
    by_hand: bool = False  # a person added or confirmed it; ``confidence`` is then 1 and no share of anything


@dataclass(frozen=True, kw_only=True)
class Mound:
    """A mound of corrosion product (tubercle): not a pit, but it may hide one."""

    id: int
    x_px: float
    y_px: float
    area_px: float
    colour_class: str
    axial_mm: float | None = None
    around_mm: float | None = None
    area_mm2: Measure | None = None


@dataclass(frozen=True, kw_only=True)
class PitCatalogue:
    """All pits and mounds of one photo. Nothing found is an empty catalogue."""

    pits: tuple[Pit, ...]
    mounds: tuple[Mound, ...]
    labels: np.ndarray  # (H, W) uint16 in the upright photo's frame; 0 is no pit
    # Estimate of the pits from the smallest counted size on metal seen squarely (see ``number``), with pits that nobody saw: not
    # the length of the list. None on a cut end, where none are sought.
    count: Measure | None
    smallest_counted_mm: float | None  # 0.3 mm where the picture resolves it, else larger; None without a scale
    evidence: str  # "learned", "close-up", "contrast" or, on a cut end, "none"
    evidence_version: str  # the weights' version, or the settings' name
    flags: tuple[Flag, ...] = ()
    marks: Marks | None = field(default=None, compare=False, repr=False)  # what ``count`` rests on
    attack: GeneralAttack | None = field(default=None, compare=False, repr=False)  # None where it cannot be said
    asked_through: tuple[
        int, ...
    ] = ()  # numbers of pits in which the ground behind may be seen: a question, no finding

    def may_go_through(self, pit: Pit) -> bool:
        """Whether it is asked of a pit, of which nothing else says whether it goes through, if one can look through it."""
        return pit.through is None and pit.id in self.asked_through

    @property
    def generally_attacked(self) -> bool:
        """Whether the metal is attacked so closely that its pits do not stand apart."""
        return self.attack is not None and self.attack.present

    @property
    def not_countable(self) -> str:
        """Why the pits have no number though they were sought, words that end a sentence; "" where they have one.

        Without a scale hardly any of a closely pocked metal's pits are told apart, so their number would stand for nothing.
        """
        if self.evidence in ("contrast", "close-up") and self.generally_attacked:
            return "the metal is pocked so closely that pits run into each other"
        return ""

    def counts(self, pit: Pit) -> bool:
        """Whether the pit is at or above the smallest counted size; without a scale every pit is."""
        size, smallest = pit.equivalent_diameter_mm, self.smallest_counted_mm
        return size is None or smallest is None or size.value >= smallest

    @property
    def counted(self) -> tuple[Pit, ...]:
        """The listed pits at or above the smallest size; smaller ones are listed and drawn all the same."""
        return tuple(pit for pit in self.pits if self.counts(pit))

    def restricted(self, kept: Kept) -> PitCatalogue:
        """Pits, mounds and doubtful marks whose middle lies on the metal that is left, under their own numbers."""
        pits = tuple(pit for pit in self.pits if kept.holds(pit.x_px, pit.y_px))
        labels = self.labels.copy()
        labels[~np.isin(labels, [pit.id for pit in pits])] = 0
        marks = self.marks
        if marks is not None:
            inside = [kept.holds(x, y) for x, y in zip(marks.x_px, marks.y_px, strict=True)]
            marks = marks.at(np.array(inside, bool))
        return self.with_pits(
            pits,
            attack=None if self.attack is None else self.attack.restricted(kept.surface),
            mounds=tuple(mound for mound in self.mounds if kept.holds(mound.x_px, mound.y_px)),
            labels=labels,
            marks=marks,
        )

    def with_pits(self, pits: tuple[Pit, ...], **others: Any) -> PitCatalogue:
        """The catalogue with other pits, its flags raised and its number of pits estimated anew for them."""
        of_the_list = (*flags_of(self.pits, self.smallest_counted_mm, self.evidence), *attack_flags(self.attack))
        kept = tuple(flag for flag in self.flags if flag not in of_the_list)
        other = replace(self, pits=pits, **others)
        flags = (
            *kept,
            *flags_of(pits, other.smallest_counted_mm, self.evidence),
            *attack_flags(other.attack),
        )
        return replace(other, flags=flags, count=other.estimated())

    def estimated(self) -> Measure | None:
        """The number of pits on metal seen squarely, from the pits that stand and the marks too doubtful to be listed."""
        if self.marks is None or self.not_countable:
            return None
        known = set(self.marks.pit.tolist())
        squarely = [pit for pit in self.counted if not pit.obliquity_deg > SQUARELY_DEG]
        return number_of_pits(
            self.marks,
            {pit.id: pit.confidence for pit in self.pits},
            [pit.id for pit in squarely if pit.by_hand and pit.id in known],
            sum(pit.by_hand and pit.id not in known for pit in squarely),
        )


class HasPlace(Protocol):
    """What lies at a place of the photo and has a width."""

    @property
    def id(self) -> int: ...
    @property
    def x_px(self) -> float: ...
    @property
    def y_px(self) -> float: ...
    @property
    def equivalent_diameter_px(self) -> float: ...


POINTED_AT_PX = 8.0  # a smaller pit is pointed at as if it were that wide: a judgement, no source


def pit_at(x_px: float, y_px: float, pits: Iterable[HasPlace]) -> int | None:
    """The number of the pit at a place of the photo: the nearest whose middle lies within its own width."""
    near = [
        (math.hypot(pit.x_px - x_px, pit.y_px - y_px) / max(pit.equivalent_diameter_px, POINTED_AT_PX), pit.id)
        for pit in pits
    ]
    distance, nearest = min(near, default=(math.inf, 0))
    return nearest if distance <= 1.0 else None


def flags_of(pits: Sequence[Pit], smallest_mm: float | None, evidence: str) -> tuple[Flag, ...]:
    """What is to be said of a list of pits: how they were found, the smallest that counts, whether most are doubtful."""
    flags: list[Flag] = []
    if evidence == "contrast":
        flags.append(raise_flag("pits_by_contrast"))
    if smallest_mm is not None and smallest_mm > SMALLEST_MM:
        flags.append(raise_flag("small_pits_not_counted", f"{smallest_mm:.2f}"))
    doubtful = sum(pit.confidence < SURE for pit in pits)
    if doubtful > len(pits) / 2:
        flags.append(raise_flag("pits_unsure", f"{doubtful} of {len(pits)}"))
    return tuple(flags)


def with_attack(found: PitCatalogue, attack: GeneralAttack | None) -> PitCatalogue:
    """The catalogue with what was seen of general attack, its number of pits estimated."""
    looked = replace(found, attack=attack, flags=(*found.flags, *attack_flags(attack)))
    return replace(looked, count=looked.estimated())


def attack_flags(attack: GeneralAttack | None) -> tuple[Flag, ...]:
    """Where the metal is attacked all over: what the number of pits then stands for."""
    if attack is None or not attack.present:
        return ()
    return (raise_flag("general_attack", f"{100 * attack.share.value:.0f} %"),)


def metal_per_pixel(surface: Surface, x_px: float, y_px: float) -> float:
    """Metal area that one pixel of the photo covers near a place (the nearest metal pixel's)."""
    left, top = surface.origin_px
    height, width = surface.metal.shape
    column, row = min(max(round(x_px) - left, 0), width - 1), min(max(round(y_px) - top, 0), height - 1)
    for reach in (0, 2, 8, 32):
        part = np.s_[max(0, row - reach) : row + reach + 1, max(0, column - reach) : column + reach + 1]
        metal = surface.metal[part]
        if metal.any():
            return float(np.median(surface.area_per_px[part][metal]))
    return float(np.median(surface.area_per_px[surface.metal]))
