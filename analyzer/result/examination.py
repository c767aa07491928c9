"""One call from photographs and facts to everything that is reported: ``examine`` and its result.

``examine`` is ``conclude`` after ``look``: looking at the pictures is slow and depends on the photographs alone, concluding is
quick and is done anew whenever a fact, a reading or a correction changes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from analyzer.base.flags import Flag, InputError, raise_flag
from analyzer.base.text import LONGEST_NAME, one_line, shown
from analyzer.causes import judge as causes
from analyzer.causes import steps
from analyzer.causes.repair import Prices, RepairOrReplace, repair_or_replace
from analyzer.door.colours import FITTING, NAMES, RUST_SHARE
from analyzer.door.mend import Tap
from analyzer.door.sharpness import quality_flags
from analyzer.door.shown import Shown, what_is_shown
from analyzer.house.derived import Installation, derive, installation
from analyzer.house.facts import Facts, in_vocabulary, with_coarse_words
from analyzer.house.tables import Tube, read_tube
from analyzer.marks.bands import Bands, find_bands
from analyzer.marks.catalogue import PitCatalogue
from analyzer.marks.pattern import Pattern, read_pattern
from analyzer.marks.pits import find_pits
from analyzer.photo.reading import Photo, read_photo
from analyzer.piece.find import find_surface
from analyzer.piece.fit import USUAL_WALL_MM
from analyzer.piece.surface import Surface
from analyzer.relief.lights import Light, Relief, align, find_relief
from analyzer.result.corrections import (
    ABOUT_A_PIT,
    TAPS,
    Corrected,
    Correction,
    apply_corrections,
    beside_the_metal,
    marked_scale,
    taps,
)
from analyzer.result.second_look import Agreement, SecondLook, agreement
from analyzer.ring.cut_ring import Ring, measure_ring
from analyzer.scale.calibration import Calibration, Marker, find_scale
from analyzer.wall.evidence import bound
from analyzer.wall.readings import Readings
from analyzer.wall.remaining import Wall, assess_wall

VIEWS = ("inside", "outside", "flat", "end")

# What a known length marked on the metal settles: these speak of where the automatic scale came from.
SETTLED_BY_LENGTH = ("scale_from_tube", "tube_disagrees", "ruler_step_assumed", "disc_uncertain")

Progress = Callable[[str, float], None]  # what is being done now, share done


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What a person says about the photo. ``view`` None: judged from the picture. ``tube``: "1/2 M", "1/2", "15.9x0.7" or None.
    ``taps``: places that are metal or not; they come of the corrections (``with_taps``), in which they are kept."""

    view: str | None = None
    tube: str | None = None
    marker: Marker = Marker()
    taps: tuple[Tap, ...] = ()

    def __post_init__(self) -> None:
        if self.view is not None and self.view not in VIEWS:
            raise InputError(f"The view is one of {', '.join(VIEWS)}, not {shown(self.view)}.")
        if self.tube is not None:
            object.__setattr__(self, "tube", one_line(self.tube, longest=LONGEST_NAME))

    def as_json(self) -> dict[str, Any]:
        return {
            "view": self.view,
            "tube": self.tube,
            "marker": {
                "kind": self.marker.kind,
                "diameter_mm": self.marker.diameter_mm,
                "points_px": self.marker.points_px,
                "length_mm": self.marker.length_mm,
            },
            **({"taps": [[tap.x_px, tap.y_px, tap.metal] for tap in self.taps]} if self.taps else {}),
        }


@dataclass(frozen=True, kw_only=True)
class Look:
    """What the pictures alone give."""

    settings: Settings
    tube: Tube | None
    photos: tuple[Photo, ...]  # the first is the main one
    calibration: Calibration
    shown: Shown  # what the main photo shows, before anything was measured
    surface: Surface
    pits: PitCatalogue
    bands: Bands
    pattern: Pattern
    ring: Ring | None
    relief: Relief | None
    flags: tuple[Flag, ...]
    quality: tuple[Flag, ...] = ()  # those of ``flags`` that speak of the picture of the metal

    @property
    def photo(self) -> Photo:
        return self.photos[0]


