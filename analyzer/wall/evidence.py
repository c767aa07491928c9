"""Evidence for what is left of the wall, by source: what each of them saw, at which pit, and how they agree.

Best first: gauge readings, a cut ring, several lights from one pose, a through-hole seen (nothing is left there), and last the
opening alone, which gives a wide indicative range.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol, runtime_checkable

from analyzer.base import display
from analyzer.base.flags import Flag, InputError, raise_flag
from analyzer.base.measured import COVERAGE_95, Measure, difference, in_range, repeated
from analyzer.marks.catalogue import Pit, PitCatalogue, pit_at
from analyzer.ring.cut_ring import Ring
from analyzer.wall.readings import METHODS, Reading, Readings

# Depth by mouth diameter where only the opening is seen: 0.5 is a half sphere. ASTM G46 draws mouths from wide and shallow to
# narrow and deep without figures, and no published spread was found for copper: the range is a judgement, no source.
SHAPE_RANGE = (0.1, 2.0)
SHAPE_MIDDLE = 0.5
EVIDENCE_ORDER = ("gauge", "ring", "several lights", "through-hole", "opening only")
# An indicative range over more than this share of the wall says nothing: what is left is then not known (a judgement).
SAYS_NOTHING = 0.8


@runtime_checkable
class DepthSource(Protocol):
    """What ``wall`` takes from pictures with several lights or a back light (``analyzer.relief.lights``)."""

    @property
    def pit_depths_mm(self) -> Mapping[int, Measure]:
        """Depth below the sound metal round it, by pit id; a pit that cannot be measured is not there."""

    @property
    def through(self) -> Mapping[int, bool]:
        """Whether light came through, by pit id; a pit whose place was not lit from behind is not there."""

    @property
    def holes(self) -> Sequence[object]:
        """Places where light came through the wall and no pit was found."""


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """One piece of evidence on the wall of the section."""

    kind: str  # one of EVIDENCE_ORDER, or "sound wall"
    sentence: str
    remaining_mm: Measure | None  # at the worst place that this evidence knows
    weakest_link: str

    @property
    def indicative(self) -> bool:
        return self.kind == "opening only"


@dataclass(frozen=True, kw_only=True)
class PitDepth:
    """Depth and remaining wall at one pit, and what they rest on. ``contradicted``: two measured sources did not agree."""

    depth_mm: Measure | None
    remaining_mm: Measure | None
    evidence: str
    indicative: bool
    contradicted: bool = False


@dataclass
class Draft:
    evidence: list[Evidence] = field(default_factory=list)
    flags: list[Flag] = field(default_factory=list)


def combine(measures: Sequence[Measure]) -> tuple[Measure, bool]:
    """One value from measures of the same thing, best source first: (measure, contradicted).

    The best source's value stands and its interval is never narrowed: agreement with a worse source is a comfort, not a proof
    that errors are independent. Where another source disagrees beyond both uncertainties (95 %), the interval grows to hold
    both and the pair counts as contradicted.
    """
    best = measures[0]
    low, high = best.interval_95
    contradicted = False
    for other in measures[1:]:
        other_low, other_high = other.interval_95
        apart = abs(best.value - other.value)
        limit = COVERAGE_95 * math.hypot(best.standard_uncertainty, other.standard_uncertainty)
        disjoint = other_low > best.interval_95[1] or other_high < best.interval_95[0]
        if disjoint or (apart > limit and limit > 0.0):
            contradicted = True
            low, high = min(low, other_low), max(high, other_high)
    if not contradicted:
        return best, False
    return best.widened(low, high, "contradicting evidence"), True


def less(sound: Measure, depth: Measure) -> Measure:
    """Remaining wall: sound wall less depth, never below zero; interval and standard uncertainty agree (see ``difference``)."""
    return difference(sound, depth, least=0.0, source="nothing is the least that can be left")


def depth_from_opening(diameter_mm: float, thickest_mm: float | None) -> Measure:
    """The indicative range of a pit's depth from its mouth: 0.1 to 2 diameters (a judgement, see SHAPE_RANGE), at most the wall."""
    low, high = SHAPE_RANGE[0] * diameter_mm, SHAPE_RANGE[1] * diameter_mm
    value = SHAPE_MIDDLE * diameter_mm
    if thickest_mm is not None:
        low, value, high = min(low, thickest_mm), min(value, thickest_mm), min(high, thickest_mm)
    return in_range(low, high, "shape of the pit", value=value)


