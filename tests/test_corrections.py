"""Corrections stand beside the automatic result and change it as the arithmetic says."""

import math
from dataclasses import replace

import numpy as np
import pytest

from analyzer import pits
from analyzer.corrections import apply_corrections, make_correction, read_corrections
from analyzer.flags import InputError
from analyzer.measured import Measure
from analyzer.pits import Pit, PitCatalogue
from analyzer.surface import Surface

STEP = 0.1  # mm a pixel


def plate() -> tuple[Surface, PitCatalogue]:
    """A flat plate of 40 x 20 mm seen squarely, with three pits."""
    height, width = 200, 400
    rows, columns = np.indices((height, width), dtype=np.float32)
    surface = Surface(
        view="flat",
        view_source="told",
        unit="mm",
        origin_px=(50, 30),
        metal=np.ones((height, width), bool),
        axial=columns * STEP,
        around=(rows - height / 2) * STEP,
        obliquity_deg=np.zeros((height, width), np.float32),
        area_per_px=np.full((height, width), STEP**2, np.float32),
        radius_mm=None,
        mm_per_px=Measure(value=STEP, budget={"printed size": 0.001}),
        seen_area=Measure(value=800.0, budget={"printed size": 16.0}),
        examined_area=Measure(value=800.0, budget={"printed size": 16.0}),
        axial_length=Measure(value=40.0, budget={"printed size": 0.4}),
        outline_px=np.array([[50, 30], [449, 30], [449, 229], [50, 229]], np.float32),
    )
    labels = np.zeros((300, 500), np.uint16)
    found = []
    for number, (x, y) in enumerate(((100, 80), (200, 130), (400, 180)), 1):
        labels[y - 5 : y + 6, x - 5 : x + 6] = number
        found.append(
            Pit(
                id=number,
                x_px=x,
                y_px=y,
                opening_area_px=121.0,
                equivalent_diameter_px=12.4,
                confidence=0.7,
                through=None,
                obliquity_deg=0.0,
                contrast=9.0,
                axial_mm=(x - 50) * STEP,
                around_mm=(y - 130) * STEP,
                opening_area_mm2=Measure(value=1.21, budget={"printed size": 0.024, "mouth edge": 0.1}),
                equivalent_diameter_mm=Measure(value=1.24, budget={"printed size": 0.012, "mouth edge": 0.05}),
            )
        )
    catalogue = PitCatalogue(
        pits=tuple(found),
        mounds=(),
        labels=labels,
        count=Measure(value=3.0, interval=(1.0, 6.0)),
        smallest_counted_mm=0.3,
        evidence="learned",
        evidence_version="test",
    )
    return surface, catalogue


def entry(**row):
    return make_correction({"who": "R. Field", "when": "2026-11-20T10:15:00", **row})


def test_nothing_entered_changes_nothing():
    surface, catalogue = plate()
    corrected = apply_corrections(surface, catalogue, [])
    assert corrected.surface is surface and corrected.pits.pits == catalogue.pits


def test_remove_confirm_and_mound():
    surface, catalogue = plate()
    corrected = apply_corrections(
        surface, catalogue, [entry(kind="remove_pit", pit=1), entry(kind="confirm_pit", pit=2), entry(kind="call_mound", pit=3)]
    )
    assert [pit.id for pit in corrected.pits.pits] == [2]
    assert corrected.pits.pits[0].confidence == 1.0
    assert corrected.removed_pits == (1, 3) and corrected.mounds == (3,) and len(corrected.pits.mounds) == 1
    assert set(np.unique(corrected.pits.labels)) == {0, 2}
    assert len(catalogue.pits) == 3 and catalogue.labels.max() == 3  # the automatic result is as it was


def test_count_by_hand_has_the_exact_poisson_limits():
    """Garwood 1936; limits for 1 and 3 events as in the table of Pearson and Hartley (0.0253 to 5.572, 0.619 to 8.767)."""
    surface, catalogue = plate()
    low, high = apply_corrections(surface, catalogue, [entry(kind="confirm_pit", pit=1)]).pits.count.interval_95
    assert (low, high) == pytest.approx((0.619, 8.767), abs=0.001)
    one = apply_corrections(surface, catalogue, [entry(kind="remove_pit", pit=1), entry(kind="remove_pit", pit=2)])
    assert one.pits.count.interval_95 == pytest.approx((0.0253, 5.572), abs=0.001)


def test_added_pit_is_measured_on_the_metal():
    surface, catalogue = plate()
    corrected = apply_corrections(surface, catalogue, [entry(kind="add_pit", points_px=[[300, 100]], diameter_px=20)])
    pit = corrected.added_pits[0]
    assert pit.id == 4 and pit.axial_mm == pytest.approx(25.0) and pit.around_mm == pytest.approx(-3.0)
    assert pit.equivalent_diameter_mm.value == pytest.approx(2.0)
    assert pit.opening_area_mm2.value == pytest.approx(np.pi)
    # 1 % of scale (0.001 of 0.1 mm a pixel) and 2 of 20 pixels of pointing
    assert pit.equivalent_diameter_mm.standard_uncertainty == pytest.approx(2.0 * math.hypot(0.01, 0.1))
    assert pit.opening_area_mm2.standard_uncertainty == pytest.approx(np.pi * math.hypot(0.02, 0.2))
    assert corrected.pits.labels[100, 300] == 4


