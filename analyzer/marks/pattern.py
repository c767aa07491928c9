"""What the pits and bands say together: density, the standard's ratings, sizes, clustering, clock position, direction.

A pit's place is judged against the metal that was examined, not against a rectangle: along the pipe and around it each place
becomes the share of examined area that lies before it (``u`` and ``v``, 0..1), which is uniform where pits fall evenly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

import numpy as np
from scipy import optimize, spatial
from scipy.special import ndtr, ndtri

from analyzer.base.datafile import data_table
from analyzer.base.flags import Flag, raise_flag
from analyzer.base.measured import Measure, mean, ratio
from analyzer.marks.bands import KINDS, Bands
from analyzer.marks.catalogue import Pit, PitCatalogue
from analyzer.marks.largest import largest_opening
from analyzer.marks.number import SQUARELY_DEG
from analyzer.piece.surface import Surface

# Where neither simulation nor a test's level is named: a judgement, no source.
# Every threshold of this module.
LEAST_PITS = 5  # fewer: nothing is said about their arrangement, unless there are hardly any at all
LEVEL = 0.05  # of every test
DRAWN_OUT = 1.2  # length by width from which a mouth counts as drawn out
CLUSTERED_AT = (
    0.7  # a nearest-neighbour index below this makes the Poisson interval too narrow to be left without a flag
)
SIMULATIONS = 499  # random sets of pits that the nearest-neighbour index is compared with
SMALL_AREA_CM2 = 100.0  # below this a rating carries its note: A-1 is then less than 25 pits
HARDLY_ANY = 2.0  # expected pits (sum of confidences): fewer are no pits of note, if none of them is sure
SURE = 0.75  # confidence from which a single pit is of note
EVEN_COLOUR_SHARE = 0.6  # one colour class over this share of the metal
LEAD_NEEDED = (
    1.0  # the best pattern must lead the next by this much in log-likelihood (less its parameters), else none is named
)
BUMP_BY_CHANCE = (
    6.0  # gain in log-likelihood that a bell-shaped gathering reaches in one of a hundred even scatters (5 to 100 pits)
)
END_BY_CHANCE = 3.5  # the same for thinning out from one end; both by simulation, which a test repeats
SHARE_BY_CHANCE = (
    2.7  # the same for more pits inside the marks than their area: half the one-sided 99 % point of chi-squared
)
BACKGROUND = 0.1  # share of pits that a pattern lets fall anywhere
OWN_SOURCES = (
    "outline of the mouth",
    "pointing",
)  # of a pit's budget: its own; all others are shared by the pits of a photo
DRAWN_GAIN = 1.35  # half the squared normal deviate at LEVEL: pits count as drawn out along the pipe from here
OF_SINGLE_PITS = (
    "clark_evans_index", "pits_arrangement", "around_concentration", "axial_gradient", "pits_one_end", "pits_lined_bottom",
    "pit_pattern_class", "pit_pattern_margin",
)  # fmt: skip
UNSUPPORTED_COST = (
    3.0  # gathered with no contact mark there, or thinning out with no drawn-out pits, must be e^3, 20 times, likelier
)


@dataclass(frozen=True, kw_only=True)
class Pattern:
    pits_per_cm2: Measure | None  # the estimated number of pits over its own area, for this piece; None without a scale
    density_rating: str | None  # ASTM G46 A-1 .. A-5, the nearest
    size_rating: str | None  # ASTM G46 B-1 .. B-5
    mean_diameter_mm: Measure | None
    largest_diameter_mm: Measure | None  # the largest listed; its interval is where the largest there is may lie
    quantities: Mapping[
        str, float | str | bool
    ]  # measured quantities for the rules; one that is not known is not there
    flags: tuple[Flag, ...] = ()
    counted_area: Measure | None = None  # mm2 on which the number of pits is estimated; None without a scale
    density_rating_range: tuple[str, str] | None = None  # of both ends of the interval
    size_rating_range: tuple[str, str] | None = None


def read_pattern(
    surface: Surface, pits: PitCatalogue, bands: Bands, *, circumference_mm: float | None = None, holes: int = 0
) -> Pattern:
    """Density and arrangement of the pits. ``holes``: places where light from behind came through and no pit was found.

    ``circumference_mm`` of the face, where the tube is known: an opened piece as wide as that is taken as the whole round, so
    pits at its two long edges are neighbours.
    """
    counted = list(pits.counted)
    examined = [pit for pit in counted if _in_mask(pit, surface, surface.examined)]
    flags: list[Flag] = []
    quantities: dict[str, float | str | bool] = {}
    if surface.view in ("inside", "outside"):
        quantities["side_attacked"] = surface.view
    if pits.attack is not None:
        quantities["general_attack_seen"] = pits.attack.present
        quantities["general_attack_share"] = pits.attack.share.value
    if (
        pits.count is None
    ):  # a cut end, pocks that run into each other, or a picture in which none could be seen: nothing rests on it
        if not pits.generally_attacked:
            quantities.pop("side_attacked", None)
        return Pattern(
            pits_per_cm2=None,
            density_rating=None,
            size_rating=None,
            mean_diameter_mm=None,
            largest_diameter_mm=None,
            quantities=MappingProxyType(quantities),
        )

    quantities["pit_count"] = len(counted)
    quantities["mound_count"] = len(pits.mounds)
    known_through = [pit.through for pit in counted if pit.through is not None]
    if known_through and len(known_through) == len(counted) or any(known_through) or holes:
        quantities["through_hole_count"] = sum(known_through) + holes
    area = surface.area_up_to(SQUARELY_DEG) if surface.unit == "mm" else None
    density = None
    if area is not None and area.value > 0 and pits.count is not None:
        density = ratio(pits.count, area.times(0.01))
    diameters = [pit.equivalent_diameter_mm for pit in counted if pit.equivalent_diameter_mm is not None]
    areas = [pit.opening_area_mm2 for pit in counted if pit.opening_area_mm2 is not None]
    if density is not None:
        quantities["pit_density_per_cm2"] = density.value
    if diameters:
        quantities["largest_pit_mm"] = max(d.value for d in diameters)
        quantities["median_pit_mm"] = float(np.median([d.value for d in diameters]))
    largest = None
    if surface.mm_per_px is not None:
        largest = largest_opening(counted, pits.marks, surface.mm_per_px.value)
    opening = mean(areas, own=OWN_SOURCES) if areas else None
    if density is not None and counted and surface.examined_area.value < SMALL_AREA_CM2 * 100:
        flags.append(raise_flag("rating_on_small_area", f" ({surface.examined_area.value / 100:.0f} cm2)"))

    _band_quantities(quantities, surface, bands, examined)
    _colour_quantities(quantities, bands)
    places = _Places.of(surface, examined)
    if len(examined) >= LEAST_PITS:
        index, p_value = _arrangement(surface, places, circumference_mm)
        if index is not None:
            quantities["clark_evans_index"] = index
            quantities["pits_arrangement"] = "random" if p_value >= LEVEL else "clustered" if index < 1 else "regular"
            if p_value < LEVEL and index < CLUSTERED_AT:
                flags.append(raise_flag("clustered_pits", f"{index:.2f}"))
        resultant, _ = rayleigh(2 * np.pi * places.v)
        quantities["around_concentration"] = resultant
        quantities["axial_gradient"] = float(2 * places.u.mean() - 1)
    elif examined:
        flags.append(raise_flag("few_pits_for_pattern", str(len(examined))))
    drawn = _direction(quantities, counted)
    in_mark = 0.0
    if examined and quantities["contact_mark_seen"]:
        in_mark = _gain_mark(*_inside("contact_mark", surface, bands, examined), places.confidence)
    _pattern_class(quantities, surface, places, drawn, in_mark, bands)
    if (
        pits.generally_attacked
    ):  # pocks shoulder to shoulder: how single pits lie says nothing, and the metal is not even
        for name in OF_SINGLE_PITS:
            quantities.pop(name, None)
        quantities["surface_even"] = False
    return Pattern(
        pits_per_cm2=density,
        density_rating=_rating("density_pits_per_m2", density, 1e4)[0] if counted else None,
        size_rating=_rating("size_mm2", opening, 1.0)[0],
        density_rating_range=_rating("density_pits_per_m2", density, 1e4)[1] if counted else None,
        size_rating_range=_rating("size_mm2", opening, 1.0)[1],
        counted_area=area,
        mean_diameter_mm=mean(diameters, own=OWN_SOURCES) if diameters else None,
        largest_diameter_mm=largest,
        quantities=MappingProxyType(quantities),
        flags=tuple(flags),
    )


# --- published statistics ---


@cache
def _g46() -> dict:
    return data_table("g46")


def nearest_rating(chart: str, value: float) -> str:
    """The rating of ASTM G46 whose figure is nearest to ``value`` on a logarithmic scale.

    ``chart``: "density_pits_per_m2" (pits per square metre) or "size_mm2" (mean opening, square millimetres); ``value`` > 0.
    Worked value: 5e4 pits per m2 is A-3.
    """
    return min(_g46()[chart].items(), key=lambda row: abs(math.log(value / row[1])))[0]


def _rating(chart: str, measure: Measure | None, factor: float) -> tuple[str | None, tuple[str, str] | None]:
    """The rating of a measure (times ``factor`` in the chart's unit) and those of both ends of its interval; none of nothing."""
    if measure is None or not measure.value > 0:
        return None, None
    least = min(_g46()[chart].values())
    ends = [
        max(end * factor, least) for end in measure.interval_95
    ]  # nothing at all has no rating of its own: the lowest
    return nearest_rating(chart, measure.value * factor), (
        nearest_rating(chart, ends[0]),
        nearest_rating(chart, ends[1]),
    )


def nearest_distances(points: np.ndarray, *, around: float | None = None) -> np.ndarray:
    """Distance from each of (n, 2) points (axial, around) to its nearest neighbour, (n,).

    With ``around`` the second coordinate closes on itself after that length, as on a whole round.
    """
    points = np.asarray(points, float)
    if around is not None:
        shift = np.array([0.0, around])
        everywhere = np.concatenate([points, points - shift, points + shift])
    else:
        everywhere = points
    return spatial.cKDTree(everywhere).query(points, k=2)[0][:, 1]


def rayleigh(angles_rad: np.ndarray) -> tuple[float, float]:
    """Mean resultant length of directions and the p-value of the Rayleigh test of uniformity.

    p = exp(sqrt(1 + 4 n + 4 (n^2 - (n r)^2)) - (1 + 2 n)), good to some 1 % from n = 10 (Zar, Biostatistical Analysis, from memory;
    checked in the tests against a library and by simulation). n >= 1.
    """
    number = len(angles_rad)
    resultant = float(abs(np.exp(1j * np.asarray(angles_rad)).mean()))
    total = number * resultant
    exponent = math.sqrt(1 + 4 * number + 4 * (number**2 - total**2)) - (1 + 2 * number)
    return resultant, min(1.0, math.exp(exponent))


# --- places on the examined metal ---


@dataclass(frozen=True, kw_only=True)
class _Places:
    """Where the examined pits sit: on the metal and as shares of examined area before them."""

    axial: np.ndarray
    around: np.ndarray
    u: np.ndarray  # 0..1 along the pipe
    v: np.ndarray  # 0..1 around it
    confidence: np.ndarray  # 0..1, that it is a pit at all

    @staticmethod
    def of(surface: Surface, examined: list[Pit]) -> _Places:
        left, top = surface.origin_px
        rows = np.array([round(pit.y_px) - top for pit in examined], np.intp)
        columns = np.array([round(pit.x_px) - left for pit in examined], np.intp)
        axial = surface.axial[rows, columns].astype(float)
        around = surface.around[rows, columns].astype(float)
        u = _area_before(surface.axial, surface, axial)
        v = _area_before(surface.around, surface, around)
        confidence = np.array([pit.confidence for pit in examined])
        return _Places(axial=axial, around=around, u=u, v=v, confidence=confidence)


def _area_before(coordinate: np.ndarray, surface: Surface, at: np.ndarray) -> np.ndarray:
    """Share of the examined area with a smaller coordinate than ``at``, 0..1."""
    examined = surface.examined
    if not len(at) or not examined.any():
        return np.zeros(len(at))
    values, weights = coordinate[examined], surface.area_per_px[examined]
    sums, edges = np.histogram(values, bins=400, weights=weights)
    return np.interp(at, edges, np.concatenate([[0.0], np.cumsum(sums)]) / sums.sum())


def _in_mask(pit: Pit, surface: Surface, mask: np.ndarray) -> bool:
    column, row = round(pit.x_px) - surface.origin_px[0], round(pit.y_px) - surface.origin_px[1]
    return 0 <= row < mask.shape[0] and 0 <= column < mask.shape[1] and bool(mask[row, column])


def _arrangement(surface: Surface, places: _Places, circumference_mm: float | None) -> tuple[float | None, float]:
    """Nearest-neighbour index against random pits on the very metal examined, and its two-sided p-value by simulation.

    The simulated pits carry the edges and gaps of the metal, so no formula for edges is needed; the seed is fixed.
    """
    examined = surface.examined
    area = surface.area_per_px[examined].astype(float)
    if not area.sum() > 0:
        return None, 1.0
    axial, around = surface.axial[examined], surface.around[examined]
    wrap = None
    if circumference_mm is not None and surface.view == "flat":
        extent = float(np.percentile(around, 99.9) - np.percentile(around, 0.1))
        wrap = circumference_mm if abs(extent / circumference_mm - 1) < 0.06 else None
    number = len(places.u)
    observed = nearest_distances(np.stack([places.axial, places.around], -1), around=wrap).mean()
    draw = np.random.default_rng(1)
    # a pixel is drawn with the weight of its area: every third is enough for the shape
    some = slice(None, None, max(1, len(area) // 200_000))
    cumulative = np.cumsum(area[some])
    pick = np.searchsorted(cumulative, draw.uniform(0, cumulative[-1], (SIMULATIONS, number)))
    pick = np.minimum(pick, len(cumulative) - 1)
    axial, around = axial[some].astype(float), around[some].astype(float)
    size = math.sqrt(float(np.median(area[some])) * max(1, len(area) // 200_000))
    jitter = draw.uniform(-0.5, 0.5, (SIMULATIONS, number, 2)) * size
    simulated = np.array(
        [
            nearest_distances(np.stack([axial[row], around[row]], -1) + shift, around=wrap).mean()
            for row, shift in zip(pick, jitter, strict=True)
        ]
    )
    below = (np.sum(simulated <= observed) + 1) / (SIMULATIONS + 1)
    above = (np.sum(simulated >= observed) + 1) / (SIMULATIONS + 1)
    return float(observed / simulated.mean()), float(min(1.0, 2 * min(below, above)))


# --- quantities ---


def _band_quantities(
    quantities: dict[str, float | str | bool], surface: Surface, bands: Bands, examined: list[Pit]
) -> None:
    kinds = {band.kind for band in bands.bands}
    quantities["contact_mark_seen"] = "contact_mark" in kinds
    quantities["water_line_seen"] = "water_line" in kinds
    quantities["overall_stain_seen"] = "overall_stain" in kinds
    if not examined:
        return
    for kind, name in (("contact_mark", "pits_in_contact_mark_share"), ("water_line", "pits_in_water_line_share")):
        if kind not in kinds:
            continue
        inside, share = _inside(kind, surface, bands, examined)
        quantities[name] = float(inside.mean())
        if kind == "contact_mark" and share > 0:
            quantities["contact_mark_pit_enrichment"] = float(inside.mean()) / share


def _inside(kind: str, surface: Surface, bands: Bands, examined: list[Pit]) -> tuple[np.ndarray, float]:
    """Which of the pits lie in bands of that kind, and which share of the examined area does."""
    left, top = surface.origin_px
    height, width = surface.metal.shape
    here = bands.labels[top : top + height, left : left + width] == KINDS.index(kind) + 1
    inside = np.array([_in_mask(pit, surface, here) for pit in examined], bool)
    area = surface.area_per_px[surface.examined]
    return inside, float(surface.area_per_px[surface.examined & here].sum() / area.sum())


def _colour_quantities(quantities: dict[str, float | str | bool], bands: Bands) -> None:
    names = {
        "bright_metal": "share_bright_metal",
        "red_brown_oxide": "share_red_brown",
        "black_oxide": "share_black",
        "green_product": "share_green",
        "blue_green_product": "share_blue_green",
        "white_scale": "share_white",
        "rust_stain": "share_rust",
    }
    for colour_class, share in bands.colour_shares.items():
        quantities[names[colour_class]] = share


def _direction(quantities: dict[str, float | str | bool], counted: list[Pit]) -> float:
    """Elongation and agreement of direction; gives the log-likelihood gain of pits drawn out along the pipe.

    Directions are axes (no head), so angles are doubled. Each pit weighs by how far it is drawn out, 1 - width / length, and by
    its confidence: small and doubtful mouths have a direction by chance. The gain is half the squared normal deviate of the
    weighted V test (Rayleigh test against a known direction, here the pipe's axis), 0 where pits do not lie along the pipe.
    """
    known = [
        (p.length_mm.value / p.width_mm.value, p.orientation_deg, p.confidence)
        for p in counted
        if p.length_mm is not None and p.width_mm is not None and p.width_mm.value > 0 and p.orientation_deg is not None
    ]
    if len(known) < LEAST_PITS:
        return 0.0
    elongation, orientation_deg, confidence = np.array(known, float).T
    weight = np.clip(1 - 1 / elongation, 0, 0.5) * confidence
    quantities["elongation_median"] = float(np.median(elongation))
    if not weight.sum() > 0:
        quantities["pits_flow_directional"] = False
        return 0.0
    doubled = np.radians(2 * orientation_deg)
    quantities["direction_agreement"] = float(abs((weight * np.exp(1j * doubled)).sum()) / weight.sum())
    deviate = float((weight * np.cos(doubled)).sum() / math.sqrt((weight**2).sum() / 2))
    drawn_out = float(np.median(elongation)) >= DRAWN_OUT
    quantities["pits_flow_directional"] = bool(drawn_out and deviate > ndtri(1 - LEVEL))
    return 0.5 * deviate**2 if deviate > 0 else 0.0


def _gain_end(u: np.ndarray, confidence: np.ndarray | float = 1.0) -> tuple[float, float]:
    """Log-likelihood gain over even scatter, and rate, of a density that falls off exponentially from one end (rate > 0: from 0).

    A pit that may be none counts by its confidence; what is no pit falls anywhere.
    """
    share = (1 - BACKGROUND) * np.asarray(confidence)

    def minus(rate: float) -> float:
        if abs(rate) < 1e-6:
            return 0.0
        density = rate * np.exp(-rate * u) / -np.expm1(-rate)
        return -float(np.log(1 - share + share * density).sum())

    fits = [optimize.minimize_scalar(minus, bounds=bounds, method="bounded") for bounds in ((-30, 0), (0, 30))]
    best = min(fits, key=lambda fit: fit.fun)
    return max(0.0, -float(best.fun)), float(best.x)


def _gain_bump(u: np.ndarray, confidence: np.ndarray | float = 1.0) -> tuple[float, float, float]:
    """Log-likelihood gain, centre and width of a bell-shaped gathering over even scatter."""
    share = (1 - BACKGROUND) * np.asarray(confidence)
    centres, widths = np.meshgrid(np.linspace(0.02, 0.98, 49), np.geomspace(0.03, 0.35, 12), indexing="ij")
    centre, width = centres[..., None], widths[..., None]
    mass = ndtr((1 - centre) / width) - ndtr(-centre / width)
    density = np.exp(-0.5 * ((u - centre) / width) ** 2) / (width * math.sqrt(2 * math.pi)) / mass
    gain = np.log(1 - share + share * density).sum(-1)
    best = np.unravel_index(gain.argmax(), gain.shape)
    return max(0.0, float(gain[best])), float(centres[best]), float(widths[best])


def _gain_mark(inside: np.ndarray, area_share: float, confidence: np.ndarray) -> float:
    """Log-likelihood gain of pits that are denser inside the contact marks than beside them; 0 where they are not."""
    if not 0 < area_share < 1:
        return 0.0
    share = confidence.sum() and float((confidence * inside).sum() / confidence.sum())
    if share <= area_share:
        return 0.0
    share = min(share, 1 - BACKGROUND / 2)
    density = np.where(inside, share / area_share, (1 - share) / (1 - area_share))
    return max(0.0, float(np.log(1 - confidence + confidence * density).sum()))


def _mark_at(centre: float, places: _Places, bands: Bands) -> bool:
    """Whether a contact mark lies where the pits gather: the pit in the middle of them within its extent, give or take its half width."""
    axial = float(places.axial[np.abs(places.u - centre).argmin()])
    for band in bands.bands:
        if band.kind != "contact_mark":
            continue
        if band.axial_mm is None:
            return True
        low, high = band.axial_mm
        if low - (high - low) / 2 <= axial <= high + (high - low) / 2:
            return True
    return False


def _pattern_class(
    quantities: dict[str, float | str | bool],
    surface: Surface,
    places: _Places,
    drawn: float,
    in_mark: float,
    bands: Bands,
) -> None:
    """What the arrangement alone looks like, by likelihood against even scatter.

    Each pattern's gain in log-likelihood is charged what chance alone reaches once in a hundred. The lead of the best over the
    next must reach LEAD_NEEDED; ``pit_pattern_margin`` is 1 - exp(-lead), one less the likelihood ratio: no probability.
    - uniform_attack: hardly any pit and no mark;
    - erosion_at_fitting: thinning out from one end, and pits drawn out along the pipe;
    - localised_contact: gathered over one length of pipe, with a contact mark there or far beyond chance;
    - bottom_line: gathered at one clock position, all along;
    - scattered_pitting: none of these gains.
    """
    number = len(places.u)
    sparse = number == 0 or (places.confidence.sum() < HARDLY_ANY and places.confidence.max() < SURE)
    largest = max(bands.colour_shares.values(), default=0.0)
    banded = any(band.kind in ("contact_mark", "water_line") for band in bands.bands)
    quantities["surface_even"] = bool(sparse and not banded and largest >= EVEN_COLOUR_SHARE)
    if sparse:
        if banded or not surface.examined_area.value > 0:
            return  # a mark on the metal, or no metal looked at: no pits there say nothing of an even attack
        quantities["pit_pattern_class"] = "uniform_attack"
        quantities["pit_pattern_margin"] = 1.0 if number == 0 else 0.5
        return
    if number < LEAST_PITS:
        return
    end, rate = _gain_end(places.u, places.confidence)
    along, centre, _ = _gain_bump(places.u, places.confidence)
    around, _, _ = _gain_bump(places.v, places.confidence)
    marked = _mark_at(centre, places, bands)
    gains = {
        "scattered_pitting": 0.0,
        "erosion_at_fitting": end + drawn - END_BY_CHANCE - (0.0 if drawn >= DRAWN_GAIN else UNSUPPORTED_COST),
        "localised_contact": max(
            along - BUMP_BY_CHANCE + max(0.0, around - BUMP_BY_CHANCE) - (0.0 if marked else UNSUPPORTED_COST),
            in_mark - SHARE_BY_CHANCE,
        ),
        "bottom_line": around - BUMP_BY_CHANCE,
    }
    order = sorted(gains, key=lambda name: -gains[name])
    lead = gains[order[0]] - gains[order[1]]
    quantities["pits_one_end"] = bool(end > max(END_BY_CHANCE, along - BUMP_BY_CHANCE + END_BY_CHANCE))
    quantities["pits_lined_bottom"] = bool(order[0] == "bottom_line" and around > BUMP_BY_CHANCE)
    if lead >= LEAD_NEEDED:
        quantities["pit_pattern_class"] = order[0]
        quantities["pit_pattern_margin"] = float(1 - math.exp(-lead))
