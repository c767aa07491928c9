"""How much wall is left: every kind of evidence for depth, combined without pretending, and what follows for pressure and time.

One plain photo cannot see depth. Evidence, best first: gauge readings, a cut ring, several lights from one pose, a through-hole
seen (nothing is left there), and last the opening alone, which gives a wide indicative range and carries no statement on strength.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol, runtime_checkable

import numpy as np

from analyzer.base import display
from analyzer.base.flags import Flag, InputError, raise_flag
from analyzer.base.measured import COVERAGE_95, Measure
from analyzer.house.tables import Tube, rows
from analyzer.marks.pits import Pit, PitCatalogue
from analyzer.piece.surface import Surface
from analyzer.ring.cut_ring import Ring
from analyzer.wall import capacity as strength
from analyzer.wall import extremes
from analyzer.wall.readings import METHODS, Reading, Readings

# Depth by mouth diameter where only the opening is seen: 0.5 is a half sphere. ASTM G46 draws mouths from wide and shallow to
# narrow and deep without figures, and no published spread was found for copper: the range is a judgement, no source.
SHAPE_RANGE = (0.1, 2.0)
SHAPE_MIDDLE = 0.5
EVIDENCE_ORDER = ("gauge", "ring", "several lights", "through-hole", "opening only")


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


@dataclass(frozen=True, kw_only=True)
class Wall:
    nominal_mm: Measure | None
    nominal_source: str
    remaining_mm: Measure | None  # at the worst place known; always an estimate that rests on ``evidence``
    evidence: tuple[Evidence, ...]  # best first
    weakest_link: str
    indicative: bool
    perforated: bool | None  # None: nobody looked through it
    minimum_mm: Measure | None  # of the cut ring
    minimum_image_angle_deg: float | None
    mean_mm: Measure | None
    profile: tuple[np.ndarray, np.ndarray] | None  # image angle in degrees, wall in mm
    pit_depths: Mapping[int, PitDepth]
    pitting_factor: float | None
    depth_rating: str | None  # ASTM G46 C-1 .. C-5 of the mean measured depth, the nearest
    deepest_by_wall: float | None  # deepest measured depth by the sound wall; 1 is through
    capacity: strength.Capacity | None
    growth: tuple[strength.Growth, ...]
    deepest: extremes.DeepestToExpect | None
    quantities: Mapping[str, float | str | bool]
    flags: tuple[Flag, ...] = ()

    def paragraphs(self, *, units: str = "metric") -> tuple[str, ...]:
        """What a person reads under the figures: the weakest link, strength, time and the deepest pit to expect, with cautions."""
        said: list[str] = []
        if self.weakest_link:
            said.append(f"Weakest link: {self.weakest_link}.")
        if self.nominal_mm is not None:
            said.append(f"Nominal wall by {self.nominal_source}.")
        if self.depth_rating is not None:
            said.append(
                f"Mean measured depth rates {self.depth_rating} on the chart of ASTM G46 (from memory, nearest on a logarithmic scale)."
            )
        if self.pitting_factor is not None:
            said.append(f"Pitting factor (deepest by mean loss) {self.pitting_factor:.1f}.")
        if self.capacity is not None:
            said += _capacity_words(self.capacity, units)
        for growth in self.growth:
            said.append(growth.sentence)
        if self.deepest is not None:
            said += _deepest_words(self.deepest, units)
        return tuple(said)


# ---------------------------------------------------------------- nominal wall


def largest_relative_tolerance() -> float:
    """The widest tolerance on the wall in ASTM B88 types K, L and M, as a share of the wall: about 0.11."""
    return max(
        float(row["wall_tol_plusminus_in"]) / float(row["wall_in"])
        for row in rows("copper_tube_b88")
        if row["spec"] == "ASTM B88"
    )


def nominal_wall(tube: Tube | None) -> tuple[Measure | None, str]:
    """The wall of a new tube with its legal tolerance, and the sentence's source; a range over the types where only the size is known."""
    if tube is None:
        return None, ""
    if tube.wall_mm is not None:
        tolerance = tube.wall_tolerance_mm
        source = _standard(tube)
        if tolerance is None:
            tolerance = largest_relative_tolerance() * tube.wall_mm
            source = f"{source}; no standard was named, so the widest tolerance of ASTM B88 was taken"
        return (
            Measure(
                value=tube.wall_mm,
                budget={"tolerance of a new tube": tolerance / math.sqrt(3.0)},
                interval=(tube.wall_mm - tolerance, tube.wall_mm + tolerance),
            ),
            source,
        )
    if tube.wall_range_mm is None:
        return None, ""
    thin, thick = tube.wall_range_mm
    relative = largest_relative_tolerance()
    low, high = thin * (1 - relative), thick * (1 + relative)
    return (
        Measure(
            value=0.5 * (thin + thick), budget={"type not known": (high - low) / math.sqrt(12.0)}, interval=(low, high)
        ),
        f"{_standard(tube)}: the type is not known",
    )