def test_leaving_out_half_halves_the_area_and_drops_its_pits():
    surface, catalogue = plate()
    half = [[50, 30], [249.5, 30], [249.5, 229], [50, 229]]
    corrected = apply_corrections(surface, catalogue, [entry(kind="leave_out", points_px=half)])
    assert corrected.surface.examined_area.value == pytest.approx(400.0, rel=0.01)
    assert [pit.id for pit in corrected.pits.pits] == [3]
    kept = apply_corrections(surface, catalogue, [entry(kind="examine_only", points_px=half)])
    assert kept.surface.examined_area.value == pytest.approx(400.0, rel=0.01)
    assert [pit.id for pit in kept.pits.pits] == [1, 2]


def test_known_length_scales_lengths_and_areas():
    surface, catalogue = plate()
    corrected = apply_corrections(surface, catalogue, [entry(kind="known_length", points_px=[[100, 100], [300, 100]], length_mm=22.0)])
    assert corrected.scale_factor == pytest.approx(1.1)
    assert corrected.surface.mm_per_px.value == pytest.approx(0.11)
    assert corrected.surface.seen_area.value == pytest.approx(800 * 1.21)
    assert corrected.pits.pits[0].equivalent_diameter_mm.value == pytest.approx(1.24 * 1.1)
    assert corrected.pits.pits[0].axial_mm == pytest.approx(5.0 * 1.1)


def test_known_length_keeps_every_uncertainty_but_that_of_the_scale_it_replaces():
    """A pit as ``analyzer.pits`` measures it: 200 pixels of 0.1 mm, its edge by 0.15 of the diameter.

    GUM (JCGM 100:2008, 5.1.2): sources in quadrature. 22 mm between two points 200 pixels apart, each pointed at within
    2 pixels: 2 sqrt(2) / 200 = 0.01414 of every length, twice that of every area.
    """
    surface, catalogue = plate()
    rows, columns = np.indices((10, 20))
    shares = {name: part / STEP for name, part in surface.mm_per_px.budget.items()}
    figures = pits._on_metal(surface, (rows.ravel() + 50, columns.ravel() + 100), surface.area_per_px, shares)
    real = replace(catalogue.pits[0], **figures)
    assert set(real.equivalent_diameter_mm.budget) == {"printed size", "outline of the mouth"}
    seen = Measure(value=800.0, budget={"printed size": 16.0, "edge on": 20.0, "hidden by roughness": 8.0, "limit of obliquity": 4.0, "outline not seen": 80.0})
    surface = replace(surface, seen_area=seen)
    length = entry(kind="known_length", points_px=[[100, 100], [300, 100]], length_mm=22.0)
    corrected = apply_corrections(surface, replace(catalogue, pits=(real,)), [length])
    pit = corrected.pits.pits[0]
    diameter = 1.1 * math.sqrt(4 * 2.0 / math.pi)  # 2 mm2 of mouth before
    assert pit.equivalent_diameter_mm.value == pytest.approx(diameter, rel=1e-6)
    assert pit.equivalent_diameter_mm.standard_uncertainty == pytest.approx(diameter * math.hypot(0.15, 0.014142), rel=1e-4)
    assert pit.opening_area_mm2.value == pytest.approx(2.42, rel=1e-6)  # 2 times 1.1 squared
    assert pit.opening_area_mm2.standard_uncertainty == pytest.approx(2.42 * math.hypot(0.30, 0.028284), rel=1e-4)
    own = math.hypot(20.0, 8.0, 4.0, 80.0) / 800
    assert corrected.surface.seen_area.standard_uncertainty == pytest.approx(968.0 * math.hypot(own, 0.028284), rel=1e-4)
    assert corrected.surface.mm_per_px.standard_uncertainty == pytest.approx(0.11 * 0.014142, rel=1e-4)


@pytest.mark.parametrize(
    "row, words",
    [
        ({"kind": "erase"}, "kind is one of"),
        ({"kind": "remove_pit"}, "names the pit"),
        ({"kind": "add_pit", "points_px": [[1, 2]]}, "diameter_px"),
        ({"kind": "leave_out", "points_px": [[1, 2], [3, 4]]}, "three points"),
        ({"kind": "known_length", "points_px": [[1, 2], [1, 2]], "length_mm": 3}, "two different points"),
        ({"kind": "known_length", "points_px": [[1, 2], [5, 2]], "length_mm": -3}, "above zero"),
        ({"kind": "add_pit", "points_px": [["a", 2]], "diameter_px": 5}, "are numbers"),
        ({"kind": "remove_pit", "pit": 1, "colour": "red"}, "not a field"),
    ],
)
def test_entries_that_cannot_be_right(row, words):
    with pytest.raises(InputError, match=words):
        make_correction(row)


@pytest.mark.parametrize(
    "row, words",
    [
        ({"kind": "remove_pit", "pit": 9}, "no pit 9"),
        ({"kind": "add_pit", "points_px": [[5, 5]], "diameter_px": 5}, "off the metal"),
        ({"kind": "examine_only", "points_px": [[0, 0], [10, 0], [0, 10]]}, "Nothing is left"),
        ({"kind": "known_length", "points_px": [[100, 100], [110, 100]], "length_mm": 500}, "check the number"),
    ],
)
def test_entries_that_do_not_fit_the_photo(row, words):
    surface, catalogue = plate()
    with pytest.raises(InputError, match=words):
        apply_corrections(surface, catalogue, [make_correction(row)])


def test_file(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[[correction]]\nkind = "remove_pit"\npit = 7\nwho = "R. Field"\nwhen = "2026-11-20"\n')
    assert read_corrections(path)[0].pit == 7
    path.write_text("[[correction]\n")
    with pytest.raises(InputError, match="cannot be read"):
        read_corrections(path)
    path.write_text("other = 1\n")
    with pytest.raises(InputError, match="nothing else"):
        read_corrections(path)
    with pytest.raises(InputError, match="no file"):
        read_corrections(tmp_path / "none.toml")