def sound_wall(nominal: Measure | None, readings: Readings, draft: Draft) -> Measure | None:
    """The wall before attack: caliper readings of sound metal where there are any, else the nominal one."""
    sound = readings.of("sound_wall")
    if not sound:
        return nominal
    values = [reading.measure for reading in sound]
    one = max(m.standard_uncertainty for m in values)
    measured = repeated([m.value for m in values], one, ("reading of the sound wall", "scatter of the sound wall"))
    mean = measured.value
    draft.evidence.append(
        Evidence(
            kind="sound wall",
            sentence=f"Sound wall measured at {len(values)} place{'s' if len(values) > 1 else ''}: {mean:.3f} mm.",
            remaining_mm=None,
            weakest_link=_link(sound[0]),
        )
    )
    if nominal is None:
        return measured
    low, high = nominal.interval_95
    least, most = measured.interval_95
    if least > high:
        draft.flags.append(
            raise_flag("wall_above_nominal", f"{mean:.3f} mm of sound wall against at most {high:.3f} mm")
        )
        return combine([measured, nominal])[0]
    if most < low:
        draft.flags.append(raise_flag("readings_disagree", f"sound wall {mean:.3f} mm, nominal at least {low:.3f} mm"))
        return combine([measured, nominal])[0]
    return measured


def _link(reading: Reading) -> str:
    known = METHODS.get(reading.method)
    return known.weakest_link if known else "the method is not described"


def bound(readings: Readings, pits: Sequence[Pit]) -> Readings:
    """The readings with the numbers that their pits have in this look: a reading whose place is known belongs to the pit that lies there.

    A place without a pit has no number any more and is asked about; a reading that only has a number keeps it.
    """
    kept, flags = [], list(readings.flags)
    for reading in readings.readings:
        if reading.kind == "pit" and reading.x_px is not None and reading.y_px is not None:
            number = pit_at(reading.x_px, reading.y_px, pits)
            if reading.pit is not None and number is not None and number != reading.pit:
                flags.append(raise_flag("reading_moved", f"pit {reading.pit} then, {number} now"))
            reading = replace(reading, pit=number)
        kept.append(reading)
    return Readings(readings=tuple(kept), flags=tuple(flags))


def flag_contradictions(gauge: Mapping[int, Sequence[Reading]], draft: Draft) -> None:
    """Two readings of one place differ by less than 1.96 times the root of both variances in 95 of 100 cases (ISO 5725-6, 4.1)."""
    for number, group in gauge.items():
        least, most = (choose(group, key=lambda reading: reading.depth_mm or 0.0) for choose in (min, max))
        apart = most.measure.value - least.measure.value
        if apart > COVERAGE_95 * math.hypot(least.measure.standard_uncertainty, most.measure.standard_uncertainty):
            where = f"pit {number}" if number > 0 else "a place without a number"
            draft.flags.append(
                raise_flag("readings_of_a_pit_disagree", f"{where}: {least.depth_mm:.2f} and {most.depth_mm:.2f} mm")
            )


def match(readings: Sequence[Reading], pits: PitCatalogue, draft: Draft) -> dict[int, tuple[Reading, ...]]:
    """Readings by pit id; those that fall on no found pit under negative numbers."""
    by_id = {pit.id: pit for pit in pits.pits}
    found: dict[int, list[Reading]] = {}
    loose = 0
    for reading in readings:
        key = reading.pit
        if key is not None and key not in by_id:
            known = f"1 to {max(by_id)}" if by_id else "none was found"
            raise InputError(f"A reading names pit {key}, which is not in the report ({known}); check the number.")
        if key is None and (reading.x_px is None or reading.y_px is None):  # told as the deepest, without saying which
            loose += 1
            key = -loose
        elif key is None:
            assert reading.x_px is not None and reading.y_px is not None
            nearest = pit_at(reading.x_px, reading.y_px, pits.pits)
            if nearest is not None:
                key = nearest
            else:
                loose += 1
                key = -loose
                draft.flags.append(raise_flag("reading_no_pit", f"at {reading.x_px:.0f}, {reading.y_px:.0f} px"))
        found.setdefault(key, []).append(reading)
    return {key: tuple(group) for key, group in found.items()}


