"""Depth from light: several torch positions in one pose, and light from behind that shows perforations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from analyzer.flags import Flag, InputError
from analyzer.measured import Measure
from analyzer.photo import Photo
from analyzer.pits import PitCatalogue
from analyzer.scale import Calibration
from analyzer.surface import Surface


@dataclass(frozen=True, kw_only=True)
class Light:
    """A photo of the same pose with one torch, and where the torch was.

    Either a direction, in degrees: azimuth counter-clockwise from the card's +x edge as seen from above, elevation above the
    card; or the light's place ``position_mm`` (x, y, z) in the card's frame.
    """

    photo: Photo
    azimuth_deg: float | None = None
    elevation_deg: float | None = None
    position_mm: tuple[float, float, float] | None = None


@dataclass(frozen=True, kw_only=True)
class Relief:
    """Depth per pit by number, and which pits light comes through."""

    pit_depths_mm: Mapping[int, Measure] = field(default_factory=dict)
    through: Mapping[int, bool] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()


def find_relief(
    photo: Photo,
    calibration: Calibration,
    surface: Surface,
    pits: PitCatalogue,
    *,
    lights: Sequence[Light] = (),
    backlit: Photo | None = None,
) -> Relief:
    """Depth per pit from photos with the torch from known sides, and perforations from a back-lit photo."""
    raise InputError("Photos with several lights are not read yet; leave them away.")
