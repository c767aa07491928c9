"""Corrections stand beside the automatic result and change it as the arithmetic says."""

import math
from dataclasses import replace

import numpy as np
import pytest

from analyzer.base.flags import InputError
from analyzer.base.measured import Measure
from analyzer.marks import contrast
from analyzer.marks.bands import Band, Bands
from analyzer.marks.catalogue import Mound, Pit, PitCatalogue
from analyzer.photo.reading import CameraFacts, Photo
from analyzer.piece.surface import Surface
from analyzer.relief.lights import Heights, Relief
from analyzer.result.corrections import (
    apply_corrections,
    beside_the_metal,
    make_correction,
    marked_scale,
    read_corrections,
)
from analyzer.show import drawing
from tests.marks_of import marks_of

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
        marks=marks_of(found),
    )
    return surface, replace(catalogue, count=catalogue.estimated())


def entry(**row):
    return make_correction({"who": "R. Field", "when": "2026-11-20T10:15:00", **row})


def test_nothing_entered_changes_nothing():
    surface, catalogue = plate()
    corrected = apply_corrections(surface, catalogue, [])
    assert corrected.surface is surface and corrected.pits.pits == catalogue.pits


def test_remove_confirm_and_mound():
    surface, catalogue = plate()
    corrected = apply_corrections(
        surface,
        catalogue,
        [entry(kind="remove_pit", pit=1), entry(kind="confirm_pit", pit=2), entry(kind="call_mound", pit=3)],
    )
    assert [pit.id for pit in corrected.pits.pits] == [2]
    assert corrected.pits.pits[0].confidence == 1.0
    assert corrected.removed_pits == (1, 3) and corrected.mounds == (3,) and len(corrected.pits.mounds) == 1
    assert set(np.unique(corrected.pits.labels)) == {0, 2}
    assert len(catalogue.pits) == 3 and catalogue.labels.max() == 3  # the automatic result is as it was


def test_the_number_of_pits_follows_what_a_person_says():
    """31 marks, each as likely a pit as not, a fifth more unseen: 31 * 0.5 * 1.2 = 18.6 (by hand in tests/marks/test_number.py)."""
    surface, catalogue = plate()
    many = tuple(replace(catalogue.pits[0], id=number, confidence=0.5) for number in range(1, 32))
    catalogue = replace(catalogue, pits=many, marks=marks_of(many))

    def count(*entries):
        return apply_corrections(surface, catalogue, entries).pits.count

    assert count(entry(kind="known_length", points_px=[[100, 100], [300, 100]], length_mm=20.0)).value == pytest.approx(
        18.6
    )
    confirmed = count(*(entry(kind="confirm_pit", pit=n) for n in range(1, 31)))
    assert confirmed.value == pytest.approx(30.5 * 1.2) and confirmed.interval_95[0] >= 30
    assert count(entry(kind="remove_pit", pit=1)).value == pytest.approx(30 * 0.6)
    assert count(*(entry(kind="call_mound", pit=n) for n in range(1, 13))).value == pytest.approx(19 * 0.6)
    # one added is one of the 3.1 that were reckoned as unseen
    assert count(entry(kind="add_pit", points_px=[[300, 100]], diameter_px=20)).value == pytest.approx(18.6)
    quarter = [[50, 30], [149, 30], [149, 229], [50, 229]]  # holds the first of the plate's three pits
    surface, three = plate()
    left = apply_corrections(surface, three, [entry(kind="examine_only", points_px=quarter)]).pits
    assert left.count.value == pytest.approx(0.7 * 1.2) and three.count.value == pytest.approx(3 * 0.7 * 1.2)


def test_a_pit_below_the_smallest_counted_size_is_listed_and_not_counted():
    surface, catalogue = plate()  # 0.3 mm is the smallest that counts, three pixels
    small = entry(kind="add_pit", points_px=[[300, 100]], diameter_px=2)
    corrected = apply_corrections(surface, catalogue, [small]).pits
    assert len(corrected.pits) == 4 and len(corrected.counted) == 3
    assert corrected.count.value == catalogue.count.value
    coarse = replace(catalogue, smallest_counted_mm=1.3)
    length = entry(kind="known_length", points_px=[[100, 100], [300, 100]], length_mm=22.0)
    longer = apply_corrections(surface, coarse, [length]).pits  # 1.24 mm becomes 1.364, and 1.3 becomes 1.43
    assert longer.smallest_counted_mm == pytest.approx(1.43) and longer.counted == ()
    assert "small_pits_not_counted" in {flag.id for flag in longer.flags}