@dataclass(frozen=True, kw_only=True)
class Examination:
    """Every stage's result for one removed section, with the settings and the input's hashes."""

    look: Look
    facts: Facts  # as told, with what was said of the tube beside the photo
    readings: Readings | None
    corrections: tuple[Correction, ...]
    corrected: Corrected | None
    corrected_pattern: Pattern | None
    wall: Wall
    quantities: Mapping[str, Any]
    judgement: causes.Judgement
    steps: tuple[steps.Step, ...]
    installation: Installation  # water, flow, pressure and metals with their words
    house: RepairOrReplace | None  # None where no leak dates or counts are told
    flags: tuple[Flag, ...]
    program_version: str
    second_looks: tuple[SecondLook, ...] = ()
    agreements: tuple[
        Agreement, ...
    ] = ()  # of each second look with what stands; empty where pits could not be counted

    # The automatic result, as looked at.
    settings = property(lambda self: self.look.settings)
    photos = property(lambda self: self.look.photos)
    photo = property(lambda self: self.look.photo)
    calibration = property(lambda self: self.look.calibration)
    shown = property(lambda self: self.look.shown)
    surface = property(lambda self: self.look.surface)
    pits = property(lambda self: self.look.pits)
    bands = property(lambda self: self.look.bands)
    pattern = property(lambda self: self.look.pattern)

    # What stands after the corrections by hand, where there are any.
    @property
    def standing_surface(self) -> Surface:
        return self.corrected.surface if self.corrected else self.surface

    @property
    def standing_pits(self) -> PitCatalogue:
        return self.corrected.pits if self.corrected else self.pits

    @property
    def standing_pattern(self) -> Pattern:
        return self.corrected_pattern or self.pattern

    @property
    def standing_bands(self) -> Bands:
        return self.corrected.bands if self.corrected and self.corrected.bands else self.bands

    @property
    def standing_relief(self) -> Relief | None:
        return self.corrected.relief if self.corrected else self.look.relief

    @property
    def standing_ring(self) -> Ring | None:
        return (self.corrected.ring if self.corrected else None) or self.look.ring

    @property
    def length_known(self) -> bool:
        """Whether a length that a person marked on the metal stands in place of the automatic scale."""
        return self.corrected is not None and self.corrected.scale_factor is not None

    @property
    def scale_method(self) -> str:
        """What the standing scale rests on; "known length" where a person marked one on the metal."""
        return "known length" if self.length_known else self.automatic_scale_method

    @property
    def automatic_scale_method(self) -> str:
        """What the automatic scale rests on; "tube" where the tube's own diameter had to serve."""
        if self.calibration.method == "none" and self.surface.mm_per_px is not None:
            return "tube"
        return self.calibration.method


def program_version() -> str:
    try:
        return version("cutpipe")
    except PackageNotFoundError:  # run from an unpacked source without installation
        return "unpacked"


def examine(
    photos: str | Path | bytes | Photo | Sequence[Photo],
    *,
    facts: Facts | None = None,
    settings: Settings = Settings(),
    readings: Readings | None = None,
    corrections: Iterable[Correction] = (),
    prices: Prices | None = None,
    second_looks: Iterable[SecondLook] = (),
    lights: Sequence[Light] = (),
    progress: Progress | None = None,
) -> Examination:
    """Examine the photographs of one removed section.

    ``photos``: a path, a file's bytes, a Photo, or several Photos of which the first is the main one; a Photo's role says what the others
    are ("backlit", "ring"). ``lights``: photos of the same pose with the torch from known sides. ``facts``: what ``check_facts`` or
    ``read_facts`` returns. ``prices``: the owner's own, for repair against replacement.
    ``second_looks``: what others marked on the unmarked photo; they change no figure and tell how far it can be relied on. ``progress`` is told what is being done and the share that is done.
    Raises CutpipeError with one sentence where nothing sensible can be said (no picture, no pipe, a marker that is not there).
    """
    corrections = tuple(corrections)
    settings = with_taps(settings, corrections)
    seen = look(photos, settings=settings, lights=lights, progress=progress)
    marked = with_marked_scale(seen, corrections)
    if marked is not None:
        series = seen.photos[: len(seen.photos) - len(lights)]
        seen = look(series, settings=marked, lights=lights, progress=progress)
    return conclude(
        seen, facts=facts, readings=readings, corrections=corrections, prices=prices, second_looks=second_looks
    )