def _deepest_reading(group: Sequence[Reading]) -> Measure:
    """Repeated readings of one pit: the deepest counts, since a needle can only miss the deepest point; contradicting ones widen it."""
    measures = sorted((reading.measure for reading in group), key=lambda measure: measure.value, reverse=True)
    return combine(measures)[0]


def pit_depth(
    pit: Pit, gauge: Sequence[Reading], relief: DepthSource | None, sound: Measure | None, draft: Draft
) -> PitDepth | None:
    measures: list[Measure] = []
    kinds: list[str] = []
    if gauge:
        measures.append(_deepest_reading(gauge))
        kinds.append("gauge")
    if relief is not None and pit.id in relief.pit_depths_mm:
        measures.append(relief.pit_depths_mm[pit.id])
        kinds.append("several lights")
    through = _through(pit, relief)
    if through:
        zero = Measure(value=0.0, interval=(0.0, 0.0))
        depth = measures[0] if measures else sound
        return PitDepth(depth_mm=depth, remaining_mm=zero, evidence="through-hole", indicative=False)
    if measures:
        depth, contradicted = combine(measures)
        if contradicted:
            draft.flags.append(
                raise_flag(
                    "readings_disagree",
                    f"pit {pit.id}: {kinds[0]} {measures[0].value:.2f} mm, {kinds[1]} {measures[1].value:.2f} mm deep",
                )
            )
        remaining = None if sound is None else less(sound, depth)
        if sound is not None and depth.value > sound.interval_95[1]:
            draft.flags.append(
                raise_flag(
                    "depth_beyond_wall",
                    f"pit {pit.id}: {depth.value:.2f} mm deep, the wall at most {sound.interval_95[1]:.2f} mm",
                )
            )
        return PitDepth(
            depth_mm=depth,
            remaining_mm=remaining,
            evidence=" and ".join(kinds),
            indicative=False,
            contradicted=contradicted,
        )
    if pit.equivalent_diameter_mm is None:
        return None
    thickest = None if sound is None else sound.interval_95[1]
    depth = depth_from_opening(pit.equivalent_diameter_mm.value, thickest)
    remaining = None
    if sound is not None:
        low = max(0.0, sound.interval_95[0] - depth.interval_95[1])
        high = max(0.0, sound.interval_95[1] - depth.interval_95[0])
        value = min(max(sound.value - depth.value, low), high)
        remaining = in_range(low, high, "shape of the pit", value=value)
    return PitDepth(depth_mm=depth, remaining_mm=remaining, evidence="opening only", indicative=True)


def _through(pit: Pit, relief: DepthSource | None) -> bool | None:
    """Light from behind overrules one photo."""
    if relief is not None and pit.id in relief.through:
        return relief.through[pit.id]
    return pit.through


def lit_from_behind(relief: DepthSource | None) -> bool:
    return relief is not None and bool(relief.through or relief.holes)


def perforated(
    pits: PitCatalogue, relief: DepthSource | None, readings: Readings, depths: Mapping[int, PitDepth]
) -> bool | None:
    seen = [_through(pit, relief) for pit in pits.pits]
    if any(seen) or any(reading.wall_mm == 0.0 for reading in readings.of("thin_wall")):
        return True
    if relief is not None and relief.holes:
        return True
    if relief is not None and lit_from_behind(relief) and all(pit.id in relief.through for pit in pits.pits):
        return False
    return None