def test_the_last_word_on_a_pit_counts_once():
    surface, catalogue = plate()
    there = Mound(id=1, x_px=120, y_px=150, area_px=50, colour_class="green_product")
    catalogue = replace(catalogue, mounds=(there,))
    mound, confirm, remove = (entry(kind=kind, pit=1) for kind in ("call_mound", "confirm_pit", "remove_pit"))
    twice = apply_corrections(surface, catalogue, [mound, mound])
    assert [m.id for m in twice.pits.mounds] == [1, 2] and twice.mounds == (1,) and twice.removed_pits == (1,)
    taken_back = apply_corrections(surface, catalogue, [mound, confirm])
    assert taken_back.pits.mounds == (there,) and [pit.id for pit in taken_back.pits.pits] == [1, 2, 3]
    assert taken_back.mounds == () and taken_back.removed_pits == ()
    assert apply_corrections(surface, catalogue, [remove, remove]).removed_pits == (1,)
    back = apply_corrections(surface, catalogue, [remove, confirm])
    assert back.removed_pits == () and back.pits.pits[0].by_hand and not back.pits.pits[1].by_hand
    assert back.pits.labels[80, 100] == 1
    drawn = entry(kind="add_pit", points_px=[[300, 100]], diameter_px=20)
    gone = apply_corrections(surface, catalogue, [drawn, entry(kind="remove_pit", pit=4)])
    assert gone.added_pits == () and gone.pits.count == catalogue.count and 4 not in gone.pits.labels


def aslant() -> Surface:
    """The plate turned by 60 degrees about its length: a pixel is 0.1 mm along and 0.2 mm across."""
    surface, _ = plate()
    return replace(
        surface,
        around=surface.around * np.float32(2),
        area_per_px=surface.area_per_px * np.float32(2),
        obliquity_deg=np.full(surface.metal.shape, 60.0, np.float32),
    )


def test_a_width_told_in_millimetres_stays_what_was_told():
    _, catalogue = plate()
    told = entry(kind="add_pit", points_px=[[300, 100]], diameter_mm=1.0)
    length = entry(kind="known_length", points_px=[[100, 100], [300, 100]], length_mm=22.0)
    for entries in ([told], [told, length], [length, told]):
        pit = apply_corrections(aslant(), catalogue, entries).added_pits[0]
        assert pit.equivalent_diameter_mm.value == pytest.approx(1.0)
        assert pit.opening_area_mm2.value == pytest.approx(math.pi / 4)
        assert pit.equivalent_diameter_mm.standard_uncertainty == pytest.approx(0.1)
    pit = apply_corrections(aslant(), catalogue, [told]).added_pits[0]
    assert pit.opening_area_px == pytest.approx(math.pi / 4 / 0.02)  # 0.02 mm2 a pixel


def test_two_points_across_the_mouth_give_its_width_on_the_metal():
    """Across the turned plate 5.5 pixels are 1.1 mm; two points, each within 2 pixels: 2 sqrt(2) / 5.5 of it, and 1 % of scale."""
    _, catalogue = plate()
    drawn = entry(kind="add_pit", points_px=[[300, 100.5], [300, 106]])
    pit = apply_corrections(aslant(), catalogue, [drawn]).added_pits[0]
    assert pit.equivalent_diameter_mm.value == pytest.approx(1.1, rel=1e-4)
    assert pit.equivalent_diameter_mm.standard_uncertainty == pytest.approx(
        1.1 * math.hypot(0.01, math.sqrt(8) / 5.5), rel=1e-4
    )
    assert (pit.x_px, pit.y_px) == (300, 103.25)


def without_scale() -> tuple[Surface, PitCatalogue]:
    """The plate where nothing tells a length: pixels are the unit."""
    surface, catalogue = plate()
    ones = surface.metal.astype(np.float32)
    rows, columns = np.indices(surface.metal.shape, dtype=np.float32)
    area = Measure(value=80000.0)
    surface = replace(
        surface,
        unit="px",
        mm_per_px=None,
        axial=columns,
        around=rows,
        area_per_px=ones,
        seen_area=area,
        examined_area=area,
    )
    bare = {"axial_mm": None, "around_mm": None, "opening_area_mm2": None, "equivalent_diameter_mm": None}
    pits_px = tuple(replace(pit, **bare) for pit in catalogue.pits)
    return surface, replace(catalogue, pits=pits_px, smallest_counted_mm=None, evidence="contrast")


