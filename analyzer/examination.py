"""One call from photographs and facts to everything that is reported: ``examine`` and its result."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from analyzer import causes, steps
from analyzer.bands import Bands, find_bands
from analyzer.corrections import Corrected, Correction, apply_corrections
from analyzer.flags import Flag, InputError
from analyzer.pattern import Pattern, read_pattern
from analyzer.photo import Photo, quality_flags, read_photo
from analyzer.pits import PitCatalogue, find_pits
from analyzer.record import CAUTION, SCHEMA_VERSION, measure
from analyzer.scale import Calibration, Marker, find_scale
from analyzer.surface import Surface, find_surface
from analyzer.tables import Tube, read_tube

VIEWS = ("inside", "outside", "flat", "end")

Progress = Callable[[str, float], None]  # what is being done now, share done


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What a person says about the photo. ``view`` None: judged from the picture. ``tube``: "1/2 M", "1/2", "15.9x0.7" or None."""

    view: str | None = None
    tube: str | None = None
    marker: Marker = Marker()

    def __post_init__(self) -> None:
        if self.view is not None and self.view not in VIEWS:
            raise InputError(f"The view is one of {', '.join(VIEWS)}, not {self.view!r}.")

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
        }


@dataclass(frozen=True, kw_only=True)
class Examination:
    """Every stage's result for one removed section, with the settings and the input's hashes."""

    settings: Settings
    photos: tuple[Photo, ...]  # the first is the main one
    calibration: Calibration
    surface: Surface
    pits: PitCatalogue
    bands: Bands
    pattern: Pattern
    wall: Any
    facts: Mapping[str, Any]
    quantities: Mapping[str, Any]
    judgement: causes.Judgement
    steps: tuple[steps.Step, ...]
    flags: tuple[Flag, ...]
    corrections: tuple[Correction, ...] = ()
    corrected: Corrected | None = None
    corrected_pattern: Pattern | None = None
    program_version: str = field(default_factory=lambda: program_version())

    @property
    def photo(self) -> Photo:
        return self.photos[0]


def program_version() -> str:
    try:
        return version("cutpipe")
    except PackageNotFoundError:
        return "unpacked"


def examine(
    photos: str | Path | bytes | Photo | Sequence[Photo],
    *,
    facts: Mapping[str, Any] | None = None,
    settings: Settings = Settings(),
    readings: Any = None,
    corrections: Iterable[Correction] = (),
    progress: Progress | None = None,
) -> Examination:
    """Examine the photographs of one removed section.

    ``photos``: a path, a file's bytes, a Photo, or several Photos of which the first is the main one. ``facts``: facts
    of the installation as ``analyzer.facts`` reads them.
    Raises CutpipeError with one sentence where nothing sensible can be said (no picture, no pipe, a marker that is not there).
    """
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
    corrections = tuple(corrections)
    tube = read_tube(settings.tube) if settings.tube else None
    say("Finding the marker and the scale", 0.1)
    calibration = find_scale(photo, settings.marker)
    say("Finding the pipe", 0.2)
    surface = find_surface(photo, calibration, view=settings.view, tube=tube)
    say("Looking for pits", 0.35)
    pits = find_pits(photo, calibration, surface)
    say("Looking for marks and colours", 0.8)
    bands = find_bands(photo, calibration, surface)
    pattern = read_pattern(surface, pits, bands)
    metal = np.zeros(photo.rgb.shape[:2], bool)
    x0, y0 = surface.origin_px
    height, width = surface.metal.shape
    metal[y0 : y0 + height, x0 : x0 + width] = surface.metal
    quality = quality_flags(photo, metal=metal, mm_per_px=surface.mm_per_px.value if surface.mm_per_px else None)

    corrected = corrected_pattern = None
    if corrections:
        say("Applying the corrections", 0.85)
        corrected = apply_corrections(surface, pits, corrections)
        corrected_pattern = read_pattern(corrected.surface, corrected.pits, bands)
    standing_surface = corrected.surface if corrected else surface
    standing_pits = corrected.pits if corrected else pits
    standing_pattern = corrected_pattern or pattern
