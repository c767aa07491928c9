"""The cut ring against drawn rings with exact truth, and against the truth pictures where they are at hand."""

import json
import math
import os
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from analyzer.base.flags import SurfaceError
from analyzer.base.measured import Measure
from analyzer.house.tables import read_tube
from analyzer.photo.reading import read_photo
from analyzer.ring import cut_ring
from analyzer.ring.cut_ring import measure_ring
from analyzer.scale.calibration import Calibration, Marker, find_scale
from tests.ring_drawing import draw, wall_with_pits

PITS = [(40.0, 0.4, 12.0), (-110.0, 0.62, 9.0), (160.0, 0.2, 20.0)]
NO_MARKER = Calibration(
    method="none", camera_matrix=np.eye(3), distortion=np.zeros(5), focal_source="assumed", rotation=None, translation_mm=None,
    marker_plane_height_mm=0.0, mm_per_px_marker=None,
)  # fmt: skip
HALF_INCH = read_tube("1/2")


def measure(drawn):
    return measure_ring(drawn.photo, NO_MARKER, None, HALF_INCH)


def angle_between(a, b):
    return abs((a - b + 180) % 360 - 180)


def flags_of(ring):
    return {flag.id for flag in ring.flags}


CASES = {
    "plain": {},
    "light from the other side": {"light_deg": -140.0},
    "large": {"radius_px": 200.0},
    "table seen through": {"through_table": True},
    "deposit on the bore": {"deposit_deg": (60.0, 140.0)},
    "pale table": {"table": (0.6, 0.55, 0.5)},
    "dark rim, deep saw marks": {"rim": (0.12, 0.06, 0.045), "saw": 0.4},
    "noise and blur": {"noise": 8.0, "blur_px": 1.6},
}


@pytest.mark.parametrize("case", CASES)
def test_wall_round_a_drawn_ring(case):
    drawn = draw(wall_with_pits(0.9, PITS, 0.05), **CASES[case])
    ring = measure(drawn)
    assert ring.mm_per_px.value == pytest.approx(drawn.mm_per_px, rel=0.003)
    assert ring.mean_mm.value == pytest.approx(drawn.wall_mm.mean(), abs=0.02)
    assert np.median(np.abs(ring.wall_mm - drawn.wall_mm)) < 0.015
    assert ring.minimum_mm.value == pytest.approx(
        drawn.wall_mm.min(), abs=0.75 * drawn.mm_per_px
    )  # three quarters of a pixel
    assert angle_between(ring.minimum_image_angle_deg, -110.0) <= 3
    assert math.dist(ring.centre_px, drawn.centre_px) < 0.5
    assert ring.ovality_percent < 0.5 and ring.loss_outside_mm.max() == 0.0


def test_stated_intervals_hold_and_are_not_idle():
    held = []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        pits = [(rng.uniform(-180, 180), rng.uniform(0.1, 0.7), rng.uniform(6, 25)) for _ in range(4)]
        look = {
            "blur_px": rng.uniform(0.8, 1.5),
            "noise": rng.uniform(1, 6),
            "saw": rng.uniform(0.05, 0.3),
            "radius_px": rng.uniform(80, 120),
        }
        drawn = draw(wall_with_pits(rng.uniform(0.75, 1.2), pits, rng.uniform(0, 0.08)), seed=seed, **look)
        ring = measure(drawn)
        for stated, true in (
            (ring.mean_mm, drawn.wall_mm.mean()),
            (ring.minimum_mm, drawn.wall_mm.min()),
            (ring.mm_per_px, drawn.mm_per_px),
        ):
            low, high = stated.interval_95
            held.append(low <= true <= high)
        assert ring.mean_mm.standard_uncertainty < 0.1
    assert np.mean(held) >= 0.9


def test_a_wall_thinner_than_the_blur_reads_thin():
    # 0.1 mm are two and a half pixels, 0.05 mm little more than one
    for depth in (0.15, 0.2):
        drawn = draw(wall_with_pits(0.25, [(40.0, depth, 14.0)]), blur_px=1.2, radius_px=200.0)
        ring = measure(drawn)
        assert ring.minimum_mm.value == pytest.approx(0.25 - depth, abs=0.03)
        assert angle_between(ring.minimum_image_angle_deg, 40.0) <= 4