def with_taps(settings: Settings, corrections: Iterable[Correction]) -> Settings:
    """The settings to look with, where places of the photo are called metal or not among the corrections."""
    said = taps(corrections)
    return settings if said == settings.taps else replace(settings, taps=said)


def with_marked_scale(seen: Look, corrections: Iterable[Correction]) -> Settings | None:
    """The settings to look again with, where the photo has no scale of its own and a known length among the corrections gives one."""
    marker = marked_scale(tuple(corrections)) if seen.surface.mm_per_px is None else None
    return None if marker is None else replace(seen.settings, marker=marker)


def look(
    photos: str | Path | bytes | Photo | Sequence[Photo],
    *,
    settings: Settings = Settings(),
    lights: Sequence[Light] = (),
    progress: Progress | None = None,
) -> Look:
    """Measure what the pictures show; arguments as for ``examine``."""
    say = progress or (lambda words, share: None)
    say("Reading the photo", 0.0)
    if isinstance(photos, (str, Path, bytes)):
        series: tuple[Photo, ...] = (read_photo(photos),)
    elif isinstance(photos, Photo):
        series = (photos,)
    else:
        series = tuple(photos)
    if not series:
        raise InputError("Add a photo of the cut-open piece first.")
    photo = series[0]
    series = (photo, *sorted(series[1:], key=lambda extra: extra.role))  # in whatever order they were added
    tube = read_tube(settings.tube) if settings.tube else None
    say("Finding the marker and the scale", 0.1)
    calibration = find_scale(photo, settings.marker)
    say("Finding the pipe", 0.2)
    unnamed = settings.marker.kind == "auto"

    def door(calibration: Calibration) -> Shown:
        told = tube is not None
        return what_is_shown(
            photo, calibration, view=settings.view, tube_told=told, taps=settings.taps, disc_unnamed=unnamed
        )

    shown = door(calibration)
    if shown.marker_in_metal and unnamed and calibration.method != "card":
        # nobody said that a marker is there: rather no scale than one read off scratches
        calibration = find_scale(photo, Marker(kind="none"))
        calibration = replace(calibration, flags=(*calibration.flags, raise_flag("marker_not_used")))
        shown = door(calibration)
    surface = find_surface(photo, calibration, view=settings.view, tube=tube, shown=shown)
    aligned = align(photo, calibration, surface, tuple(lights)) if lights else None
    say("Looking for pits", 0.35)
    with ThreadPoolExecutor(1) as beside:  # bands do not depend on pits: a second core looks for them meanwhile
        other = beside.submit(find_bands, photo, calibration, surface)
        pits = find_pits(photo, calibration, surface, shown=shown, others=aligned.pictures if aligned else ())
        say("Looking for marks and colours", 0.75)
        bands = other.result()
    say("Measuring the wall", 0.85)
    ring: Ring | None = None
    ring_flags: tuple[Flag, ...] = ()
    if surface.view == "end":
        ring = measure_ring(photo, calibration, surface, tube)
        surface = _at_the_cut(surface, ring)
    for extra in series[1:]:
        if extra.role == "ring" and ring is None:
            ring, ring_flags = _ring_of(extra, settings.marker, tube)
    backlit = next((extra for extra in series[1:] if extra.role == "backlit"), None)
    relief = None
    if lights or backlit is not None:
        relief = find_relief(photo, calibration, surface, pits, lights=tuple(lights), backlit=backlit, aligned=aligned)
        seen_through = {pit.id: relief.through.get(pit.id, pit.through) for pit in pits.pits}
        pits = replace(pits, pits=tuple(replace(pit, through=seen_through[pit.id]) for pit in pits.pits))
    pits = _among_photos(pits, len(series))
    pattern = _pattern_of(surface, pits, bands, tube, relief)
    quality = _quality_of(photo, surface)
    stages = (photo, calibration, shown, surface, pits, bands, pattern, ring, relief)
    flags = [*quality, *ring_flags, *(flag for stage in stages if stage is not None for flag in stage.flags)]
    if surface.unit == "mm":  # the tube's own diameter stands in for a marker, and says so itself
        flags = [flag for flag in flags if flag.id != "no_scale"]
    return Look(
        settings=settings,
        tube=tube,
        photos=(*series, *(light.photo for light in lights)),
        calibration=calibration,
        shown=shown,
        surface=surface,
        pits=pits,
        bands=bands,
        pattern=pattern,
        ring=ring,
        relief=relief,
        quality=quality,
        flags=_once(flags),
    )


