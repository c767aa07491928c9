"""What the pits and bands say together: density, the standard's ratings, sizes, clustering, clock position, direction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analyzer.bands import Bands
from analyzer.flags import Flag
from analyzer.measured import Measure
from analyzer.pits import PitCatalogue
from analyzer.surface import Surface


@dataclass(frozen=True, kw_only=True)
class Pattern:
    pits_per_cm2: Measure | None  # None without a scale; its interval is the Poisson one for the run of pipe
    density_rating: str | None  # ASTM G46 A-1 .. A-5, the nearest
    size_rating: str | None  # ASTM G46 B-1 .. B-5
    mean_diameter_mm: Measure | None
    largest_diameter_mm: Measure | None
    quantities: Mapping[str, float | str | bool]  # measured quantities for the rules; one that is not known is not there
    flags: tuple[Flag, ...] = ()


def read_pattern(surface: Surface, pits: PitCatalogue, bands: Bands) -> Pattern:
    """Density and arrangement of the pits."""
    raise NotImplementedError