def gauge_evidence(
    readings: Readings, gauge: Mapping[int, Sequence[Reading]], pits: PitCatalogue, sound: Measure | None, draft: Draft
) -> None:
    thin = readings.of("thin_wall")
    if thin:
        least = min(thin, key=lambda reading: reading.mm)
        low, high = least.measure.interval_95
        draft.evidence.append(
            Evidence(
                kind="gauge",
                sentence=f"Thinnest place by {least.method}: {least.mm:.3f} mm ({len(thin)} reading{'s' if len(thin) > 1 else ''}).",
                remaining_mm=least.measure.widened(max(low, 0.0), high, "reading"),
                weakest_link=_link(least),
            )
        )
    if not gauge:
        return
    deepest = max((_deepest_reading(group) for group in gauge.values()), key=lambda measure: measure.value)
    reading = max((r for group in gauge.values() for r in group), key=lambda r: r.mm)
    found = {pit.id for pit in pits.pits}
    left = len(found - set(gauge))
    link = _link(reading)
    if left:
        link = f"{left} of {len(found)} pits were not measured; {link}"
    draft.evidence.append(
        Evidence(
            kind="gauge",
            sentence=(
                f"Deepest of {len(gauge)} pit{'s' if len(gauge) > 1 else ''} measured by {reading.method}: {deepest.value:.3f} mm"
                + ("." if sound is not None else "; the wall is not known.")
            ),
            remaining_mm=None if sound is None else less(sound, deepest),
            weakest_link=link,
        )
    )


def ring_evidence(ring: Ring, nominal: Measure | None, draft: Draft) -> None:
    minimum, mean, largest = ring.minimum_mm, ring.mean_mm, ring.maximum_mm
    assert minimum is not None and mean is not None
    draft.evidence.append(
        Evidence(
            kind="ring",
            sentence=(
                f"Cut ring: {minimum.value:.3f} mm at the thinnest place, {mean.value:.3f} mm on average "
                f"(scale from the {ring.scale_source})."
            ),
            remaining_mm=minimum,
            weakest_link="one cut shows one place along the pipe; burr and glare move its edges",
        )
    )
    if nominal is not None and largest is not None and largest.interval_95[0] > nominal.interval_95[1]:
        draft.flags.append(
            raise_flag(
                "wall_above_nominal",
                f"{largest.value:.2f} mm in the ring against at most {nominal.interval_95[1]:.2f} mm",
            )
        )


def light_evidence(
    pits: PitCatalogue, depths: Mapping[int, PitDepth], relief: DepthSource | None, draft: Draft
) -> None:
    if relief is None or not relief.pit_depths_mm:
        return
    # pits that only the lights know; what a gauge measured stands under its own name
    known = [
        (d.remaining_mm, d.depth_mm)
        for k, d in depths.items()
        if k in relief.pit_depths_mm and d.evidence == "several lights"
        if d.remaining_mm is not None and d.depth_mm is not None
    ]
    if not known:
        return
    remaining, depth = min(known, key=lambda pair: pair[0].value)
    draft.evidence.append(
        Evidence(
            kind="several lights",
            sentence=f"Light from several sides: the deepest of {len(known)} pits is {depth.value:.2f} mm deep.",
            remaining_mm=remaining,
            weakest_link="narrow pits lie in their own shadow, where nothing is seen of the floor",
        )
    )


def opening_evidence(depths: Mapping[int, PitDepth], sound: Measure | None, draft: Draft) -> None:
    """What the mouths alone leave open at the worst place; a range over nearly all of the wall says nothing, and then so."""
    known = [d.remaining_mm for d in depths.values() if d.indicative and d.remaining_mm is not None]
    if not known or sound is None:
        return
    low = min(measure.interval_95[0] for measure in known)
    high = min(measure.interval_95[1] for measure in known)
    value = min(max(min(measure.value for measure in known), low), high)
    made = in_range(low, high, "shape of the pit", value=value)
    says_nothing = high - low > SAYS_NOTHING * sound.interval_95[1]
    span = f"{display.interval(made, 'length_mm')} mm"
    draft.evidence.append(
        Evidence(
            kind="opening only",
            sentence=(
                "Nothing measured the depth. From the mouths alone a pit may be a tenth to twice as deep as it is wide, "
                + (
                    f"so anything from {span} may be left at the worst place: that is not known."
                    if says_nothing
                    else f"so {span} may be left at the worst place: indicative only."
                )
            ),
            remaining_mm=None if says_nothing else made,
            weakest_link="a photo shows the mouth of a pit, not its depth",
        )
    )
