"""How much wall is left: every kind of evidence for depth, combined without pretending, and what follows for pressure and time.

One plain photo cannot see depth. What each source says stands in ``evidence``; here they become one statement on the worst place
known. The opening alone gives a wide indicative range and carries no statement on strength.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analyzer.base.flags import Flag, InputError, raise_flag
from analyzer.base.measured import COVERAGE_95, MM_PER_INCH, Measure, difference
from analyzer.house.tables import Tube
from analyzer.marks.catalogue import PitCatalogue
from analyzer.piece.surface import Surface
from analyzer.ring.cut_ring import Ring
from analyzer.wall import capacity as strength
from analyzer.wall import evidence as found
from analyzer.wall import extremes
from analyzer.wall.evidence import DepthSource, Draft, Evidence, PitDepth, less
from analyzer.wall.nominal import nominal_wall
from analyzer.wall.readings import Reading, Readings

DEEPEST_MEASURED = 10  # ASTM G46 asks for the depth of the ten deepest pits (from memory)
# ASTM G46 depth ratings, mm (from memory, as all its rating figures; the nearest on a logarithmic scale)
G46_DEPTH_MM = {"C-1": 0.4, "C-2": 0.8, "C-3": 1.6, "C-4": 3.2, "C-5": 6.4}


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
    draft = Draft(flags=list(readings.flags))
    sound = found.sound_wall(nominal, readings, draft)
    _check_readings(readings, sound, nominal, tube)

    gauge = found.match(readings.of("pit"), pits, draft)
    found.flag_contradictions(gauge, draft)
    depths: dict[int, PitDepth] = {}
    for pit in pits.pits:
        made = found.pit_depth(pit, gauge.get(pit.id, ()), relief, sound, draft)
        if made is not None:
            depths[pit.id] = made

    perforated = found.perforated(pits, relief, readings, depths)
    found.gauge_evidence(readings, gauge, pits, sound, draft)
    if ring is not None and ring.minimum_mm is not None:
        found.ring_evidence(ring, nominal, draft)
    found.light_evidence(pits, depths, relief, draft)
    if perforated:
        draft.evidence.append(
            Evidence(
                kind="through-hole",
                sentence="A hole goes through the wall: nothing is left there.",
                remaining_mm=Measure(value=0.0, interval=(0.0, 0.0)),
                weakest_link="one photo may take a dark pit for a hole; light from behind settles it"
                if not found.lit_from_behind(relief)
                else "none",
            )
        )
    measured = [item for item in draft.evidence if item.remaining_mm is not None and not item.indicative]
    if not measured:
        found.opening_evidence(depths, sound, draft)
    draft.evidence.sort(
        key=lambda item: found.EVIDENCE_ORDER.index(item.kind) if item.kind in found.EVIDENCE_ORDER else 99
    )

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
    all_measured = [d.depth_mm for d in measured_depths.values() if d.depth_mm is not None] + off_pit
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
        deepest=_deepest(surface, pits, measured_depths, sound, facts),
        quantities=_quantities(
            ring, remaining, indicative, perforated, nominal, _whole_wall_mm(tube, sound, readings), all_measured
        ),
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
    unused = [
        f"{what} of {value:g} mm"
        for what, value, kind in (("wall by gauge", wall, "thin_wall"), ("depth of the deepest pit", depth, "pit"))
        if value is not None and readings.of(kind)
    ]
    flags = (raise_flag("told_not_used", " and the ".join(unused)),) if unused else ()
    return Readings(readings=(*readings.readings, *more), flags=(*readings.flags, *flags))


def _check_readings(readings: Readings, sound: Measure | None, nominal: Measure | None, tube: Tube | None) -> None:
    """A pit cannot be deeper than the wall is thick; and a wall given in inches shows."""
    thickest = max((m.interval_95[1] for m in (sound, nominal) if m is not None), default=None)
    if thickest is None:
        return
    for reading in readings.readings:
        value = reading.mm
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
        if (
            reading.kind == "sound_wall"
            and not reading.confirmed
            and nominal is not None
            and value > 2.0 * nominal.interval_95[1]
        ):
            raise InputError(
                f"The sound wall of {value:g} mm is more than twice that of {tube.label if tube else 'this tube'} "
                f"({nominal.interval_95[1]:.2f} mm at most): check the reading, its unit and the tube's type, or write confirmed = true."
            )
        if reading.kind == "sound_wall" and not reading.confirmed and nominal is not None:
            if (
                value < 0.2 * nominal.interval_95[0]
                and nominal.interval_95[0] * 0.7 < value * MM_PER_INCH < thickest * 1.3
            ):
                raise InputError(
                    f'The sound wall of {value:g} mm looks like inches ({value * MM_PER_INCH:.2f} mm): write unit = "in", or '
                    "confirmed = true if it is right."
                )


def _section(evidence: Sequence[Evidence]) -> tuple[Measure | None, str, bool]:
    """The worst place known: (remaining, weakest link, indicative)."""
    known = [(item.remaining_mm, item) for item in evidence if item.remaining_mm is not None]
    pool = [pair for pair in known if not pair[1].indicative] or known
    if not pool:
        return None, "nothing measured the wall", False
    thinnest, worst = min(pool, key=lambda pair: pair[0].value)
    # Another place may be the thinner one in truth: the lower end is the lowest of any measured source.
    low = min(measure.interval_95[0] for measure, _ in pool)
    return _down_to(thinnest, low, "another place may be thinner"), worst.weakest_link, worst.indicative


def _down_to(measure: Measure, low: float, source: str) -> Measure:
    """The same with its lower end moved to ``low``; unchanged where that is the end that it has."""
    end, high = measure.interval_95
    return measure if low == end else measure.widened(low, high, source)


def _unmeasured_may_be_deeper(
    remaining: Measure,
    measured: Mapping[int, PitDepth],
    depths: Mapping[int, PitDepth],
    pits: PitCatalogue,
    draft: Draft,
) -> Measure:
    """Lower the interval's lower end to what the mouths of pits that nobody measured leave open, where few were measured."""
    others = [
        d.remaining_mm.interval_95[0] for k, d in depths.items() if k not in measured and d.remaining_mm is not None
    ]
    if len(measured) >= DEEPEST_MEASURED or not others:
        return remaining
    low = remaining.interval_95[0]
    if min(others) < low:
        draft.flags.append(raise_flag("few_pits_measured", f"{len(measured)} of {len(pits.pits)}"))
    return _down_to(remaining, min(low, *others), "pits that nobody measured")


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
    mean_loss = difference(sound, ring.mean_mm)
    if mean_loss.value <= COVERAGE_95 * mean_loss.standard_uncertainty:
        return None
    return (sound.value - ring.minimum_mm.value) / mean_loss.value


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
    left = less(sound, deepest)
    # A ring or a caliper may have found a thinner place than any pit's.
    if remaining is not None and remaining.value < left.value:
        if not remaining.value > 0:
            return ()  # nothing is left there by the best estimate: no time to come
        deepest, left = difference(sound, remaining, least=0.0, source="the wall"), remaining
    return strength.growth(deepest, left, float(age))