def test_turning_the_picture_turns_the_place_and_nothing_else():
    drawn = draw(wall_with_pits(0.9, PITS, 0.05), radius_px=110.0)
    before = measure(drawn)
    turned = np.ascontiguousarray(np.rot90(drawn.photo.rgb))  # a quarter turn counter-clockwise
    after = measure_ring(replace(drawn.photo, rgb=turned), NO_MARKER, None, HALF_INCH)
    assert angle_between(after.minimum_image_angle_deg, before.minimum_image_angle_deg + 90) <= 1.5
    assert after.mean_mm.value == pytest.approx(before.mean_mm.value, abs=0.005)
    assert np.roll(before.wall_mm, 90) == pytest.approx(after.wall_mm, abs=0.08)


def test_rescaling_keeps_millimetres():
    drawn = draw(wall_with_pits(0.9, PITS, 0.05), radius_px=180.0)
    small = cv2.resize(drawn.photo.rgb, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
    ring = measure_ring(replace(drawn.photo, rgb=small), NO_MARKER, None, HALF_INCH)
    assert ring.mean_mm.value == pytest.approx(drawn.wall_mm.mean(), abs=0.02)
    assert ring.minimum_mm.value == pytest.approx(drawn.wall_mm.min(), abs=0.05)


@pytest.mark.parametrize("gain", [6.0, 9.0])
def test_overexposed_rim_is_flagged_and_its_spread_taken_off(gain):
    drawn = draw(wall_with_pits(0.9, PITS), gain=gain)
    ring = measure(drawn)
    assert "ring_overexposed" in flags_of(ring)
    assert ring.mean_mm.value == pytest.approx(drawn.wall_mm.mean(), abs=0.04)
    calm = measure(draw(wall_with_pits(0.9, PITS)))
    assert "ring_overexposed" not in flags_of(calm)
    assert ring.mean_mm.standard_uncertainty > calm.mean_mm.standard_uncertainty


def test_squashed_ring_keeps_its_scale_and_says_how_oval():
    drawn = draw(wall_with_pits(0.9, PITS), squash=0.03)
    ring = measure(drawn)
    assert ring.ovality_percent == pytest.approx(6.0, abs=0.4)
    assert ring.mm_per_px.value == pytest.approx(drawn.mm_per_px, rel=0.004)
    assert ring.mean_mm.value == pytest.approx(drawn.wall_mm.mean(), abs=0.02)


def test_metal_lost_from_outside_is_told_from_metal_lost_inside():
    outside = measure(draw(wall_with_pits(0.9, []), outside_loss=(100.0, 0.4, 40.0)))
    assert outside.loss_outside_mm.max() == pytest.approx(0.4, abs=0.05) and outside.loss_inside_mm.max() < 0.06
    assert angle_between(outside.minimum_image_angle_deg, 100.0) <= 3
    assert outside.minimum_mm.value == pytest.approx(0.5, abs=0.04)
    inside = measure(draw(wall_with_pits(0.9, [(100.0, 0.4, 40.0)])))
    assert inside.loss_outside_mm.max() == 0.0 and inside.loss_inside_mm.max() == pytest.approx(0.4, abs=0.06)


def test_without_tube_the_marker_gives_a_wide_scale_and_without_both_there_is_none():
    drawn = draw(wall_with_pits(0.9, PITS), radius_px=100.0)
    nothing = measure_ring(drawn.photo, NO_MARKER, None, None)
    assert (
        nothing.mm_per_px is None
        and nothing.minimum_mm is None
        and nothing.wall_mm is None
        and nothing.scale_source == "none"
    )
    assert nothing.wall_px.mean() * drawn.mm_per_px == pytest.approx(drawn.wall_mm.mean(), abs=0.02)
    # a camera 200 mm above the marker sees the cut, some 20 mm higher, larger by a tenth
    focal = 200.0 / (drawn.mm_per_px * 200.0 / 180.0)
    matrix = np.array([[focal, 0, 300.0], [0, focal, 300.0], [0, 0, 1]])
    marker = replace(
        NO_MARKER, method="card", camera_matrix=matrix, rotation=np.diag([1.0, -1.0, -1.0]), translation_mm=np.array([0, 0, 200.0]),
        mm_per_px_marker=Measure(value=200.0 / focal, budget={"marker": 0.0005}), normal_uncertainty_deg=0.3,
    )  # fmt: skip
    ring = measure_ring(drawn.photo, marker, None, None)
    assert ring.scale_source == "marker and height" and "ring_height_assumed" in flags_of(ring)
    low, high = ring.mm_per_px.interval_95
    assert low <= drawn.mm_per_px <= high and (high - low) / drawn.mm_per_px > 0.1


def test_few_pixels_are_flagged():
    assert "ring_few_pixels" in flags_of(measure(draw(wall_with_pits(0.6, []), radius_px=45.0)))


@pytest.mark.parametrize("seed", range(3))
def test_no_ring_is_one_clear_sentence(seed):
    rng = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(rng.normal(128, 40, (420, 500, 3)), (0, 0), 3)
    for rgb in (grain * 3 - 256, rng.integers(0, 255, (300, 300, 3))):
        photo = replace(draw(wall_with_pits(0.9, []), radius_px=50.0).photo, rgb=np.clip(rgb, 0, 255).astype(np.uint8))
        with pytest.raises(SurfaceError) as caught:
            measure_ring(photo, NO_MARKER, None, HALF_INCH)
        assert str(caught.value).endswith(".") and "from straight above" in str(caught.value)


TRUTH = os.environ.get("CUTPIPE_TRUTH")


@pytest.mark.slow
@pytest.mark.skipif(not TRUTH, reason="set CUTPIPE_TRUTH to the folder of the truth pictures")
def test_goals_on_the_truth_pictures():
    """Path-traced rings, some corroded to a few pixels: medians of the errors within the goals, places within 10 degrees."""
    errors, places = [], []
    for path in sorted(Path(TRUTH).glob("truth/*/truth.json")):
        truth = json.loads(path.read_text())
        end = truth.get("end")
        if truth["view"] != "end" or not end:
            continue
        photo = read_photo(Path(TRUTH) / truth["image"])
        kind = {"aruco_card": "card"}.get(truth["marker"]["kind"], truth["marker"]["kind"])
        marker = Marker(kind=kind, diameter_mm=truth["marker"].get("diameter_mm") if kind == "disc" else None)
        ring = measure_ring(photo, find_scale(photo, marker), None, read_tube(truth["pipe"]["size_in"]))
        outer, centre = np.array(end["outer_contour_px"]), np.array(end["centre_px"])
        angle = np.degrees(np.arctan2(centre[1] - outer[:, 1], outer[:, 0] - centre[0]))
        order = np.argsort(angle)
        wall = np.interp(np.arange(-180, 180), angle[order], np.array(end["wall_mm"])[order], period=360)
        errors.append(
            (
                abs(ring.mean_mm.value - end["mean_wall_mm"]),
                np.abs(ring.wall_mm - wall).mean(),
                abs(ring.minimum_mm.value - end["min_wall_mm"]),
            )
        )
        away = np.array([angle_between(a, end["min_wall_image_angle_deg"]) for a in range(-180, 180)])
        if wall[away > 30].min() > wall.min() + 0.05:
            places.append(angle_between(ring.minimum_image_angle_deg, end["min_wall_image_angle_deg"]))
    mean, profile, minimum = np.median(errors, axis=0)
    assert mean <= 0.04 and profile <= 0.04 and minimum <= 0.06
    assert np.median(places) <= 10


@pytest.mark.parametrize(
    ("told", "wall_mm", "named"),
    [
        ("1/2 M", 1.20, "type K"),
        ("1/2 M", 1.02, "type L would fit"),
        ("1/2 K", 0.71, "type M would fit"),
        ("1/2 M", 0.71, None),
        ("1/2 L", 1.02, None),
        ("1/2 M", 0.45, None),
    ],
)
def test_a_type_that_the_ring_contradicts_is_asked_about(told, wall_mm, named):
    """Walls of ASTM B88, 1/2 in: K 1.245, L 1.016, M 0.711 mm. Thinner than every type it is worn, and no type is doubted."""
    drawn = draw(wall_with_pits(wall_mm, []))
    ring = measure_ring(drawn.photo, NO_MARKER, None, read_tube(told))
    assert ring.mean_mm.value == pytest.approx(wall_mm, abs=0.03)  # however thin the type that was told
    words = [flag.message for flag in ring.flags if flag.id == "tube_type_doubtful"]
    assert [named in message for message in words] == ([True] if named else [])


def test_a_ring_on_a_ground_of_its_own_colour_is_found_and_said_to_be_faint(monkeypatch):
    """Less of its edge holds than of any ring on another ground: taken for its round edge, with edges a pixel less sure."""
    drawn = draw(wall_with_pits(0.9, PITS, 0.05))
    plain = measure(drawn)
    monkeypatch.setattr(cut_ring, "FIRM_ENOUGH", 1.01)
    faint = measure(drawn)
    assert "ring_faint" in flags_of(faint) and "ring_faint" not in flags_of(plain)
    more = faint.mean_mm.standard_uncertainty**2 - plain.mean_mm.standard_uncertainty**2
    assert more >= 2 * faint.mm_per_px.value**2 - 1e-9
    monkeypatch.setattr(cut_ring, "ROUND_ENOUGH", 1.01)
    with pytest.raises(SurfaceError, match="No cut ring is seen"):
        measure(drawn)