def test_without_a_scale_a_pit_is_drawn_in_pixels_and_never_in_millimetres():
    surface, catalogue = without_scale()
    pit = apply_corrections(surface, catalogue, [entry(kind="add_pit", points_px=[[300, 100], [308, 106]])]).added_pits[
        0
    ]
    assert pit.equivalent_diameter_px == pytest.approx(10.0) and pit.equivalent_diameter_mm is None
    with pytest.raises(InputError, match="two points across"):
        apply_corrections(surface, catalogue, [entry(kind="add_pit", points_px=[[300, 100]], diameter_mm=1.0)])


def test_without_a_scale_the_first_known_length_is_the_marker():
    length = entry(kind="known_length", points_px=[[100, 100], [300, 100]], length_mm=22.0)
    place = entry(kind="leave_out", points_px=[[50, 30], [90, 30], [90, 90]])
    assert marked_scale([place]) is None
    marker = marked_scale([place, length])
    assert (marker.kind, marker.points_px, marker.length_mm) == ("length", ((100, 100), (300, 100)), 22.0)
    with pytest.raises(InputError, match="mark the length first"):
        marked_scale([entry(kind="remove_pit", pit=1), length])
    surface, _ = plate()
    assert not beside_the_metal(length, surface)
    assert beside_the_metal(entry(kind="known_length", points_px=[[10, 10], [300, 100]], length_mm=22.0), surface)


def test_known_length_scales_marks_mounds_and_depths():
    """Times 1.1 along and around, times 1.21 the areas, the depths in proportion."""
    surface, catalogue = plate()
    catalogue = replace(
        catalogue,
        mounds=(
            Mound(
                id=1,
                x_px=1,
                y_px=1,
                area_px=9,
                colour_class="",
                axial_mm=5.0,
                around_mm=-2.0,
                area_mm2=Measure(value=3.0),
            ),
        ),
    )
    area = Measure(value=100.0, budget={"printed size": 2.0, "edges": 5.0})
    band = Band(
        id=1,
        kind="contact_mark",
        colour_class="black_oxide",
        area_px=9,
        share_of_metal=0.1,
        confidence="clear",
        axial_mm=(10.0, 20.0),
        around_mm=(-4.0, 6.0),
        area_mm2=area,
    )
    bands = Bands(bands=(band,), labels=np.zeros((300, 500), np.uint8), colour_shares={}, white_source="card")
    depth = Measure(value=0.5, budget={"printed size": 0.005, "shadow": 0.05})
    relief = Relief(
        pit_depths_mm={1: depth},
        heights=Heights(mm=np.full((2, 2), -0.5, np.float32), step_mm=0.1, axial_mm=1.0, around_mm=2.0),
    )
    length = entry(kind="known_length", points_px=[[100, 100], [300, 100]], length_mm=22.0)
    corrected = apply_corrections(surface, catalogue, [length], bands=bands, relief=relief)
    (mound,), (mark,) = corrected.pits.mounds, corrected.bands.bands
    assert (mound.axial_mm, mound.around_mm, mound.area_mm2.value) == pytest.approx((5.5, -2.2, 3.63))
    assert (*mark.axial_mm, *mark.around_mm) == pytest.approx((11.0, 22.0, -4.4, 6.6))
    assert mark.area_mm2.value == pytest.approx(121.0)
    assert mark.area_mm2.standard_uncertainty == pytest.approx(121.0 * math.hypot(0.05, 0.028284), rel=1e-4)
    assert corrected.relief.pit_depths_mm[1].value == pytest.approx(0.55)
    assert corrected.relief.pit_depths_mm[1].standard_uncertainty == pytest.approx(
        0.55 * math.hypot(0.1, 0.014142), rel=1e-4
    )
    assert corrected.relief.heights.step_mm == pytest.approx(0.11) and corrected.relief.heights.mm[
        0, 0
    ] == pytest.approx(-0.55)


@pytest.mark.parametrize("side", [1, 3])
def test_an_outline_round_next_to_nothing_is_refused(side):
    surface, catalogue = plate()
    patch = [[200, 100], [200 + side, 100], [200 + side, 100 + side], [200, 100 + side]]
    with pytest.raises(InputError, match="Hardly any metal is left"):
        apply_corrections(surface, catalogue, [entry(kind="examine_only", points_px=patch)])