def _deepest(
    surface: Surface,
    pits: PitCatalogue,
    measured: Mapping[int, PitDepth],
    sound: Measure | None,
    facts: Mapping[str, Any],
) -> extremes.DeepestToExpect | None:
    """The deepest pit over the run in the wall, where its length was told and depths were measured."""
    run_mm = facts.get("run_length_mm")
    if run_mm is None or surface.unit != "mm" or not measured:
        return None
    placed = [
        (pit.axial_mm, depth)
        for pit in pits.pits
        if pit.axial_mm is not None and pit.id in measured and (depth := measured[pit.id].depth_mm) is not None
    ]
    length = surface.axial_length.value
    if not placed or float(run_mm) <= length:
        return None
    for blocks in (10, 6, 5, 4):
        maxima, empty = extremes.block_maxima(
            [place - surface.axial_from for place, _ in placed],
            [depth.value for _, depth in placed],
            length_mm=length,
            blocks=blocks,
        )
        if empty == 0:
            break
    area = surface.examined_area.value
    expected = extremes.deepest_to_expect(
        maxima,
        block_area_mm2=area / blocks,
        whole_area_mm2=area * float(run_mm) / length,
        blocks_without_pit=empty,
        reading_uncertainty_mm=max((depth for _, depth in placed), key=lambda depth: depth.value).standard_uncertainty,
        thickest_mm=None if sound is None else sound.interval_95[1],
    )
    left = sum(pit.id not in measured for pit in pits.pits)
    if left:  # the deepest of a part may be one that nobody measured
        said = f"{left} of {len(pits.pits)} pits were not measured; where one of them is its part's deepest, this is too little."
        return replace(expected, cautions=(said, *expected.cautions))
    return expected


def _whole_wall_mm(tube: Tube | None, sound: Measure | None, readings: Readings) -> float | None:
    """What a share of the wall is of: the sound wall where it was measured, else the nominal one, of the thinnest type where the type
    is not known (the middle of several types is no wall of any tube)."""
    if sound is not None and readings.of("sound_wall"):
        return sound.value
    if tube is None:
        return None
    return tube.wall_mm if tube.wall_mm is not None else min(tube.wall_range_mm) if tube.wall_range_mm else None


def _quantities(
    ring: Ring | None,
    remaining: Measure | None,
    indicative: bool,
    perforated: bool | None,
    nominal: Measure | None,
    whole_mm: float | None,
    depths: Sequence[Measure],
) -> dict[str, float | str | bool]:
    """What the rules may read. Nothing indicative is passed on."""
    made: dict[str, float | str | bool] = {}
    values = [measure.value for measure in depths if measure is not None]
    if values:
        made["pit_depth_mm"] = max(values)
    if whole_mm is not None and remaining is not None and not indicative:
        made["remaining_wall_share"] = remaining.value / whole_mm
    if ring is not None and ring.wall_mm is not None and ring.mean_mm is not None:
        wall = ring.wall_mm
        made["wall_loss_even"] = bool(float(np.nanmin(wall)) > 0.8 * float(np.nanmean(wall)))
        if nominal is not None:
            made["wall_loss_below_tolerance"] = bool(ring.mean_mm.value >= nominal.interval_95[0])
    return made