def _standard(tube: Tube) -> str:
    """The standard's name without the keys of its sources."""
    return tube.source.split(" (")[0]


# ---------------------------------------------------------------- combining


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
    budget = dict(best.budget)
    budget["contradicting evidence"] = 0.5 * (high - low) / COVERAGE_95
    return Measure(value=best.value, budget=budget, interval=(low, high)), True


def less(sound: Measure, depth: Measure) -> Measure:
    """Remaining wall: sound wall less depth, never below zero. Shared sources cancel, others add in quadrature.

    Where either has its own interval, the two half-widths add in quadrature.
    """
    budget = dict(sound.budget)
    for source, contribution in depth.budget.items():
        budget[source] = budget.get(source, 0.0) - contribution
    value = sound.value - depth.value
    (sound_low, sound_high), (depth_low, depth_high) = sound.interval_95, depth.interval_95
    low = value - math.hypot(sound.value - sound_low, depth_high - depth.value)
    high = value + math.hypot(sound_high - sound.value, depth.value - depth_low)
    return Measure(value=max(value, 0.0), budget=budget, interval=(max(low, 0.0), max(high, 0.0)))


def depth_from_opening(diameter_mm: float, thickest_mm: float | None) -> Measure:
    """The indicative range of a pit's depth from its mouth: 0.1 to 2 diameters (a judgement, see SHAPE_RANGE), at most the wall."""
    low, high = SHAPE_RANGE[0] * diameter_mm, SHAPE_RANGE[1] * diameter_mm
    value = SHAPE_MIDDLE * diameter_mm
    if thickest_mm is not None:
        low, value, high = min(low, thickest_mm), min(value, thickest_mm), min(high, thickest_mm)
    return Measure(value=value, budget={"shape of the pit": (high - low) / math.sqrt(12.0)}, interval=(low, high))


# ---------------------------------------------------------------- all together


@dataclass
class _Draft:
    evidence: list[Evidence] = field(default_factory=list)
    flags: list[Flag] = field(default_factory=list)