def _among_photos(pits: PitCatalogue, series: int) -> PitCatalogue:
    """``carried_by`` as places in ``Look.photos``, where the lights stand behind the series of photos."""
    if series == 1:
        return pits
    placed = (tuple(look + series - 1 if look else 0 for look in pit.carried_by) for pit in pits.pits)
    return replace(
        pits, pits=tuple(replace(pit, carried_by=where) for pit, where in zip(pits.pits, placed, strict=True))
    )


def _quality_of(photo: Photo, surface: Surface) -> tuple[Flag, ...]:
    metal = np.zeros(photo.rgb.shape[:2], bool)
    left, top = surface.origin_px
    height, width = surface.metal.shape
    metal[top : top + height, left : left + width] = surface.metal
    return quality_flags(photo, metal=metal, mm_per_px=surface.mm_per_px.value if surface.mm_per_px else None)


def _pattern_of(
    surface: Surface, pits: PitCatalogue, bands: Bands, tube: Tube | None, relief: Relief | None
) -> Pattern:
    round_mm = None
    if (
        tube is not None and surface.view == "flat"
    ):  # what a flattened tube is wide: its middle line stays as long as it was
        wall_mm = tube.wall_mm if tube.wall_mm is not None else USUAL_WALL_MM[0]
        round_mm = np.pi * (tube.outside_diameter_mm - wall_mm)
    return read_pattern(
        surface, pits, bands, circumference_mm=round_mm, holes=len(relief.holes) if relief is not None else 0
    )


def _ring_of(photo: Photo, marker: Marker, tube: Tube | None) -> tuple[Ring, tuple[Flag, ...]]:
    """The ring on a photo of its own, with what its scale and its outline leave in doubt.

    The marker is looked for anew: a coin is the same coin, but a length marked on the main photo is not on this one.
    """
    calibration = find_scale(photo, Marker(diameter_mm=marker.diameter_mm))
    surface = find_surface(photo, calibration, view="end", tube=tube)
    ring = measure_ring(photo, calibration, surface, tube)
    flags = tuple(flag for flag in (*calibration.flags, *surface.flags) if flag.id != "no_scale")
    if ring.minimum_mm is None:
        flags = (*flags, raise_flag("ring_without_scale", photo.name))
    return ring, flags


def _at_the_cut(surface: Surface, ring: Ring) -> Surface:
    """The ring's own outline gives the scale at the cut plane better than the outline of all that is seen of the piece."""
    if ring.mm_per_px is None or surface.mm_per_px is None:
        return surface
    factor = ring.mm_per_px.value / surface.mm_per_px.value
    return replace(
        surface,
        mm_per_px=ring.mm_per_px,
        seen_area=surface.seen_area.times(factor**2),
        examined_area=surface.examined_area.times(factor**2),
    )


