"""Pattern: density limits, ratings, nearest-neighbour index, directions and pattern words against published values and known draws."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

import analyzer.marks.pattern as pattern_module
from analyzer.base.measured import Measure
from analyzer.marks.bands import Band, Bands
from analyzer.marks.catalogue import Pit, PitCatalogue
from analyzer.marks.pattern import (
    nearest_distances,
    nearest_rating,
    rayleigh,
    read_pattern,
)
from analyzer.piece.surface import Surface
from tests.conftest import DATA

# --- pieces and pits of known arrangement ---


def flat_piece(length_mm: float = 60.0, width_mm: float = 30.0, mm_per_px: float = 0.2, unit: str = "mm") -> Surface:
    """A flat piece seen square on; the photo shows it alone."""
    height, width = round(width_mm / mm_per_px), round(length_mm / mm_per_px)
    scale = mm_per_px if unit == "mm" else 1.0
    rows, columns = np.mgrid[:height, :width].astype(np.float32)
    area = Measure(value=height * width * scale**2, budget={"scale": 0.01 * height * width * scale**2})
    return Surface(
        view="flat",
        view_source="told",
        unit=unit,
        origin_px=(0, 0),
        metal=np.ones((height, width), bool),
        axial=columns * np.float32(scale),
        around=(rows - height / 2) * np.float32(scale),
        obliquity_deg=np.zeros((height, width), np.float32),
        area_per_px=np.full((height, width), scale**2, np.float32),
        radius_mm=None,
        mm_per_px=Measure(value=mm_per_px, budget={"scale": 0.005 * mm_per_px}) if unit == "mm" else None,
        seen_area=area,
        examined_area=area,
        axial_length=Measure(value=width * scale),
        outline_px=np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32),
    )


def catalogue(
    surface: Surface,
    axial: np.ndarray,
    across: np.ndarray,
    *,
    elongation: float = 1.0,
    orientation_deg=0.0,
    confidence: float = 0.9,
) -> PitCatalogue:
    """Pits of 1 mm2 at places from 0 to 1 along and across the piece."""
    height, width = surface.metal.shape
    scaled = surface.unit == "mm"
    orientation = np.broadcast_to(orientation_deg, np.shape(axial))
    pits = tuple(
        Pit(
            id=number + 1,
            x_px=float(min(x * width, width - 1)),
            y_px=float(min(y * height, height - 1)),
            opening_area_px=100.0,
            equivalent_diameter_px=11.3,
            confidence=confidence,
            through=None,
            obliquity_deg=0.0,
            contrast=12.0,
            opening_area_mm2=Measure(value=1.0) if scaled else None,
            equivalent_diameter_mm=Measure(value=2 / math.sqrt(math.pi)) if scaled else None,
            length_mm=Measure(value=elongation) if scaled else None,
            width_mm=Measure(value=1.0) if scaled else None,
            orientation_deg=float(orientation[number]) if scaled else None,
        )
        for number, (x, y) in enumerate(zip(axial, across, strict=True))
    )
    return PitCatalogue(
        pits=pits,
        mounds=(),
        labels=np.zeros((height, width), np.uint16),
        count=Measure(value=float(len(pits))),
        smallest_counted_mm=0.3 if scaled else None,
        evidence="contrast",
        evidence_version="test",
    )


def no_bands(surface: Surface) -> Bands:
    return Bands(
        bands=(),
        labels=np.zeros(surface.metal.shape, np.uint8),
        colour_shares=MappingProxyType({"red_brown_oxide": 0.9, "bright_metal": 0.1}),
        white_source="card",
    )


def marked(surface: Surface, low_mm: float, high_mm: float) -> Bands:
    inside = (surface.axial >= low_mm) & (surface.axial < high_mm - 1e-3)
    mark = Band(
        id=1,
        kind="contact_mark",
        colour_class="green_product",
        area_px=float(inside.sum()),
        share_of_metal=float(inside.mean()),
        confidence="clear",
        axial_mm=(low_mm, high_mm),
        around_mm=(-15.0, 15.0),
        area_mm2=Measure(value=float(surface.area_per_px[inside].sum())),
    )
    return Bands(
        bands=(mark,),
        labels=inside.astype(np.uint8),
        colour_shares=MappingProxyType({"green_product": 1.0}),
        white_source="card",
    )


# --- published values ---


def test_ratings_are_the_nearest_on_the_standards_chart():
    # ASTM G46 rating chart, figures from memory (data/g46.toml says so); its example: A-3 is 5e4 pits per m2, B-2 is 2.0 mm2
    assert nearest_rating("density_pits_per_m2", 5e4) == "A-3"
    assert nearest_rating("size_mm2", 2.0) == "B-2"
    assert [nearest_rating("density_pits_per_m2", d) for d in (2.5e3, 1e4, 1e5, 5e5)] == ["A-1", "A-2", "A-4", "A-5"]
    assert [nearest_rating("size_mm2", a) for a in (0.5, 8.0, 12.5, 24.5)] == ["B-1", "B-3", "B-4", "B-5"]
    # between the border is their geometric mean, 5e3
    assert (nearest_rating("density_pits_per_m2", 4.9e3), nearest_rating("density_pits_per_m2", 5.1e3)) == (
        "A-1",
        "A-2",
    )


def redwood() -> np.ndarray:
    with (DATA / "redwood_unit_square.csv").open() as lines:
        return np.array(
            [[float(row["x"]), float(row["y"])] for row in csv.DictReader(line for line in lines if line[0] != "#")]
        )


def test_redwood_seedlings_are_clustered():
    """62 redwood seedlings in the unit square (Strauss 1975): open data; the index was computed apart from this code."""
    points = redwood()
    assert len(points) == 62
    distances = nearest_distances(points)
    assert distances.mean() == pytest.approx(0.0385378, abs=1e-6)
    # Clark and Evans 1954, Ecology 35, 445: mean distance by 0.5 sqrt(A / n)
    assert distances.mean() / (0.5 * math.sqrt(1 / 62)) == pytest.approx(0.606894, abs=1e-5)


def test_index_by_simulation_agrees_with_the_edge_correction_of_donnelly():
    surface = flat_piece(length_mm=40, width_mm=40)
    points = redwood()
    pattern = read_pattern(surface, catalogue(surface, points[:, 0], points[:, 1]), no_bands(surface))
    # Donnelly 1978: the expected mean distance on an area with edges is 0.5 sqrt(A/n) + (0.0514 + 0.0412/sqrt n) P/n
    expected = 0.5 * math.sqrt(1 / 62) + (0.0514 + 0.0412 / math.sqrt(62)) * 4 / 62
    index = nearest_distances(points).mean() / expected
    assert index == pytest.approx(0.573874, abs=1e-5)
    assert pattern.quantities["clark_evans_index"] == pytest.approx(index, abs=0.02)
    assert pattern.quantities["pits_arrangement"] == "clustered"
    assert "clustered_pits" in {flag.id for flag in pattern.flags}


def test_rayleigh_agrees_with_a_library_and_a_textbook():
    # astropy.stats.rayleightest, example of its documentation: 130, 90, 0, 145 degrees give p = 0.2563487733797317 (a series of
    # another order than the one here, hence the tolerance)
    assert rayleigh(np.radians([130, 90, 0, 145]))[1] == pytest.approx(0.2563, abs=0.003)
    # Zar, Biostatistical Analysis, circular distributions (from memory): these eight angles give r = 0.82522, p < 0.005
    resultant, p_value = rayleigh(np.radians([45, 55, 81, 96, 110, 117, 132, 154]))
    assert resultant == pytest.approx(0.82522, abs=1e-5)
    assert p_value < 0.005


def test_rayleigh_rejects_uniform_directions_at_its_level():
    draws = np.random.default_rng(3).uniform(0, 2 * np.pi, (2000, 12))
    share = np.mean([rayleigh(row)[1] < 0.05 for row in draws])
    assert 0.035 < share < 0.065  # binomial scatter of 2000 draws: 0.005


def test_neighbours_meet_round_the_hoop():
    points = np.array([[5.0, 0.2], [5.0, 19.9], [9.0, 10.0]])
    assert nearest_distances(points, around=20.0)[:2] == pytest.approx([0.3, 0.3])
    assert nearest_distances(points)[0] == pytest.approx(math.hypot(4, 9.8))


# --- density ---


def test_density_is_the_estimated_number_by_its_area_and_both_intervals_agree():
    surface = flat_piece(length_mm=50, width_mm=40)  # 20 cm2, known to 1 %
    draw = np.random.default_rng(0)
    pits = catalogue(surface, *draw.uniform(0, 1, (2, 10)))
    number = Measure(value=12.0, budget={"missed": 2.5}, interval=(7.0, 21.0))
    pattern = read_pattern(surface, replace(pits, count=number), no_bands(surface))
    assert pattern.counted_area.value == pytest.approx(2000)
    assert pattern.pits_per_cm2.value == pytest.approx(12 / 20)
    low, high = pattern.pits_per_cm2.interval_95
    # the area's 1.96 % widens the number's interval in logarithms (GUM 5.1.6) and never narrows it
    assert low <= 7 / 20 and high >= 21 / 20
    assert (low, high) == pytest.approx((7 / 20, 21 / 20), rel=0.002)
    assert (pattern.density_rating, pattern.size_rating) == ("A-2", "B-1")  # 6000 a square metre; openings of 1 mm2
    # ASTM G46 (from memory): 3500 a square metre is nearest to A-1, 10500 to A-2
    assert pattern.density_rating_range == ("A-1", "A-2")
    assert "rating_on_small_area" in {flag.id for flag in pattern.flags}


@pytest.mark.parametrize("low, high", [(4, 25), (10, 10), (0, 40), (9, 11)])
def test_density_never_contradicts_the_count_beside_it(low, high):
    """What the number says of this piece lies within what the density says of it, and the area, known to 1 %, adds 2 % at most."""
    surface = flat_piece(length_mm=50, width_mm=40)  # 20 cm2
    found = catalogue(surface, *np.random.default_rng(0).uniform(0, 1, (2, 10)))
    found = replace(found, count=Measure(value=10.0, interval=(float(low), float(high))))
    least, most = read_pattern(surface, found, no_bands(surface)).pits_per_cm2.interval_95
    assert least <= low / 20 and most >= high / 20
    assert least >= low / 20 / 1.021 and most <= high / 20 * 1.021
    assert (least == 0) == (low == 0)


def test_size_is_rated_by_the_mean_opening_not_the_largest():
    """ASTM G46 rates a mean size (figures from memory): 0.65 mm2 is nearest to B-1 (0.5), while the largest, 3 mm2, alone were B-2 (2.0)."""
    surface = flat_piece()
    pits = catalogue(surface, np.linspace(0.1, 0.9, 8), np.full(8, 0.5))
    areas = [3.0] + 7 * [(8 * 0.65 - 3.0) / 7]
    mixed = tuple(
        replace(pit, opening_area_mm2=Measure(value=area)) for pit, area in zip(pits.pits, areas, strict=True)
    )
    assert read_pattern(surface, replace(pits, pits=mixed), no_bands(surface)).size_rating == "B-1"
    large = tuple(replace(pit, opening_area_mm2=Measure(value=3.0)) for pit in pits.pits)
    assert read_pattern(surface, replace(pits, pits=large), no_bands(surface)).size_rating == "B-2"


def test_each_colour_class_reaches_the_rules_under_its_own_name():
    surface = flat_piece()
    shares = {
        "bright_metal": 0.02,
        "red_brown_oxide": 0.03,
        "black_oxide": 0.05,
        "green_product": 0.10,
        "blue_green_product": 0.20,
        "white_scale": 0.25,
        "rust_stain": 0.35,
    }
    bands = replace(no_bands(surface), colour_shares=MappingProxyType(shares))
    told = read_pattern(surface, catalogue(surface, np.array([0.5]), np.array([0.5])), bands).quantities
    names = ("bright_metal", "red_brown", "black", "green", "blue_green", "white", "rust")
    assert [told[f"share_{name}"] for name in names] == list(shares.values())


def test_no_pit_is_a_density_of_zero_with_its_upper_limit_and_no_rating():
    surface = flat_piece(length_mm=50, width_mm=40)
    pattern = read_pattern(
        surface,
        replace(catalogue(surface, np.zeros(0), np.zeros(0)), count=Measure(value=0.0, interval=(0.0, 3.0))),
        no_bands(surface),
    )
    assert pattern.pits_per_cm2.value == 0 and pattern.pits_per_cm2.interval_95 == pytest.approx((0.0, 3 / 20))
    assert pattern.density_rating is None and pattern.size_rating is None and pattern.largest_diameter_mm is None
    assert pattern.quantities["pit_pattern_class"] == "uniform_attack" and pattern.quantities["surface_even"] is True
    assert not {"clark_evans_index", "largest_pit_mm", "contact_mark_pit_enrichment"} & set(pattern.quantities)


def test_without_a_scale_no_millimetre_is_claimed_and_the_rest_stands():
    surface = flat_piece(unit="px")
    draw = np.random.default_rng(0)
    pattern = read_pattern(surface, catalogue(surface, *draw.uniform(0, 1, (2, 30))), no_bands(surface))
    assert pattern.pits_per_cm2 is None and pattern.density_rating is None and pattern.mean_diameter_mm is None
    assert not [name for name in pattern.quantities if name.endswith(("_mm", "_cm2"))]
    assert pattern.quantities["pit_count"] == 30 and "clark_evans_index" in pattern.quantities


def test_grazing_metal_counts_for_nothing():
    surface = flat_piece(length_mm=50, width_mm=40)
    slope = surface.obliquity_deg.copy()
    slope[:, slope.shape[1] // 2 :] = 80.0
    half = Measure(value=surface.examined_area.value / 2)
    surface = Surface(
        **{
            **{f: getattr(surface, f) for f in surface.__dataclass_fields__},
            "obliquity_deg": slope,
            "examined_area": half,
        }
    )
    pattern = read_pattern(
        surface, catalogue(surface, np.array([0.2, 0.3, 0.9]), np.array([0.5, 0.5, 0.5])), no_bands(surface)
    )
    assert pattern.counted_area.value == pytest.approx(1000)
    assert pattern.pits_per_cm2.value == pytest.approx(3 / 10)  # the number is that of its own area already


def test_shared_scale_error_stays_whole_in_a_mean_and_edges_average_out():
    surface = flat_piece()
    pits = catalogue(surface, np.linspace(0.1, 0.9, 16), np.full(16, 0.5))
    one = Measure(value=1.0, budget={"scale": 0.01, "edge level": 0.006, "outline of the mouth": 0.04})
    pits = PitCatalogue(
        **{
            **{f: getattr(pits, f) for f in pits.__dataclass_fields__},
            "pits": tuple(
                Pit(**{**{f: getattr(p, f) for f in p.__dataclass_fields__}, "equivalent_diameter_mm": one})
                for p in pits.pits
            ),
        }
    )
    mean = read_pattern(surface, pits, no_bands(surface)).mean_diameter_mm
    # GUM (JCGM 100:2008) 5.2: full correlation adds linearly, independent errors in quadrature, so 0.04 / sqrt(16)
    assert dict(mean.budget) == pytest.approx({"scale": 0.01, "edge level": 0.006, "outline of the mouth": 0.01})


def test_no_pits_say_nothing_of_even_attack_where_a_mark_lies_or_nothing_was_looked_at():
    surface = flat_piece()
    none = catalogue(surface, np.array([]), np.array([]))
    bare = read_pattern(surface, none, no_bands(surface)).quantities
    assert bare["pit_pattern_class"] == "uniform_attack"
    assert "pit_pattern_class" not in read_pattern(surface, none, marked(surface, 10.0, 20.0)).quantities
    unseen = replace(surface, examined_area=Measure(value=0.0))
    assert "pit_pattern_class" not in read_pattern(unseen, none, no_bands(surface)).quantities


def test_light_through_where_no_pit_was_found_counts_as_a_hole():
    surface = flat_piece()
    pits = catalogue(surface, np.array([0.2, 0.6]), np.array([0.5, 0.5]))
    assert "through_hole_count" not in read_pattern(surface, pits, no_bands(surface)).quantities
    lit = replace(pits, pits=(replace(pits.pits[0], through=True), replace(pits.pits[1], through=False)))
    assert read_pattern(surface, lit, no_bands(surface)).quantities["through_hole_count"] == 1
    assert read_pattern(surface, lit, no_bands(surface), holes=2).quantities["through_hole_count"] == 3


# --- pattern words on draws of known arrangement ---


def _named(make, repeats: int = 20, **extra) -> list[str]:
    draw = np.random.default_rng(11)
    surface = flat_piece()
    names = []
    for _ in range(repeats):
        axial, across = make(draw, int(draw.integers(8, 40)))
        orientation = draw.normal(0, 15, len(axial)) if extra.get("elongation", 1) > 1 else 0.0
        bands = marked(surface, *extra["mark"]) if "mark" in extra else no_bands(surface)
        pits = catalogue(surface, axial, across, elongation=extra.get("elongation", 1.0), orientation_deg=orientation)
        quantities = read_pattern(surface, pits, bands).quantities
        names.append(str(quantities.get("pit_pattern_class", "none")))
    return names


def test_even_scatter_is_seldom_given_another_name():
    names = _named(lambda draw, n: draw.uniform(0, 1, (2, n)))
    assert names.count("scattered_pitting") >= 0.75 * len(names)
    assert sum(name not in ("scattered_pitting", "none") for name in names) <= 0.05 * len(names)


def test_between_two_patterns_none_is_named():
    draw = np.random.default_rng(12)
    surface = flat_piece()
    names = []
    for _ in range(30):  # nine pits in a loose line: now beyond chance, now not
        places = draw.uniform(0, 1, 9), np.clip(draw.normal(0.5, 0.13, 9), 0, 1)
        names.append(
            read_pattern(surface, catalogue(surface, *places), no_bands(surface)).quantities.get(
                "pit_pattern_class", "none"
            )
        )
    assert names.count("none") >= 3
    assert set(names) <= {"none", "scattered_pitting", "bottom_line"}


@pytest.mark.parametrize("number", [5, 12, 60])
def test_the_charges_are_what_chance_reaches_once_in_a_hundred(number):
    draws = np.random.default_rng(13).uniform(0, 1, (600, number))
    bump = np.array([pattern_module._gain_bump(row)[0] for row in draws]) > pattern_module.BUMP_BY_CHANCE
    end = np.array([pattern_module._gain_end(row)[0] for row in draws[:300]]) > pattern_module.END_BY_CHANCE
    # binomial scatter of a share of 1 % over 600 (300) draws: 0.4 % (0.6 %)
    assert bump.mean() <= 0.02 and end.mean() <= 0.025


def test_pits_along_one_line_are_named_so():
    names = _named(lambda draw, n: (draw.uniform(0, 1, n), np.clip(draw.normal(0.6, 0.05, n), 0, 1)))
    assert names.count("bottom_line") >= 0.95 * len(names)


def test_pits_in_a_mark_are_named_so():
    names = _named(lambda draw, n: (np.clip(draw.normal(0.4, 0.06, n), 0, 1), draw.uniform(0, 1, n)), mark=(18.0, 30.0))
    assert names.count("localised_contact") >= 0.95 * len(names)


def test_drawn_out_pits_that_fade_from_one_end_are_named_so():
    names = _named(lambda draw, n: (1 - np.minimum(draw.exponential(0.2, n), 1), draw.uniform(0, 1, n)), elongation=1.4)
    assert names.count("erosion_at_fitting") >= 0.95 * len(names)


def test_a_few_doubtful_pits_are_no_pits_of_note_but_one_sure_pit_is():
    surface = flat_piece()
    places = np.array([0.2, 0.5, 0.7, 0.8]), np.array([0.3, 0.7, 0.4, 0.6])
    doubtful = read_pattern(surface, catalogue(surface, *places, confidence=0.3), no_bands(surface)).quantities
    assert doubtful["pit_pattern_class"] == "uniform_attack" and doubtful["pit_pattern_margin"] < 1
    sure = read_pattern(
        surface, catalogue(surface, places[0][:1], places[1][:1], confidence=0.9), no_bands(surface)
    ).quantities
    assert "pit_pattern_class" not in sure and sure["surface_even"] is False
    many = np.random.default_rng(1).uniform(0, 1, (2, 12))
    assert (
        read_pattern(surface, catalogue(surface, *many, confidence=0.3), no_bands(surface)).quantities[
            "pit_pattern_class"
        ]
        == "scattered_pitting"
    )


def test_a_mark_that_the_pits_avoid_does_not_make_it_contact():
    names = _named(lambda draw, n: draw.uniform(0, 1, (2, n)), mark=(10.0, 20.0))
    assert names.count("localised_contact") <= 0.05 * len(names)


def test_share_and_enrichment_in_a_mark():
    surface = flat_piece(length_mm=60)
    pits = catalogue(surface, np.array([0.2, 0.22, 0.25, 0.9]), np.array([0.2, 0.5, 0.8, 0.5]))
    quantities = read_pattern(surface, pits, marked(surface, 9.0, 18.0)).quantities
    assert quantities["pits_in_contact_mark_share"] == pytest.approx(0.75)
    assert quantities["contact_mark_pit_enrichment"] == pytest.approx(0.75 / 0.15, rel=0.02)  # 9 mm of 60 mm


def test_direction_is_told_only_from_drawn_out_pits_that_agree():
    surface = flat_piece()
    draw = np.random.default_rng(5)
    places = draw.uniform(0, 1, (2, 20))
    along = read_pattern(
        surface, catalogue(surface, *places, elongation=1.5, orientation_deg=draw.normal(0, 15, 20)), no_bands(surface)
    )
    any_way = read_pattern(
        surface,
        catalogue(surface, *places, elongation=1.5, orientation_deg=np.linspace(-90, 81, 20)),
        no_bands(surface),
    )
    across = read_pattern(surface, catalogue(surface, *places, elongation=1.5, orientation_deg=90.0), no_bands(surface))
    assert along.quantities["pits_flow_directional"] is True
    assert any_way.quantities["pits_flow_directional"] is False and across.quantities["pits_flow_directional"] is False
    assert across.quantities["direction_agreement"] == pytest.approx(1.0)
    assert any_way.quantities["direction_agreement"] < 0.1


def test_the_same_input_gives_the_same_pattern():
    surface = flat_piece()
    pits = catalogue(surface, *np.random.default_rng(2).uniform(0, 1, (2, 25)))
    assert dict(read_pattern(surface, pits, no_bands(surface)).quantities) == dict(
        read_pattern(surface, pits, no_bands(surface)).quantities
    )