def test_the_smallest_outline_allowed_can_be_drawn_flat():
    surface, catalogue = plate()
    patch = [[200, 100], [209, 100], [209, 109], [200, 109]]
    corrected = apply_corrections(surface, catalogue, [entry(kind="examine_only", points_px=patch)])
    assert corrected.surface.metal.sum() == 100 and corrected.surface.examined_area.value == pytest.approx(1.0)
    bands = Bands(bands=(), labels=np.zeros((300, 500), np.uint8), colour_shares={}, white_source="card")
    picture = Photo(
        role="main", name="x", sha256="0" * 64, rgb=np.full((300, 500, 3), 128, np.uint8), camera=CameraFacts()
    )
    assert drawing.unrolled_map(picture, corrected.surface, corrected.pits, bands, longest_px=300).std() > 0


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
    corrected = apply_corrections(
        surface, catalogue, [entry(kind="known_length", points_px=[[100, 100], [300, 100]], length_mm=22.0)]
    )
    assert corrected.scale_factor == pytest.approx(1.1)
    assert corrected.surface.mm_per_px.value == pytest.approx(0.11)
    assert corrected.surface.seen_area.value == pytest.approx(800 * 1.21)
    assert corrected.pits.pits[0].equivalent_diameter_mm.value == pytest.approx(1.24 * 1.1)
    assert corrected.pits.pits[0].axial_mm == pytest.approx(5.0 * 1.1)


def test_known_length_keeps_every_uncertainty_but_that_of_the_scale_it_replaces():
    """A pit as ``analyzer.marks.contrast`` measures it: 200 pixels of 0.1 mm, its edge by 0.15 of the diameter.

    GUM (JCGM 100:2008, 5.1.2): sources in quadrature. 22 mm between two points 200 pixels apart, each pointed at within
    2 pixels: 2 sqrt(2) / 200 = 0.01414 of every length, twice that of every area.
    """
    surface, catalogue = plate()
    rows, columns = np.indices((10, 20))
    shares = {name: part / STEP for name, part in surface.mm_per_px.budget.items()}
    figures = contrast._on_metal(surface, (rows.ravel() + 50, columns.ravel() + 100), surface.area_per_px, shares)
    real = replace(catalogue.pits[0], **figures)
    assert set(real.equivalent_diameter_mm.budget) == {"printed size", "outline of the mouth"}
    seen = Measure(
        value=800.0,
        budget={
            "printed size": 16.0,
            "edge on": 20.0,
            "hidden by roughness": 8.0,
            "limit of obliquity": 4.0,
            "outline not seen": 80.0,
        },
    )
    surface = replace(surface, seen_area=seen)
    length = entry(kind="known_length", points_px=[[100, 100], [300, 100]], length_mm=22.0)
    corrected = apply_corrections(surface, replace(catalogue, pits=(real,)), [length])
    pit = corrected.pits.pits[0]
    diameter = 1.1 * math.sqrt(4 * 2.0 / math.pi)  # 2 mm2 of mouth before
    assert pit.equivalent_diameter_mm.value == pytest.approx(diameter, rel=1e-6)
    assert pit.equivalent_diameter_mm.standard_uncertainty == pytest.approx(
        diameter * math.hypot(0.15, 0.014142), rel=1e-4
    )
    assert pit.opening_area_mm2.value == pytest.approx(2.42, rel=1e-6)  # 2 times 1.1 squared
    assert pit.opening_area_mm2.standard_uncertainty == pytest.approx(2.42 * math.hypot(0.30, 0.028284), rel=1e-4)
    own = math.hypot(20.0, 8.0, 4.0, 80.0) / 800
    assert corrected.surface.seen_area.standard_uncertainty == pytest.approx(
        968.0 * math.hypot(own, 0.028284), rel=1e-4
    )
    assert corrected.surface.mm_per_px.standard_uncertainty == pytest.approx(0.11 * 0.014142, rel=1e-4)


@pytest.mark.parametrize(
    "row, words",
    [
        ({"kind": "erase"}, "kind is one of"),
        ({"kind": "remove_pit"}, "names the pit"),
        ({"kind": "add_pit", "points_px": [[1, 2]]}, "diameter_mm or diameter_px"),
        ({"kind": "add_pit", "points_px": [[1, 2]], "diameter_px": 5, "diameter_mm": 1}, "diameter_mm or diameter_px"),
        ({"kind": "add_pit", "points_px": [[1, 2], [1, 2]]}, "two different points across"),
        ({"kind": "add_pit", "points_px": [[1, 2]], "diameter_mm": -1}, "above zero"),
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
        ({"kind": "examine_only", "points_px": [[0, 0], [10, 0], [0, 10]]}, "Hardly any metal"),
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