def conclude(
    seen: Look,
    *,
    facts: Facts | None = None,
    readings: Readings | None = None,
    corrections: Iterable[Correction] = (),
    prices: Prices | None = None,
    second_looks: Iterable[SecondLook] = (),
) -> Examination:
    """Apply corrections, assess the wall, rank the causes and plan the steps; arguments as for ``examine``."""
    corrections = tuple(corrections)
    corrected = corrected_pattern = None
    surface, pits, pattern, relief, looked = seen.surface, seen.pits, seen.pattern, seen.relief, seen.flags
    ring = seen.ring
    marker = seen.settings.marker
    if taps(corrections) != seen.settings.taps:
        raise InputError(
            "The corrections say what is metal and what is not, so the photo is looked at anew first: give examine() the photo, or "
            "look() the settings that with_taps() returns."
        )
    on_metal = tuple(
        entry
        for entry in corrections
        if entry.kind not in TAPS and not (_is_marker(entry, marker) and beside_the_metal(entry, surface))
    )
    if on_metal:
        # A length marked without knowing how the phone was held says nothing of lengths that run another way.
        lasting = ("camera tilt",) if seen.calibration.method == "length" else ()
        own_ring = seen.ring if surface.view == "end" else None
        corrected = apply_corrections(
            surface, pits, on_metal, bands=seen.bands, relief=relief, ring=own_ring, lasting=lasting
        )
        surface, pits, relief = corrected.surface, corrected.pits, corrected.relief
        assert corrected.bands is not None
        ring = corrected.ring or seen.ring
        pattern = corrected_pattern = _pattern_of(surface, pits, corrected.bands, seen.tube, relief)
        if readings is not None:
            readings = bound(readings, (*seen.pits.pits, *corrected.added_pits))
        _check_still_there(readings, seen.pits, corrected)
        gone = {*seen.pits.flags, *seen.pattern.flags, *(seen.relief.flags if seen.relief is not None else ())}
        settled = SETTLED_BY_LENGTH if corrected.scale_factor is not None else ()
        kept = (flag for flag in looked if flag not in gone and flag.id not in settled)
        looked = (*kept, *pits.flags, *pattern.flags, *(relief.flags if relief is not None else ()))
        if not corrected.kept.everything:
            looked = (*(flag for flag in looked if flag not in seen.quality), *_quality_of(seen.photo, surface))
    elif readings is not None:
        readings = bound(readings, seen.pits.pits)
    if facts is not None and not isinstance(facts, Facts):
        raise InputError("Facts go in checked: give what check_facts({...}) or read_facts(path) returns.")
    told: dict[str, Any] = dict(facts or {})
    flags: list[Flag] = []
    for entry in corrected.without_pit if corrected is not None else ():
        if entry.kind != "remove_pit" and entry.points_px is not None:
            x, y = entry.points_px[0]
            flags.append(raise_flag("word_on_no_pit", f"number {entry.pit} then, at {x:.0f}, {y:.0f} px"))
    if (
        seen.tube is not None
    ):  # what was said about the photo is a fact of the house too, and goes before what the facts say
        material = (
            None if seen.tube.material == "copper" else seen.tube.material.replace(" ", "_")
        )  # copper is taken where none is said
        known = {"tube_size": seen.tube.size, "tube_type": seen.tube.type, "material": material}
        known = {name: value for name, value in known.items() if value}
        for name, value in known.items():
            if told.get(name, value) != value:
                flags.append(raise_flag("told_twice", f"{value} beside the photo and {told[name]} in the facts"))
        told = {**told, **known}
    elif "tube_size" in told:
        flags.append(raise_flag("tube_not_beside_photo", str(told["tube_size"])))
    wall = assess_wall(
        tube=seen.tube, surface=surface, pits=pits, ring=ring, relief=relief, readings=readings, facts=told
    )
    quantities = with_coarse_words({**pattern.quantities, **wall.quantities, **told})
    derived, derived_flags = derive(quantities)
    quantities = dict(in_vocabulary({**derived, **quantities}))
    flags += _metal_asked(seen, told.get("material"), quantities)
    judgement = causes.judge(_to_be_judged(seen, pattern, quantities, told, flags), material=_metal_taken(flags))
    house = repair_or_replace(quantities, judgement, prices)
    second_looks = tuple(second_looks)
    if prices is not None and house is None:
        flags.append(raise_flag("prices_not_used"))
    return Examination(
        look=seen,
        facts=Facts(by_id=MappingProxyType(told), flags=facts.flags if facts is not None else ()),
        readings=readings,
        corrections=corrections,
        corrected=corrected,
        corrected_pattern=corrected_pattern,
        wall=wall,
        quantities=quantities,
        judgement=judgement,
        steps=steps.plan(quantities, judgement),
        installation=installation(quantities),
        house=house,
        flags=_once((*looked, *flags, *wall.flags, *derived_flags, *(facts.flags if facts is not None else ()))),
        program_version=program_version(),
        second_looks=second_looks,
        agreements=_agreements(second_looks, seen, pits, surface, corrections),
    )