def assess_wall(
    *,
    tube: Tube | None,
    surface: Surface,
    pits: PitCatalogue,
    ring: Ring | None = None,
    relief: DepthSource | None = None,
    readings: Readings | None = None,
    facts: Mapping[str, Any] | None = None,
) -> Wall:
    """Combine all evidence on the wall of one section.

    ``facts``: facts of the installation (age_years, static_pressure_kpa, temper, service_temperature_c, service; the told
    pit_depth_mm and gauge_wall_mm count as gauge readings). Raises InputError, one sentence, for a reading that contradicts
    the tube itself (a pit deeper than the wall, a thinnest place thicker than it).
    """
    facts = dict(facts or {})
    readings = _with_told(readings or Readings(), facts)
    nominal, nominal_source = nominal_wall(tube)
    draft = _Draft(flags=list(readings.flags))
    sound, sound_source = _sound_wall(nominal, nominal_source, readings, draft)
    _check_readings(readings, sound, nominal, tube)

    gauge = _match(readings.of("pit"), pits, draft)
    depths: dict[int, PitDepth] = {}
    for pit in pits.pits:
        made = _pit_depth(pit, gauge.get(pit.id, ()), relief, sound, draft)
        if made is not None:
            depths[pit.id] = made

    perforated = _perforated(pits, relief, readings, depths)
    _gauge_evidence(readings, gauge, pits, sound, draft)
    if ring is not None and ring.minimum_mm is not None:
        _ring_evidence(ring, nominal, draft)
    _light_evidence(pits, depths, relief, draft)
    if perforated:
        draft.evidence.append(
            Evidence(
                kind="through-hole",
                sentence="A hole goes through the wall: nothing is left there.",
                remaining_mm=Measure(value=0.0, interval=(0.0, 0.0)),
                weakest_link="one photo may take a dark pit for a hole; light from behind settles it"
                if not _lit_from_behind(relief)
                else "none",
            )
        )
    measured = [item for item in draft.evidence if item.remaining_mm is not None and not item.indicative]
    if not measured:
        _opening_evidence(depths, sound, draft)
    draft.evidence.sort(key=lambda item: EVIDENCE_ORDER.index(item.kind) if item.kind in EVIDENCE_ORDER else 99)

    remaining, weakest, indicative = _section(draft.evidence)
    if indicative:
        draft.flags.append(raise_flag("wall_indicative"))
    measured_depths = {k: d for k, d in depths.items() if d.depth_mm is not None and not d.indicative}
    # Where the thinnest place was told, or sawn through, it is not for the pits' mouths to say.
    whole_told = (
        bool(readings.of("thin_wall"))
        or (ring is not None and ring.minimum_mm is not None)
        or any(r.pit is None and r.x_px is None for r in readings.of("pit"))
    )
    if remaining is not None and measured_depths and not whole_told:
        remaining = _unmeasured_may_be_deeper(remaining, measured_depths, depths, pits, draft)
    off_pit = [r.measure for key, group in gauge.items() if key < 0 for r in group]
    all_measured = [d.depth_mm for d in measured_depths.values()] + off_pit
    rating, share = _ratings(all_measured, sound)
    local = not _is_even(ring, draft.evidence)
    bearing = (
        strength.capacity(tube, remaining, indicative=indicative, local=local, perforated=bool(perforated), facts=facts)
        if tube is not None
        else None
    )
    growth = _growth(all_measured, remaining, perforated, sound, facts)
    return Wall(
        nominal_mm=nominal,
        nominal_source=nominal_source,
        remaining_mm=remaining,
        evidence=tuple(draft.evidence),
        weakest_link=weakest,
        indicative=indicative,
        perforated=perforated,
        minimum_mm=ring.minimum_mm if ring else None,
        minimum_image_angle_deg=ring.minimum_image_angle_deg if ring else None,
        mean_mm=ring.mean_mm if ring else None,
        profile=(np.arange(-180.0, 180.0), ring.wall_mm) if ring is not None and ring.wall_mm is not None else None,
        pit_depths=depths,
        pitting_factor=_pitting_factor(ring, sound, nominal),
        depth_rating=rating,
        deepest_by_wall=share,
        capacity=bearing,
        growth=growth,
        deepest=_deepest(surface, pits, measured_depths, facts),
        quantities=_quantities(ring, remaining, indicative, perforated, nominal, all_measured),
        flags=tuple(dict.fromkeys(draft.flags)),
    )


def _with_told(readings: Readings, facts: Mapping[str, Any]) -> Readings:
    """The told wall by gauge and the told depth of the deepest pit join the readings, unless a file of readings has them already."""
    more: list[Reading] = []
    wall, depth = facts.get("gauge_wall_mm"), facts.get("pit_depth_mm")
    if wall is not None and not readings.of("thin_wall"):
        more.append(
            Reading(kind="thin_wall", wall_mm=float(wall), resolution_mm=0.02, method="caliper", confirmed=True)
        )
    if depth is not None and not readings.of("pit"):
        more.append(
            Reading(kind="pit", depth_mm=float(depth), resolution_mm=0.02, method="dial depth gauge", confirmed=True)
        )
    return Readings(readings=(*readings.readings, *more), flags=readings.flags)


