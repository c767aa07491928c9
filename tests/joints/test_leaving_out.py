"""Metal that is left out leaves every result: bands, colours, light, mounds, pits, relief, ring, and the files made of them.

Figures are stated here or counted pixel by pixel beside the program's own way.
"""

import csv
import io
import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from analyzer import Settings, conclude, look
from analyzer.base.colour import cielab
from analyzer.base.flags import InputError, raise_flag
from analyzer.base.measured import Measure
from analyzer.cli import read_marker
from analyzer.marks.catalogue import Mound
from analyzer.marks.colours import COLOUR_CLASSES, classify
from analyzer.relief.lights import Heights, Hole, Relief
from analyzer.result import examination
from analyzer.result.corrections import make_correction
from analyzer.show import output
from tests.conftest import ROOT


def entry(kind, points):
    return make_correction(
        {
            "who": "R. Field",
            "when": "2026-11-20T10:15:00",
            "kind": kind,
            "points_px": np.asarray(points, float).tolist(),
        }
    )


def hull(mask):
    """A polygon (x, y) round a mask of the photo, ten pixels wider."""
    wide = cv2.dilate(mask.astype(np.uint8), np.ones((21, 21), np.uint8))
    contours, _ = cv2.findContours(wide, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return cv2.convexHull(max(contours, key=cv2.contourArea))[:, 0]


@pytest.fixture(scope="module")
def seen(demo_examination):
    """The demo's look with a mound and a light in the mark and one of each outside, and a relief that knows two pits."""
    whole = demo_examination.look
    inside, outside = _places(whole)
    mounds = tuple(
        Mound(id=number, x_px=x, y_px=y, area_px=90.0, colour_class="green_product")
        for number, (x, y) in enumerate((inside, outside), 1)
    )
    holes = tuple(Hole(x_px=x, y_px=y, axial_mm=1.0, around_mm=1.0) for x, y in (inside, outside))
    surface = whole.surface
    low, left = (float(v[surface.metal].min()) for v in (surface.around, surface.axial))
    size = [int(np.ptp(v[surface.metal]) / 0.1) + 1 for v in (surface.around, surface.axial)]
    pits = whole.pits.pits
    there = [pit for pit in pits if whole.bands.labels[round(pit.y_px), round(pit.x_px)] == 1]
    elsewhere = [pit for pit in pits if pit not in there]
    relief = Relief(
        holes=holes,
        pit_depths_mm={pit.id: Measure(value=0.2) for pit in (there[0], elsewhere[0])},
        places_px={pit.id: (pit.x_px, pit.y_px) for pit in pits},
        heights=Heights(mm=np.zeros(size, np.float32), step_mm=0.1, axial_mm=left, around_mm=low),
        flags=(raise_flag("pits_without_torch", str(len(pits) - 2)), raise_flag("light_without_pit", "2")),
    )
    catalogue = replace(whole.pits, mounds=mounds)
    pattern = examination._pattern_of(surface, catalogue, whole.bands, whole.tube, relief)
    flags = (*whole.flags, *relief.flags)
    return replace(whole, pits=catalogue, pattern=pattern, relief=relief, flags=flags)


def _places(whole):
    """A place of the photo in the contact mark, and one on the examined metal far from it."""
    mark = whole.bands.labels == 1
    surface = whole.surface
    examined = np.zeros(mark.shape, bool)
    x0, y0 = surface.origin_px
    examined[y0 : y0 + surface.metal.shape[0], x0 : x0 + surface.metal.shape[1]] = surface.examined
    depth = cv2.distanceTransform((mark & examined).astype(np.uint8), cv2.DIST_L2, 5)
    away = np.where(examined, cv2.distanceTransform((~mark).astype(np.uint8), cv2.DIST_L2, 5), 0)
    return [tuple(float(v) for v in np.unravel_index(int(d.argmax()), d.shape)[::-1]) for d in (depth, away)]


@pytest.fixture(scope="module")
def without_mark(seen):
    """The demo with the contact mark left out."""
    return conclude(seen, corrections=[entry("leave_out", hull(seen.bands.labels == 1))])


def test_the_bands_left_out_are_gone_from_every_file(seen, without_mark):
    assert [band.kind for band in seen.bands.bands] == ["contact_mark"]
    assert list(csv.DictReader(io.StringIO(output.FILES["bands.csv"](output.Work(without_mark)).decode()))) == []
    labels = cv2.imdecode(
        np.frombuffer(output.FILES["band-labels.png"](output.Work(without_mark)), np.uint8), cv2.IMREAD_UNCHANGED
    )
    assert labels.max() == 0
    document = json.loads(output.FILES["examination.json"](output.Work(without_mark)))
    assert document["corrected"]["bands"] == [] and len(document["bands"]) == 1
    assert without_mark.quantities["contact_mark_seen"] is False
    assert "pits_in_contact_mark_share" not in without_mark.quantities
    assert "No contact mark or water line was found" in output.FILES["report.html"](output.Work(without_mark)).decode()


def test_the_rim_of_a_band_that_a_rough_outline_leaves_is_no_band(seen):
    mark = cv2.erode((seen.bands.labels == 1).astype(np.uint8), np.ones((9, 9), np.uint8))
    contours, _ = cv2.findContours(mark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    rough = conclude(seen, corrections=[entry("leave_out", max(contours, key=cv2.contourArea)[:, 0])])
    left = (seen.bands.labels == 1) & (mark == 0)
    assert left.sum() > 500  # so much of its rim is still seen
    assert rough.standing_bands.bands == () and rough.standing_bands.labels.max() == 0


def test_a_band_cut_in_two_is_measured_on_what_is_left(seen):
    """Of the mark the half towards the crown of the picture is left out: pixel for pixel, what remains is the other half."""
    mark = seen.bands.labels == 1
    rows = np.flatnonzero(mark.any(axis=1))
    middle = int(np.median(np.nonzero(mark)[0]))
    upper = [[0, 0], [mark.shape[1], 0], [mark.shape[1], middle], [0, middle]]
    half = conclude(seen, corrections=[entry("leave_out", upper)])
    (band,), (before,) = half.standing_bands.bands, seen.bands.bands
    left = mark.copy()
    left[: middle + 1] = False
    assert rows[0] < middle < rows[-1]
    assert band.area_px == left.sum() < before.area_px == mark.sum()
    surface = seen.surface
    x0, y0 = surface.origin_px
    here = left[y0 : y0 + surface.metal.shape[0], x0 : x0 + surface.metal.shape[1]]
    assert band.area_mm2.value == pytest.approx(float(surface.area_per_px[here].sum()), rel=1e-5)
    assert band.around_mm[1] - band.around_mm[0] < before.around_mm[1] - before.around_mm[0]
    assert band.axial_mm == pytest.approx(before.axial_mm, abs=1.5)


def test_the_colours_are_those_of_the_metal_that_is_left(seen, without_mark):
    """Counted pixel by pixel from the photo, which cells of 0.5 by 0.25 mm blur a little."""
    surface = without_mark.standing_surface
    x0, y0 = surface.origin_px
    rgb = seen.photo.rgb[y0 : y0 + surface.metal.shape[0], x0 : x0 + surface.metal.shape[1]]
    share = rgb / 255.0
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    if seen.calibration.white_gain is not None:
        linear = linear * seen.calibration.white_gain
    smooth = cv2.GaussianBlur(linear.astype(np.float32), (0, 0), 3.0)
    for told, examined in ((without_mark.standing_bands, surface.examined), (seen.bands, seen.surface.examined)):
        classes = classify(cielab(smooth[examined]))
        area = np.bincount(classes, surface.area_per_px[examined], len(COLOUR_CLASSES))
        for name, counted in zip(COLOUR_CLASSES, area / area.sum()):
            assert told.colour_shares[name] == pytest.approx(counted, abs=0.03), name
    assert sum(without_mark.standing_bands.colour_shares.values()) == pytest.approx(1.0)
    moved = {
        name: without_mark.standing_bands.colour_shares[name] - seen.bands.colour_shares[name]
        for name in COLOUR_CLASSES
    }
    assert max(abs(v) for v in moved.values()) > 0.05  # the mark's own colour is gone
    assert without_mark.quantities["share_black"] == without_mark.standing_bands.colour_shares["black_oxide"]


def test_mounds_and_light_left_out_are_gone(seen, without_mark):
    assert [mound.id for mound in without_mark.standing_pits.mounds] == [2]
    assert without_mark.quantities["mound_count"] == 1 and conclude(seen).quantities["mound_count"] == 2
    assert without_mark.standing_relief.holes == seen.relief.holes[1:]
    assert without_mark.quantities["through_hole_count"] == 1 and conclude(seen).quantities["through_hole_count"] == 2
    document = json.loads(output.FILES["examination.json"](output.Work(without_mark)))
    assert len(document["wall"]["light_without_pit"]) == 1
    assert [mound["id"] for mound in document["corrected"]["standing_mounds"]] == [2]
    (flag,) = [flag for flag in without_mark.flags if flag.id == "light_without_pit"]
    assert "1" in flag.message and "2" not in flag.message
    inside = hull(_disc(seen, seen.relief.holes[1]))
    only = conclude(seen, corrections=[entry("examine_only", inside)])
    assert [mound.id for mound in only.standing_pits.mounds] == [2] and len(only.standing_relief.holes) == 1
    none = conclude(seen, corrections=[entry("leave_out", inside), entry("leave_out", hull(seen.bands.labels == 1))])
    assert none.standing_pits.mounds == () and none.standing_relief.holes == ()
    assert "through_hole_count" not in none.quantities
    assert "light_without_pit" not in {flag.id for flag in none.flags}


def _disc(seen, hole):
    mask = np.zeros(seen.bands.labels.shape, np.uint8)
    return cv2.circle(mask, (round(hole.x_px), round(hole.y_px)), 60, 1, -1)


def test_pits_and_relief_left_out_are_gone(seen, without_mark):
    mark = seen.bands.labels == 1
    standing = {pit.id for pit in without_mark.standing_pits.pits}
    there = {pit.id for pit in seen.pits.pits if mark[round(pit.y_px), round(pit.x_px)]}
    assert there and not there & standing
    assert not mark[np.isin(without_mark.standing_pits.labels, list(standing))].any()
    relief = without_mark.standing_relief
    assert (
        set(relief.places_px) == standing and len(relief.pit_depths_mm) == 1 and set(relief.pit_depths_mm) <= standing
    )
    (flag,) = [flag for flag in without_mark.flags if flag.id == "pits_without_torch"]
    assert str(len(standing) - len(relief.pit_depths_mm)) in flag.message
    assert np.isfinite(seen.relief.heights.mm).all()
    surface = seen.surface
    x0, y0 = surface.origin_px
    here = mark[y0 : y0 + surface.metal.shape[0], x0 : x0 + surface.metal.shape[1]] & surface.examined
    heights = relief.heights
    row = ((surface.around[here] - heights.around_mm) / heights.step_mm).astype(int)
    column = ((surface.axial[here] - heights.axial_mm) / heights.step_mm).astype(int)
    assert np.isnan(heights.mm[row, column]).mean() > 0.98
    left = without_mark.standing_surface.examined
    row = ((surface.around[left] - heights.around_mm) / heights.step_mm).astype(int)
    column = ((surface.axial[left] - heights.axial_mm) / heights.step_mm).astype(int)
    assert np.isfinite(heights.mm[row, column]).mean() > 0.98


def test_the_length_and_the_outline_are_those_of_the_metal_that_is_left(seen):
    surface = seen.surface
    height, width = seen.bands.labels.shape
    middle = float(np.median(np.nonzero(surface.metal)[1])) + surface.origin_px[0]
    left = conclude(seen, corrections=[entry("leave_out", [[0, 0], [middle, 0], [middle, height], [0, height]])])
    kept = left.standing_surface
    assert kept.axial_from + kept.axial_length.value == pytest.approx(surface.axial_length.value, rel=0.02)
    assert kept.axial_from == pytest.approx(surface.axial_length.value / 2, rel=0.1)
    assert kept.outline_px[:, 0].min() > middle and surface.outline_px[:, 0].min() < middle


def test_flags_of_the_picture_are_those_of_the_metal_that_is_left(seen):
    """A photo burnt out where the mark lies has that flag only while the mark is looked at."""
    burnt = seen.photo.rgb.copy()
    burnt[cv2.dilate((seen.bands.labels == 1).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0] = 255
    glare = raise_flag("glare", "20 %")
    look_ = replace(
        seen, photos=(replace(seen.photo, rgb=burnt),), quality=(*seen.quality, glare), flags=(*seen.flags, glare)
    )
    assert "glare" in {flag.id for flag in conclude(look_).flags}
    without = conclude(look_, corrections=[entry("leave_out", hull(seen.bands.labels == 1))])
    assert "glare" not in {flag.id for flag in without.flags}


def test_nothing_left_out_changes_nothing(seen):
    height, width = seen.bands.labels.shape
    whole = conclude(seen, corrections=[entry("examine_only", [[0, 0], [width, 0], [width, height], [0, height]])])
    assert whole.standing_bands is seen.bands and whole.standing_relief is seen.relief
    assert whole.standing_surface is seen.surface
    assert whole.quantities == conclude(seen).quantities
    # and restricting to all of it by the long way tells the same bands and colours again
    again = seen.bands.restricted(whole.corrected.kept)
    assert again.bands == seen.bands.bands and again.colour_shares == seen.bands.colour_shares
    assert np.array_equal(again.labels, seen.bands.labels)


@pytest.fixture(scope="module")
def ring():
    return look(ROOT / "demo_images/cut-ring.jpg", settings=Settings(view="end", tube="1", marker=read_marker("ruler")))


def test_a_cut_ring_left_out_where_it_is_thinnest_is_measured_elsewhere(ring):
    whole = conclude(ring)
    found = ring.ring
    at = round(found.minimum_image_angle_deg + 180) % 360
    x, y = found.outer_contour_px[at]
    square = [[x - 150, y - 150], [x + 150, y - 150], [x + 150, y + 150], [x - 150, y + 150]]
    less = conclude(ring, corrections=[entry("leave_out", square)])
    left = less.standing_ring
    out = np.isnan(left.wall_mm)
    assert out[at] and 5 < out.sum() < 200
    middle = 0.5 * (found.outer_contour_px + found.inner_contour_px)
    assert np.array_equal(out, (np.abs(middle - (x, y)) <= 150).all(axis=1))
    assert left.minimum_mm.value == pytest.approx(found.wall_mm[~out].min())
    assert left.minimum_mm.value > found.minimum_mm.value
    assert left.mean_mm.value == pytest.approx(found.wall_mm[~out].mean())
    assert less.wall.minimum_mm == left.minimum_mm and whole.wall.minimum_mm == found.minimum_mm
    document = json.loads(output.FILES["examination.json"](output.Work(less)))
    assert len(document["wall"]["profile"]["wall_mm"]) == 360 - out.sum()
    for name in ("overlay.png", "unrolled.png", "report.html"):
        assert output.FILES[name](output.Work(less))
    away = [[0, 0], [20, 0], [20, 20], [0, 20]]
    with pytest.raises(InputError, match="left"):
        conclude(ring, corrections=[entry("examine_only", away)])