def _agreements(
    looks: tuple[SecondLook, ...], seen: Look, pits: PitCatalogue, surface: Surface, corrections: tuple[Correction, ...]
) -> tuple[Agreement, ...]:
    """Of each second look with what stands; where pits could not be counted there is nothing to agree with."""
    if pits.count is None:
        return ()
    judged = any(entry.kind == "add_pit" or entry.kind in ABOUT_A_PIT for entry in corrections)
    return tuple(
        agreement(
            look,
            first=pits,
            program=seen.pits,
            surface=surface,
            longest_px=max(seen.photo.width_px, seen.photo.height_px),
            first_is_program=not judged,
        )
        for look in looks
    )


def _metal_asked(seen: Look, told: Any, quantities: Mapping[str, Any]) -> list[Flag]:
    """A question where the colours do not fit the metal that was told, or copper where none was."""
    looks = seen.shown.looks
    if float(quantities.get("share_rust", 0.0)) >= RUST_SHARE and looks != "yellow":
        looks = "rust"
    if looks is None or (told is not None and told in FITTING[looks]):
        return []
    if told is None:
        return [raise_flag("material_asked", NAMES[looks])]
    return [raise_flag("material_disagrees", f"{NAMES[looks]} by the picture, {str(told).replace('_', ' ')} as told")]


def _metal_taken(flags: Iterable[Flag]) -> str:
    """What goes for the metal where none is told: copper, unless the colours ask."""
    return "unknown" if any(flag.id in ("material_asked", "material_disagrees") for flag in flags) else "copper"


def _to_be_judged(
    seen: Look, pattern: Pattern, quantities: Mapping[str, Any], told: Mapping[str, Any], flags: Iterable[Flag]
) -> dict[str, Any]:
    """What causes may rest on: all, or only what does not come of this picture where it or the metal is in doubt."""
    asked = any(flag.id in ("material_asked", "material_disagrees") for flag in flags)
    if seen.shown.sure and not asked:
        kept = dict(quantities)
    else:
        pictured = set(pattern.quantities) - set(told)
        kept = {name: value for name, value in quantities.items() if name not in pictured}
    if not kept.get("pit_count"):  # none found is none there only where it would have been seen
        kept.pop("pit_count", None)
    return kept


def _is_marker(entry: Correction, marker: Marker) -> bool:
    """Whether a known length is what gave the photo its scale."""
    return entry.kind == "known_length" and (marker.kind, marker.points_px, marker.length_mm) == (
        "length",
        entry.points_px,
        entry.length_mm,
    )


def _check_still_there(readings: Readings | None, found: PitCatalogue, corrected: Corrected) -> None:
    """Raises InputError where a reading names a pit that was there before the corrections."""
    standing = {pit.id for pit in corrected.pits.pits}
    for reading in readings.of("pit") if readings is not None else ():
        if reading.pit in corrected.removed_pits:
            what = "called a mound" if reading.pit in corrected.mounds else "taken out as no pit"
        elif (
            reading.pit is not None and reading.pit not in standing and any(pit.id == reading.pit for pit in found.pits)
        ):
            what = "left outside the metal to examine"
        else:
            continue
        raise InputError(
            f"Pit {reading.pit} has a depth reading but was {what} by hand; take back the correction or the reading."
        )


def _once(flags: Iterable[Flag]) -> tuple[Flag, ...]:
    """Each flag once, the serious ones first."""
    order = ("serious", "warning", "note")
    return tuple(sorted(dict.fromkeys(flags), key=lambda flag: order.index(flag.severity)))