def _sound_wall(nominal: Measure | None, source: str, readings: Readings, draft: _Draft) -> tuple[Measure | None, str]:
    """The wall before attack: caliper readings of sound metal where there are any, else the nominal one."""
    sound = readings.of("sound_wall")
    if not sound:
        return nominal, source
    values = [reading.measure for reading in sound]
    mean = sum(m.value for m in values) / len(values)
    one = max(m.standard_uncertainty for m in values)
    scatter = float(np.std([m.value for m in values], ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
    measured = Measure(value=mean, budget={"reading of the sound wall": max(one, scatter)})
    draft.evidence.append(
        Evidence(
            kind="sound wall",
            sentence=f"Sound wall measured at {len(values)} place{'s' if len(values) > 1 else ''}: {mean:.2f} mm.",
            remaining_mm=None,
            weakest_link=_link(sound[0]),
        )
    )
    if nominal is None:
        return measured, "measured on the piece"
    low, high = nominal.interval_95
    reach = COVERAGE_95 * measured.standard_uncertainty
    if mean - reach > high:
        draft.flags.append(
            raise_flag("wall_above_nominal", f"{mean:.2f} mm of sound wall against at most {high:.2f} mm")
        )
        return combine([measured, nominal])[0], "measured on the piece"
    if mean + reach < low:
        draft.flags.append(raise_flag("readings_disagree", f"sound wall {mean:.2f} mm, nominal at least {low:.2f} mm"))
        return combine([measured, nominal])[0], "measured on the piece"
    return measured, "measured on the piece"


def _check_readings(readings: Readings, sound: Measure | None, nominal: Measure | None, tube: Tube | None) -> None:
    """A pit cannot be deeper than the wall is thick; and a wall given in inches shows."""
    thickest = max((m.interval_95[1] for m in (sound, nominal) if m is not None), default=None)
    if thickest is None:
        return
    for reading in readings.readings:
        value = reading.depth_mm if reading.kind == "pit" else reading.wall_mm
        where = (
            f"pit {reading.pit}"
            if reading.pit is not None
            else "a place in the photo"
            if reading.kind == "pit"
            else "a wall"
        )
        slack = COVERAGE_95 * reading.measure.standard_uncertainty
        what = {"pit": f"The depth of {where}", "thin_wall": "The thinnest wall"}.get(reading.kind)
        if what is not None and value - slack > thickest:
            raise InputError(
                f"{what}, {value:g} mm, is more than the wall of {tube.label if tube else 'this tube'} "
                f"({thickest:.2f} mm at most): check the reading, its unit and the tube's type."
            )
        if reading.kind == "sound_wall" and not reading.confirmed and nominal is not None:
            if value < 0.2 * nominal.interval_95[0] and nominal.interval_95[0] * 0.7 < value * 25.4 < thickest * 1.3:
                raise InputError(
                    f'The sound wall of {value:g} mm looks like inches ({value * 25.4:.2f} mm): write unit = "in", or '
                    "confirmed = true if it is right."
                )


def _link(reading: Reading) -> str:
    known = METHODS.get(reading.method)
    return known.weakest_link if known else "the method is not described"


def _match(readings: Sequence[Reading], pits: PitCatalogue, draft: _Draft) -> dict[int, tuple[Reading, ...]]:
    """Readings by pit id; those that fall on no found pit under negative numbers."""
    by_id = {pit.id: pit for pit in pits.pits}
    found: dict[int, list[Reading]] = {}
    loose = 0
    for reading in readings:
        key = reading.pit
        if key is not None and key not in by_id:
            known = f"1 to {max(by_id)}" if by_id else "none was found"
            raise InputError(f"A reading names pit {key}, which is not in the report ({known}); check the number.")
        if key is None and reading.x_px is None:  # told as the deepest, without saying which
            loose += 1
            key = -loose
        elif key is None:
            near = [
                (
                    math.hypot(pit.x_px - reading.x_px, pit.y_px - reading.y_px) / max(pit.equivalent_diameter_px, 8.0),
                    pit.id,
                )
                for pit in pits.pits
            ]
            distance, nearest = min(near, default=(math.inf, 0))
            if distance <= 1.0:
                key = nearest
            else:
                loose += 1
                key = -loose
                draft.flags.append(raise_flag("reading_no_pit", f"at {reading.x_px:.0f}, {reading.y_px:.0f} px"))
        found.setdefault(key, []).append(reading)
    return {key: tuple(group) for key, group in found.items()}


def _deepest_reading(group: Sequence[Reading]) -> Measure:
    """Repeated readings of one pit: the deepest counts, since a needle can only miss the deepest point."""
    return max((reading.measure for reading in group), key=lambda measure: measure.value)


def _pit_depth(
    pit: Pit, gauge: Sequence[Reading], relief: DepthSource | None, sound: Measure | None, draft: _Draft
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
        remaining = Measure(
            value=value, budget={"shape of the pit": (high - low) / math.sqrt(12.0)}, interval=(low, high)
        )
    return PitDepth(depth_mm=depth, remaining_mm=remaining, evidence="opening only", indicative=True)


def _through(pit: Pit, relief: DepthSource | None) -> bool | None:
    """Light from behind overrules one photo."""
    if relief is not None and pit.id in relief.through:
        return relief.through[pit.id]
    return pit.through


def _lit_from_behind(relief: DepthSource | None) -> bool:
    return relief is not None and bool(relief.through or relief.holes)


def _perforated(
    pits: PitCatalogue, relief: DepthSource | None, readings: Readings, depths: Mapping[int, PitDepth]
) -> bool | None:
    seen = [_through(pit, relief) for pit in pits.pits]
    if any(seen) or any(reading.wall_mm == 0.0 for reading in readings.of("thin_wall")):
        return True
    if relief is not None and relief.holes:
        return True
    if _lit_from_behind(relief) and all(pit.id in relief.through for pit in pits.pits):
        return False
    return None


def _gauge_evidence(
    readings: Readings, gauge: Mapping[int, Sequence[Reading]], pits: PitCatalogue, sound: Measure | None, draft: _Draft
) -> None:
    thin = readings.of("thin_wall")
    if thin:
        least = min(thin, key=lambda reading: reading.wall_mm)
        made = least.measure
        low, high = made.interval_95
        draft.evidence.append(
            Evidence(
                kind="gauge",
                sentence=f"Thinnest place by {least.method}: {least.wall_mm:.2f} mm ({len(thin)} reading{'s' if len(thin) > 1 else ''}).",
                remaining_mm=Measure(value=made.value, budget=made.budget, interval=(max(low, 0.0), high)),
                weakest_link=_link(least),
            )
        )
    if not gauge:
        return
    deepest = max((_deepest_reading(group) for group in gauge.values()), key=lambda measure: measure.value)
    reading = max((r for group in gauge.values() for r in group), key=lambda r: r.depth_mm)
    found = {pit.id for pit in pits.pits}
    left = len(found - set(gauge))
    link = _link(reading)
    if left:
        link = f"{left} of {len(found)} pits were not measured; {link}"
    draft.evidence.append(
        Evidence(
            kind="gauge",
            sentence=(
                f"Deepest of {len(gauge)} pits measured by {reading.method}: {deepest.value:.2f} mm"
                + ("." if sound is not None else "; the wall is not known.")
            ),
            remaining_mm=None if sound is None else less(sound, deepest),
            weakest_link=link,
        )
    )


def _ring_evidence(ring: Ring, nominal: Measure | None, draft: _Draft) -> None:
    minimum, mean, largest = ring.minimum_mm, ring.mean_mm, ring.maximum_mm
    draft.evidence.append(
        Evidence(
            kind="ring",
            sentence=(
                f"Cut ring: {minimum.value:.2f} mm at the thinnest place, {mean.value:.2f} mm on average "
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


def _light_evidence(
    pits: PitCatalogue, depths: Mapping[int, PitDepth], relief: DepthSource | None, draft: _Draft
) -> None:
    if relief is None or not relief.pit_depths_mm:
        return
    # pits that only the lights know; what a gauge measured stands under its own name
    known = [d for k, d in depths.items() if k in relief.pit_depths_mm and d.evidence == "several lights"]
    known = [d for d in known if d.remaining_mm is not None]
    if not known:
        return
    worst = min(known, key=lambda d: d.remaining_mm.value)
    draft.evidence.append(
        Evidence(
            kind="several lights",
            sentence=f"Light from several sides: the deepest of {len(known)} pits is {worst.depth_mm.value:.2f} mm deep.",
            remaining_mm=worst.remaining_mm,
            weakest_link="narrow pits lie in their own shadow, where nothing is seen of the floor",
        )
    )


def _opening_evidence(depths: Mapping[int, PitDepth], sound: Measure | None, draft: _Draft) -> None:
    known = [d for d in depths.values() if d.indicative and d.remaining_mm is not None]
    if not known:
        return
    low = min(d.remaining_mm.interval_95[0] for d in known)
    high = min(d.remaining_mm.interval_95[1] for d in known)
    value = min(max(min(d.remaining_mm.value for d in known), low), high)
    draft.evidence.append(
        Evidence(
            kind="opening only",
            sentence=(
                "Nothing measured the depth. From the mouths alone a pit may be a tenth to twice as deep as it is wide, "
                f"so {display.interval(Measure(value=value, interval=(low, high)), 'length_mm')} mm may be left at the worst place: indicative only."
            ),
            remaining_mm=Measure(
                value=value, budget={"shape of the pit": (high - low) / math.sqrt(12.0)}, interval=(low, high)
            ),
            weakest_link="a photo shows the mouth of a pit, not its depth",
        )
    )


def _section(evidence: Sequence[Evidence]) -> tuple[Measure | None, str, bool]:
    """The worst place known: (remaining, weakest link, indicative)."""
    known = [item for item in evidence if item.remaining_mm is not None]
    measured = [item for item in known if not item.indicative]
    pool = measured or known
    if not pool:
        return None, "nothing measured the wall", False
    worst = min(pool, key=lambda item: item.remaining_mm.value)
    # Another place may be the thinner one in truth: the lower end is the lowest of any measured source.
    low = min(item.remaining_mm.interval_95[0] for item in pool)
    high = worst.remaining_mm.interval_95[1]
    made = Measure(value=worst.remaining_mm.value, budget=worst.remaining_mm.budget, interval=(low, high))
    return made, worst.weakest_link, worst.indicative


def _unmeasured_may_be_deeper(
    remaining: Measure,
    measured: Mapping[int, PitDepth],
    depths: Mapping[int, PitDepth],
    pits: PitCatalogue,
    draft: _Draft,
) -> Measure:
    """Lower the interval's lower end to what the mouths of pits that nobody measured leave open, where few were measured."""
    others = [
        d.remaining_mm.interval_95[0] for k, d in depths.items() if k not in measured and d.remaining_mm is not None
    ]
    if len(measured) >= DEEPEST_MEASURED or not others:
        return remaining
    low, high = remaining.interval_95
    if min(others) < low:
        draft.flags.append(raise_flag("few_pits_measured", f"{len(measured)} of {len(pits.pits)}"))
    return Measure(value=remaining.value, budget=remaining.budget, interval=(min(low, *others), high))


def _is_even(ring: Ring | None, evidence: Sequence[Evidence]) -> bool:
    """Even thinning: a ring whose thinnest degree is close to its mean, and no pit that was measured."""
    if ring is None or ring.wall_mm is None:
        return False
    if any(item.kind in ("gauge", "several lights", "through-hole") for item in evidence):
        return False
    return float(np.nanmin(ring.wall_mm)) > 0.8 * float(np.nanmean(ring.wall_mm))


def _pitting_factor(ring: Ring | None, sound: Measure | None, nominal: Measure | None) -> float | None:
    """Deepest loss by mean loss round a ring; None where the mean loss is within what a new tube may lack (ASTM G46, from memory)."""
    if ring is None or ring.mean_mm is None or sound is None or ring.minimum_mm is None:
        return None
    mean_loss = sound.value - ring.mean_mm.value
    unsure = COVERAGE_95 * math.hypot(sound.standard_uncertainty, ring.mean_mm.standard_uncertainty)
    if mean_loss <= unsure:
        return None
    return (sound.value - ring.minimum_mm.value) / mean_loss


DEEPEST_MEASURED = 10  # ASTM G46 asks for the depth of the ten deepest pits (from memory)
# ASTM G46 depth ratings, mm (from memory, as all its rating figures; the nearest on a logarithmic scale)
G46_DEPTH_MM = {"C-1": 0.4, "C-2": 0.8, "C-3": 1.6, "C-4": 3.2, "C-5": 6.4}


def _ratings(depths: Sequence[Measure], sound: Measure | None) -> tuple[str | None, float | None]:
    values = [measure.value for measure in depths if measure is not None and measure.value > 0]
    if not values:
        return None, None
    mean = sum(values) / len(values)
    rating = min(G46_DEPTH_MM, key=lambda name: abs(math.log(mean / G46_DEPTH_MM[name])))
    return rating, None if sound is None else min(max(values) / sound.value, 1.0)


def _growth(
    depths: Sequence[Measure],
    remaining: Measure | None,
    perforated: bool | None,
    sound: Measure | None,
    facts: Mapping[str, Any],
) -> tuple[strength.Growth, ...]:
    age = facts.get("age_years")
    if age is None or not float(age) > 0 or not depths or sound is None or perforated:
        return ()
    deepest = max(depths, key=lambda measure: measure.value)
    if not deepest.value > 0:
        return ()
    return strength.growth(deepest, less(sound, deepest), float(age))


def _deepest(
    surface: Surface, pits: PitCatalogue, measured: Mapping[int, PitDepth], facts: Mapping[str, Any]
) -> extremes.DeepestToExpect | None:
    """The deepest pit over the run in the wall, where its length was told and depths were measured."""
    run_mm = facts.get("run_length_mm")
    if run_mm is None or surface.unit != "mm" or not measured:
        return None
    placed = [
        (pit.axial_mm, measured[pit.id].depth_mm.value)
        for pit in pits.pits
        if pit.id in measured and pit.axial_mm is not None and measured[pit.id].depth_mm is not None
    ]
    length = surface.axial_length.value
    if not placed or float(run_mm) <= length:
        return None
    best: tuple[tuple[float, ...], int, int] | None = None
    for blocks in (10, 6, 5, 4):
        maxima, empty = extremes.block_maxima(
            [p[0] - surface.axial_from for p in placed], [p[1] for p in placed], length_mm=length, blocks=blocks
        )
        best = (maxima, empty, blocks)
        if empty == 0:
            break
    maxima, empty, blocks = best
    area = surface.examined_area.value
    expected = extremes.deepest_to_expect(
        maxima, block_area_mm2=area / blocks, whole_area_mm2=area * float(run_mm) / length, blocks_without_pit=empty
    )
    left = sum(pit.id not in measured for pit in pits.pits)
    if left:  # the deepest of a part may be one that nobody measured
        said = f"{left} of {len(pits.pits)} pits were not measured; where one of them is its part's deepest, this is too little."
        return replace(expected, cautions=(said, *expected.cautions))
    return expected


def _quantities(
    ring: Ring | None,
    remaining: Measure | None,
    indicative: bool,
    perforated: bool | None,
    nominal: Measure | None,
    depths: Sequence[Measure],
) -> dict[str, float | str | bool]:
    """What the rules may read. Nothing indicative is passed on."""
    made: dict[str, float | str | bool] = {}
    values = [measure.value for measure in depths if measure is not None]
    if values:
        made["pit_depth_mm"] = max(values)
    if nominal is not None and remaining is not None and not indicative:
        made["remaining_wall_share"] = remaining.value / nominal.value
    if ring is not None and ring.wall_mm is not None and ring.mean_mm is not None:
        wall = ring.wall_mm
        made["wall_loss_even"] = bool(float(np.nanmin(wall)) > 0.8 * float(np.nanmean(wall)))
        if nominal is not None:
            made["wall_loss_below_tolerance"] = bool(ring.mean_mm.value >= nominal.interval_95[0])
    return made


def _capacity_words(made: strength.Capacity, units: str) -> list[str]:
    said = list(made.sentences)
    if made.even_kpa is not None:
        said.append(
            f"If the whole tube were as thin as the thinnest place, the handbook's formula gives {display.value(made.even_kpa, 'pressure_kpa', units)} "
            f"({display.interval(made.even_kpa, 'pressure_kpa', units)}), {made.temper} at {_temperature(made.temperature_c, units)} ({made.temper_source}; "
            f"temperature {made.temperature_source})."
        )
    if made.required_wall_mm is not None and made.static_pressure_kpa is not None:
        share = "" if made.required_share is None else f", {100 * made.required_share:.0f} % of the nominal wall"
        said.append(
            f"The static pressure of {display.value(Measure(value=made.static_pressure_kpa), 'pressure_kpa', units)} asks for "
            f"{display.value(Measure(value=made.required_wall_mm), 'length_mm', units)} of even, sound wall{share}."
        )
    for joint in made.joints:
        said.append(
            f"A joint soldered with {joint.joint.replace(' solder', '')} bears at most {display.value(Measure(value=joint.pressure_kpa), 'pressure_kpa', units)} "
            f"at {_temperature((joint.temperature_f - 32) / 1.8, units)}."
        )
    said.append(made.caution)
    return said


def _temperature(celsius: float, units: str) -> str:
    return display.value(Measure(value=celsius), "temperature_c", units)


def _deepest_words(made: extremes.DeepestToExpect, units: str) -> list[str]:
    if made.refusal is not None:
        return [f"The deepest pit to expect in the run is not computed: {made.refusal}"]
    said = []
    for estimate in made.estimates:
        low, high = estimate.interval_95
        shown = Measure(value=estimate.value, interval=(low, high))
        said.append(
            f"Deepest pit to expect over {made.area_ratio:.0f} times one area, Gumbel by {estimate.method}: "
            f"{display.value(shown, 'length_mm', units)} ({display.interval(shown, 'length_mm', units)}, {estimate.interval_method})."
        )
    return said + list(made.cautions)
