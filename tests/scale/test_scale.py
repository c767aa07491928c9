"""The scale against OpenCV's own camera model, mints' diameters, and (where given) pictures with truth."""

from __future__ import annotations

import json
import math
import os
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import approx_fprime

from analyzer.base.flags import ScaleError
from analyzer.base.measured import Measure
from analyzer.photo.reading import read_photo
from analyzer.scale.calibration import Calibration, Marker, coin_of, common_coins, compare_scales, find_scale
from analyzer.scale.find_card import CARD_CENTRES_MM, _fit_markers, detect_markers, refine_corners
from analyzer.scale.find_ruler import (
    ALONG_MARK,
    ALONG_ROW,
    _across,
    _across_slopes,
    _line,
    _tilt,
    _tilt_slopes,
    find_ruler,
)
from analyzer.scale.plane_pose import camera_priors, pose_parameters, project, project_with_slopes
from tests.scale_scenes import (
    DOTS,
    Scene,
    blank,
    card_drawing,
    coin_seen,
    disc_drawing,
    photo_of,
    pose,
    ruler_drawing,
    seen,
)

# Markers that stand otherwise than on the project's own card: the layout is not known to the code.
OTHER_LAYOUT = {0: (-44.0, 22.0), 1: (31.0, 25.0), 2: (40.0, -22.0), 3: (-41.0, -20.0)}


@cache
def card_scene(**kwargs) -> Scene:
    rotation, translation = pose(17.0, -9.0, 31.0, 190.0, (6.0, -4.0))
    return seen(card_drawing(OTHER_LAYOUT), rotation, translation, **kwargs)


@pytest.fixture(scope="module")
def card() -> Scene:
    return card_scene()


@pytest.fixture(scope="module")
def ruler() -> Scene:
    rotation, translation = pose(14.0, 11.0, -24.0, 170.0, (4.0, 6.0))
    return seen(ruler_drawing(), rotation, translation)


def scale_error(scene: Scene, calibration: Calibration, pixel: np.ndarray) -> float:
    """Relative error of the calibration's scale at a pixel against the camera that made the picture."""
    ray = np.linalg.inv(calibration.camera_matrix) @ np.append(pixel, 1.0)
    normal = calibration.rotation[:, 2]
    found = float(normal @ calibration.translation_mm / (normal @ ray) / calibration.camera_matrix[0, 0])
    return found / scene.mm_per_px(pixel) - 1


def normal_error_deg(scene: Scene, rotation: np.ndarray) -> float:
    return math.degrees(math.acos(np.clip(scene.rotation[:, 2] @ rotation[:, 2], -1, 1)))


# --- the card -------------------------------------------------------------------------------------------------------


def test_marker_corners_lie_where_opencv_projects_them(card):
    """Reference: cv2.projectPoints. A tenth of a pixel on sides of some 200 pixels."""
    corners = {k: refine_corners(card.photo.rgb, quad)[0] for k, quad in detect_markers(card.photo.rgb).items()}
    assert sorted(corners) == [0, 1, 2, 3]
    square = np.array([[-10, 10], [10, 10], [10, -10], [-10, -10]])
    for marker_id, quad in corners.items():
        expected = card.pixel_of(square + np.array(OTHER_LAYOUT[marker_id]))
        assert np.max(np.linalg.norm(quad - expected, axis=1)) < 0.12


def test_card_of_unknown_layout_gives_scale_and_tilt(card):
    calibration = find_scale(card.photo, Marker(kind="card"))
    assert (calibration.method, calibration.focal_source) == ("card", "exif")
    for place in ((0, 0), (50, 30), (-55, -35)):  # also beyond the markers, where the piece lies
        pixel = card.pixel_of(np.array([place]))[0]
        assert abs(scale_error(card, calibration, pixel)) < 0.0015
    assert normal_error_deg(card, calibration.rotation) < 0.2
    assert calibration.rotation[:, 0] @ card.rotation[:, 0] > 0.999  # x runs along the card's own +x edge
    assert calibration.mm_per_px_marker.value == pytest.approx(
        card.mm_per_px(card.pixel_of(np.zeros((1, 2)))[0]), rel=0.01
    )


@pytest.mark.parametrize("hidden", [(0,), (1, 3), (0, 1, 2)])
def test_hidden_markers_cost_certainty_not_truth(card, hidden):
    rgb = card.photo.rgb.copy()
    for marker_id in hidden:
        x, y = card.pixel_of(np.array([OTHER_LAYOUT[marker_id]]))[0].astype(int)
        cv2.circle(rgb, (x, y), 70, (90, 60, 40), -1)
    calibration = find_scale(photo_of(rgb), Marker(kind="card"))
    all_seen = find_scale(card.photo, Marker(kind="card"))
    assert len(calibration.marker_outlines_px) == 4 - len(hidden)
    pixel = card.pixel_of(np.zeros((1, 2)))[0]
    error = abs(scale_error(card, calibration, pixel))
    at_place = math.hypot(*calibration.relative_uncertainty_at(*pixel).values())
    assert error < 0.01 and error < 2.6 * at_place
    assert calibration.normal_uncertainty_deg > all_seen.normal_uncertainty_deg


def test_card_cut_off_by_the_picture(card):
    cut = card.photo.rgb[:, :900]
    assert 1 <= len(detect_markers(cut)) < 4
    # The principal point of a cropped picture is not its middle: the focal length is told by the whole picture's diagonal.
    calibration = find_scale(photo_of(card.photo.rgb.copy()), Marker(kind="card"))
    black = card.photo.rgb.copy()
    black[:, 900:] = 0
    cut_off = find_scale(photo_of(black), Marker(kind="card"))
    pixel = card.pixel_of(np.array([[-20.0, 0.0]]))[0]
    assert abs(scale_error(card, cut_off, pixel)) < 0.006
    assert cut_off.normal_uncertainty_deg >= calibration.normal_uncertainty_deg


def test_half_covered_marker_is_left_out_when_it_lies_askew(card):
    """A marker that was cut out and glued on at another size does not bend the plane of the others."""
    layout = {k: v for k, v in OTHER_LAYOUT.items() if k != 1}
    drawing = card_drawing(layout)
    small = card_drawing({1: OTHER_LAYOUT[1]}, side_mm=18.0)
    mask = np.any(small[..., :3] == 24, axis=2)
    drawing[mask] = small[mask]
    scene = seen(drawing, card.rotation, card.translation_mm)
    calibration = find_scale(scene.photo, Marker(kind="card"))
    assert len(calibration.marker_outlines_px) == 3
    assert abs(scale_error(scene, calibration, scene.pixel_of(np.zeros((1, 2)))[0])) < 0.0015


def test_focal_length_comes_from_the_markers_where_the_photo_is_silent():
    scene = card_scene(focal_35mm=50.0, recorded=False)
    calibration = find_scale(scene.photo, Marker(kind="card"))
    assert calibration.focal_source == "marker"
    assert calibration.camera_matrix[0, 0] == pytest.approx(scene.camera_matrix[0, 0], rel=0.04)
    pixel = scene.pixel_of(np.zeros((1, 2)))[0]
    assert abs(scale_error(scene, calibration, pixel)) < 0.003


@pytest.mark.parametrize("k1", [-0.03, 0.03])
def test_lens_distortion_shows_in_the_card(k1):
    """Reference: cv2.undistortPoints with that k1."""
    rotation, translation = pose(4.0, -3.0, 12.0, 125.0)  # near, so that the card reaches into the corners
    scene = seen(card_drawing(OTHER_LAYOUT), rotation, translation, k1=k1)
    calibration = find_scale(scene.photo, Marker(kind="card"))
    assert calibration.distortion[0] == pytest.approx(k1, abs=0.012)


def test_paper_gives_the_white(card):
    calibration = find_scale(card.photo, Marker(kind="card"))
    paper = ((np.array([228, 226, 222]) / 255 + 0.055) / 1.055) ** 2.4  # the drawing's own paper, IEC 61966-2-1
    balanced = paper * calibration.white_gain
    assert np.ptp(balanced) / balanced.mean() < 0.02


def test_own_card_is_recognised_and_checked():
    rotation, translation = pose(8.0, 5.0, 0.0, 180.0)
    scene = seen(card_drawing(CARD_CENTRES_MM, size_mm=(124.0, 76.0)), rotation, translation)
    (check,) = find_scale(scene.photo, Marker(kind="card")).cross_checks
    assert check.name == "card layout" and check.agrees and abs(check.difference_percent) < 0.3
    assert find_scale(card_scene().photo, Marker(kind="card")).cross_checks == ()


def test_uncertainty_of_the_pose_is_its_true_scatter():
    """Corners moved by known noise: errors by stated uncertainty must scatter by about 1 (GUM, JCGM 101, by simulation)."""
    scene = card_scene()
    camera = camera_priors(scene.photo)[0]
    sigma, generator = 0.3, np.random.default_rng(5)
    square = np.array([[-10, 10], [10, 10], [10, -10], [-10, -10]])
    pixel = scene.pixel_of(np.array([[60.0, 0.0]]))
    ratios, tilts = [], []
    for _ in range(60):
        corners = {
            k: scene.pixel_of(square + np.array(OTHER_LAYOUT[k])) + generator.normal(0, sigma, (4, 2))
            for k in OTHER_LAYOUT
        }
        # The camera's own part is drawn too: the record is off by as much as it claims to be.
        drawn = replace(camera, focal_px=camera.focal_px * math.exp(generator.normal(0, camera.focal_relative)))
        fit = _fit_markers(corners, drawn, sigma)
        row = fit.scale_sensitivity(pixel)[0]
        stated = math.sqrt(sum(row @ matrix @ row for matrix in fit.covariances.values()))
        error = float(fit.log_scale(fit.parameters, pixel)[0]) - math.log(scene.mm_per_px(pixel[0]))
        ratios.append(error / stated)
        tilts.append(normal_error_deg(scene, fit.rotation) / fit.normal_uncertainty_deg())
    # 60 draws: the ratio's own scatter is 9 %; principal point and distortion are not drawn, so it may be smaller.
    assert 0.6 < np.std(ratios) < 1.25
    assert 0.5 < math.sqrt(np.mean(np.square(tilts))) < 1.25


def test_uncertainty_grows_away_from_the_marker(card):
    calibration = find_scale(card.photo, Marker(kind="card"))
    near = math.hypot(*calibration.relative_uncertainty_at(*calibration.error_centre_px).values())
    far = math.hypot(*calibration.relative_uncertainty_at(0.0, 0.0).values())
    assert far > near
    assert near == pytest.approx(math.hypot(*calibration.relative_uncertainty.values()), rel=0.05)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(quarter_turns=st.integers(0, 3), size=st.sampled_from([0.6, 0.8, 1.0, 1.3]))
def test_turning_or_resizing_the_picture_leaves_millimetres_alone(quarter_turns, size):
    scene = card_scene()
    first = find_scale(scene.photo, Marker(kind="card"))
    ends = scene.pixel_of(np.array([[-50.0, -10.0], [50.0, 20.0]]))
    rgb = cv2.resize(
        scene.photo.rgb, None, fx=size, fy=size, interpolation=cv2.INTER_AREA if size < 1 else cv2.INTER_CUBIC
    )
    moved = (ends + 0.5) * size - 0.5
    for _ in range(quarter_turns):
        rgb = np.rot90(rgb)
        moved = np.stack([moved[:, 1], rgb.shape[0] - 1 - moved[:, 0]], axis=1)
    second = find_scale(photo_of(rgb), Marker(kind="card"))
    assert length_on_plane(second, moved) == pytest.approx(length_on_plane(first, ends), rel=0.002)
    assert length_on_plane(first, ends) == pytest.approx(math.hypot(100.0, 30.0), rel=0.002)


def length_on_plane(calibration: Calibration, ends: np.ndarray) -> float:
    """Distance in mm between two pixels cast onto the marker's plane, by OpenCV's undistortion."""
    straight = cv2.undistortPoints(ends.reshape(-1, 1, 2), calibration.camera_matrix, calibration.distortion)[:, 0]
    rays = np.concatenate([straight, np.ones((2, 1))], axis=1)
    normal = calibration.rotation[:, 2]
    points = rays * ((normal @ calibration.translation_mm) / (rays @ normal))[:, None]
    return float(np.linalg.norm(points[1] - points[0]))


# --- the ruler ------------------------------------------------------------------------------------------------------


def test_slopes_of_the_rulers_fit_are_those_that_small_steps_give(ruler):
    """Judge: SciPy's finite differences, at a tilted pose through a lens that bends."""
    camera = camera_priors(ruler.photo)[0]
    pose = pose_parameters(camera, np.array([2.9, 0.3, -0.2]), np.array([-20.0, 10.0, 250.0]))
    pose[3] = 0.03
    marks = np.random.default_rng(3).uniform(-30, 60, (40, 2))
    seen = project(pose, marks) + np.random.default_rng(4).normal(0, 2, (40, 2))

    def same(slopes, by_steps):
        assert slopes == pytest.approx(by_steps, rel=1e-4, abs=1e-5 * np.abs(by_steps).max())

    places, slopes = project_with_slopes(pose, marks)
    assert places == pytest.approx(project(pose, marks), abs=1e-9)
    same(slopes.reshape(-1, len(pose)), approx_fprime(pose, lambda at: project(at, marks).ravel()))
    for towards in (ALONG_MARK, ALONG_ROW):
        across = approx_fprime(pose, lambda at, towards=towards: _across(*_line(at, marks, towards), seen))
        same(_across_slopes(pose, marks, towards, seen), across)
    same(_tilt_slopes(pose), approx_fprime(pose, lambda at: _tilt(at)["camera tilt"]))
    known = approx_fprime(pose, lambda at: np.concatenate(list(camera.residuals(at).values())))
    same(np.concatenate(list(camera.slopes(pose).values())), known)
    assert project_with_slopes(pose, marks[:0])[1].shape == (0, 2, len(pose))


def test_ruler_gives_scale_along_and_across(ruler):
    calibration = find_scale(ruler.photo, Marker(kind="ruler"))
    assert calibration.method == "ruler" and calibration.flags == ()
    for place in ((-45.0, -12.0), (0.0, 0.0), (45.0, -40.0)):  # the last lies beyond the ruler, where the piece is
        assert abs(scale_error(ruler, calibration, ruler.pixel_of(np.array([place]))[0])) < 0.003
    assert normal_error_deg(ruler, calibration.rotation) < 0.6
    assert normal_error_deg(ruler, calibration.rotation) < 3 * calibration.normal_uncertainty_deg
    outline = calibration.marker_outlines_px[0].astype(np.float32)
    assert cv2.pointPolygonTest(outline, ruler.pixel_of(np.zeros((1, 2)))[0], False) > 0


def test_ruler_without_the_cameras_record():
    """A lens of 52 mm, not recorded: as a 26 mm lens it would stand nearer than such a lens focuses."""
    rotation, translation = pose(
        0.0, 20.0, 0.0, 180.0
    )  # tilted along the ruler alone, where the marks cannot tell the lens
    scene = seen(ruler_drawing(), rotation, translation, focal_35mm=52.0, recorded=False)
    calibration = find_scale(scene.photo, Marker(kind="ruler"))
    pixel = scene.pixel_of(np.zeros((1, 2)))[0]
    error = abs(scale_error(scene, calibration, pixel))
    assert error < 0.015 and error < 2.6 * math.hypot(*calibration.relative_uncertainty_at(*pixel).values())
    assert calibration.camera_matrix[0, 0] == pytest.approx(scene.camera_matrix[0, 0], rel=0.15)


def test_ruler_in_every_direction():
    """Lying upright, upside down and aslant, the marks on either side."""
    for turn in (90.0, 250.0):
        rotation, translation = pose(6.0, -10.0, turn, 180.0)
        scene = seen(ruler_drawing(), rotation, translation)
        calibration = find_scale(scene.photo, Marker(kind="auto"))
        assert calibration.method == "ruler"
        assert abs(scale_error(scene, calibration, scene.pixel_of(np.zeros((1, 2)))[0])) < 0.003


def test_a_dithered_picture_is_no_ruler():
    """Ordered dither (Bayer 1973, the matrix of 4 x 4) makes rows of thousands of even strokes, longer than any graduation."""
    matrix = np.array([[0, 8, 2, 10], [12, 4, 14, 6], [3, 11, 1, 9], [15, 7, 13, 5]]) * 16 + 8
    threshold = np.kron(np.tile(matrix, (375, 500)), np.ones((2, 2)))
    ramp = np.broadcast_to(np.arange(4000) / 4000 * 255, threshold.shape)
    photo = photo_of(np.repeat(np.where(ramp > threshold, 255, 0).astype(np.uint8)[..., None], 3, axis=2))
    assert find_ruler(photo.rgb, camera_priors(photo)) is None


def test_ruler_cut_off_by_the_picture():
    rotation, translation = pose(12.0, -8.0, 10.0, 110.0, (35.0, 5.0))
    scene = seen(ruler_drawing(marks=150), rotation, translation)
    calibration = find_scale(scene.photo, Marker(kind="ruler"))
    pixel = np.array([800.0, 600.0])
    assert abs(scale_error(scene, calibration, pixel)) < 0.003
    assert normal_error_deg(scene, calibration.rotation) < 1.0


@pytest.mark.parametrize(
    ("step_mm", "long_every", "name"),
    [
        (1.0, ((10, 6.5), (5, 4.8)), "1 mm"),
        # A US rule: marks of 1/16 in, longer at 1/8, 1/4, 1/2 and 1 in; 25.4 mm is the international inch, exact.
        (25.4 / 16, ((16, 9.0), (8, 7.0), (4, 5.6), (2, 4.4)), "1/16 in"),
        (0.5, ((20, 6.5), (10, 5.0), (2, 3.6)), "0.5 mm"),
    ],
)
def test_graduation_is_told_by_the_pattern_of_long_marks(step_mm, long_every, name):
    rotation, translation = pose(5.0, 4.0, 7.0, 150.0)
    marks = int(96 / step_mm)
    drawing = ruler_drawing(marks=marks, step_mm=step_mm, long_every=long_every, short_mm=2.6)
    scene = seen(drawing, rotation, translation, size=(2000, 1500))
    found = find_ruler(scene.photo.rgb, camera_priors(scene.photo))
    assert (found.graduation, found.pattern_seen) == (name, True)
    calibration = find_scale(scene.photo, Marker(kind="ruler"))
    assert abs(scale_error(scene, calibration, scene.pixel_of(np.zeros((1, 2)))[0])) < 0.004


def test_marks_all_alike_are_taken_as_millimetres_and_said():
    rotation, translation = pose(5.0, 4.0, 7.0, 150.0)
    scene = seen(ruler_drawing(long_every=()), rotation, translation)
    calibration = find_scale(scene.photo, Marker(kind="ruler"))
    assert [flag.id for flag in calibration.flags] == ["ruler_step_assumed"]


# --- the disc -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("tilt", [(0.0, 0.0), (12.0, -10.0), (22.0, 4.0)])
def test_disc_gives_scale_and_one_of_its_two_tilts(tilt):
    rotation, translation = pose(*tilt, 0.0, 130.0, (12.0, -8.0))
    scene = coin_seen(24.26, rotation, translation)
    calibration = find_scale(scene.photo, Marker(kind="disc", diameter_mm=24.26))
    pixel = scene.pixel_of(np.zeros((1, 2)))[0]
    error = abs(scale_error(scene, calibration, pixel))
    assert error < 0.006 and error < 2.6 * math.hypot(*calibration.relative_uncertainty_at(*pixel).values())
    both = (calibration.rotation, calibration.other_pose[0])
    nearest = min(normal_error_deg(scene, rotation) for rotation in both)
    assert nearest < 3.0 and nearest < 2.6 * calibration.normal_uncertainty_deg
    if max(np.abs(tilt)) > 10:  # seen from nearly straight above, both are nearly the same
        assert normal_error_deg(scene, calibration.rotation) < 3.0


@pytest.mark.parametrize("table", [(22, 30, 52), (235, 232, 228)])
def test_a_coin_that_stands_out_sharply_is_no_ring(table):
    """The edge between two colours far apart passes through all between them; a ring's wall is as wide as a wall."""
    rotation, translation = pose(4.0, 3.0, 0.0, 140.0, (-10.0, 6.0))
    drawn = (230, 228, 224) if table[0] < 100 else (60, 34, 24)
    scene = seen(
        disc_drawing(24.26, drawn), rotation, translation, table=table, wall_mm=1.5, wall=disc_drawing(24.26, drawn)
    )
    calibration = find_scale(scene.photo, Marker(kind="disc", diameter_mm=24.26))
    pixel = scene.pixel_of(np.zeros((1, 2)))[0]
    off = abs(scale_error(scene, calibration, pixel))
    assert off < 0.02 and off < 2.6 * math.hypot(*calibration.relative_uncertainty_at(*pixel).values())
    ring = disc_drawing(24.26, drawn)
    y, x = np.mgrid[0 : ring.shape[0], 0 : ring.shape[1]] - (ring.shape[0] - 1) / 2
    ring[np.hypot(x, y) < (24.26 / 2 - 1.2) * DOTS] = 0  # a wall of 1.2 mm, the table seen through
    with pytest.raises(ScaleError, match="No round disc"):
        find_scale(seen(ring, rotation, translation, table=table).photo, Marker(kind="disc", diameter_mm=24.26))


def test_disc_is_found_among_other_things():
    """Grain, small round pits and a square: the coin is the roundest."""
    rotation, translation = pose(8.0, 6.0, 0.0, 140.0, (-20.0, 10.0))
    scene = coin_seen(24.26, rotation, translation)
    rgb = scene.photo.rgb.copy()
    generator = np.random.default_rng(3)
    for _ in range(150):
        x, y = int(generator.integers(900, 1580)), int(generator.integers(600, 1180))
        cv2.circle(rgb, (x, y), int(generator.integers(2, 9)), (40, 30, 25), -1, cv2.LINE_AA)
    for x in range(0, 1600, 13):
        cv2.line(rgb, (x, 0), (x + 4, 330), (96, 80, 66), 1, cv2.LINE_AA)
    cv2.rectangle(rgb, (1050, 380), (1350, 560), (150, 90, 60), -1)
    calibration = find_scale(photo_of(rgb), Marker(kind="disc", diameter_mm=24.26))
    centre = calibration.marker_outlines_px[0].mean(axis=0)
    assert np.linalg.norm(centre - scene.pixel_of(np.zeros((1, 2)))[0]) < 6
    assert abs(scale_error(scene, calibration, centre)) < 0.01


def test_coins_have_their_mints_diameters():
    """Sources: United States Mint, Coin Specifications (quarter 24.26, nickel 21.21, dime 17.91, cent 19.05 mm);
    Council Regulation (EC) No 975/98, annex I (1 euro 23.25, 2 euro 25.75, 50 cent 24.25 mm)."""
    sizes = {(coin.country, coin.name): coin.diameter_mm for coin in common_coins()}
    assert sizes["United States", "25 cents (quarter)"] == 24.26
    assert sizes["United States", "5 cents (nickel)"] == 21.21
    assert sizes["United States", "10 cents (dime)"] == 17.91
    assert sizes["United States", "1 cent"] == 19.05
    assert sizes["Euro area", "1 euro"] == 23.25
    assert sizes["Euro area", "2 euro"] == 25.75
    assert sizes["Euro area", "50 cents"] == 24.25
    assert all(coin.source and coin.status for coin in common_coins())
    assert coin_of(24.26).name == "25 cents (quarter)"
    assert coin_of(24.20) is None


# --- a marked length, nothing, and what cannot be right ---------------------------------------------------------------


def test_marked_length_is_its_millimetres_by_its_pixels():
    photo = photo_of(blank(4, 3, (120, 110, 100))[..., :3].repeat(10, 0).repeat(10, 1))
    marker = Marker(kind="length", points_px=((100.0, 100.0), (400.0, 500.0)), length_mm=50.0)
    calibration = find_scale(photo, marker)
    assert calibration.mm_per_px_marker.value == pytest.approx(50.0 / 500.0)
    assert calibration.mm_per_px_marker.standard_uncertainty / 0.1 > 0.02  # the tilt is not known
    assert length_on_plane(calibration, np.array(marker.points_px)) == pytest.approx(50.0, rel=1e-6)


def test_nothing_is_claimed_without_a_marker():
    scene = seen(blank(60, 40, (150, 90, 60)), *pose(5.0, 5.0, 20.0, 150.0))
    found = find_scale(scene.photo, Marker(kind="auto"))
    assert (found.method, found.mm_per_px_marker, found.rotation) == ("none", None, None)
    assert [flag.id for flag in found.flags] == ["no_scale"]
    assert find_scale(scene.photo, Marker(kind="tube")).flags == ()
    assert found.camera_matrix[0, 0] == pytest.approx(28.0 * 2000 / math.hypot(36, 24))


@pytest.mark.parametrize(
    ("marker", "says"),
    [
        (Marker(kind="card"), "scale card"),
        (Marker(kind="ruler"), "ruler"),
        (Marker(kind="disc", diameter_mm=24.26), "disc"),
        (Marker(kind="disc"), "diameter"),
        (Marker(kind="disc", diameter_mm=0.5), "0.5 mm"),
        (Marker(kind="disc", diameter_mm=121), "from 5 to 120"),
        (Marker(kind="disc", diameter_mm=float("nan")), "nan"),
        (Marker(kind="length"), "two ends"),
        (Marker(kind="length", points_px=((0, 0), (5, 5)), length_mm=10), "too close"),
        (Marker(kind="length", points_px=((0, 0), (5000, 5)), length_mm=10), "leaves the photo"),
        (Marker(kind="length", points_px=((0, 0), (500, 5)), length_mm=-3), "-3"),
        (Marker(kind="stone"), "stone"),
    ],
)
def test_a_named_marker_that_is_not_there_gets_one_sentence(marker, says):
    photo = seen(blank(60, 40, (150, 90, 60)), *pose(5.0, 5.0, 20.0, 150.0)).photo
    with pytest.raises(ScaleError) as error:
        find_scale(photo, marker)
    text = str(error.value)
    assert says in text and text.endswith(".") and "\n" not in text


def test_wrong_print_scale_shows_against_a_known_length():
    """A card printed at 94 % ("fit to page"): a tube of 22.225 mm (ASTM B88, 3/4 in) would measure 23.6 mm."""
    rotation, translation = pose(6.0, 4.0, 0.0, 180.0)
    right = {k: (x, y) for k, (x, y) in OTHER_LAYOUT.items()}
    tube_mm = 22.225

    def measured(print_scale: float) -> Measure:
        layout = {k: (x * print_scale, y * print_scale) for k, (x, y) in right.items()}
        scene = seen(card_drawing(layout, side_mm=20.0 * print_scale), rotation, translation)
        calibration = find_scale(scene.photo, Marker(kind="card"))
        ends = scene.pixel_of(np.array([[0.0, 0.0], [tube_mm, 0.0]]))
        value = length_on_plane(calibration, ends)
        return Measure(
            value=value, budget={name: value * part for name, part in calibration.relative_uncertainty.items()}
        )

    expected = Measure(value=tube_mm, budget={"tube": 0.05})
    assert compare_scales("tube", measured(1.0), expected, "the tube's outside diameter").agrees
    wrong = compare_scales("tube", measured(0.94), expected, "the tube's outside diameter")
    assert not wrong.agrees and wrong.difference_percent == pytest.approx(100 * (1 / 0.94 - 1), abs=0.4)
    assert "does not agree" in wrong.sentence


# --- pictures with truth ----------------------------------------------------------------------------------------------

TRUTH = os.environ.get("CUTPIPE_TRUTH")


@pytest.mark.slow
@pytest.mark.skipif(not TRUTH, reason="set CUTPIPE_TRUTH to a folder of pictures with truth")
def test_stated_uncertainty_holds_on_pictures_with_truth():
    """Error of the scale at the marker by what is stated, over all pictures of the folder (single views)."""
    errors: dict[str, list[float]] = {"card": [], "ruler": [], "disc": []}
    ratios = []
    for path in sorted(Path(TRUTH).glob("truth/*/truth.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        photo_path = Path(TRUTH) / "images" / f"{path.parent.name}.jpg"
        if not photo_path.exists():
            continue
        placed = truth["marker"]
        kind = {"aruco_card": "card"}.get(placed["kind"], placed["kind"])
        calibration = find_scale(read_photo(photo_path), Marker(kind=kind, diameter_mm=placed.get("diameter_mm")))
        camera = truth["camera"]
        normal = np.array(camera["R_world_to_cam"])[:, 2]
        pixel = np.array(calibration.error_centre_px)
        ray = np.linalg.inv(np.array(camera["K"])) @ np.append(pixel, 1.0)
        depth = (normal @ np.array(camera["t_world_to_cam"]) + placed["plane_z_mm"]) / (normal @ ray)
        relative = calibration.mm_per_px_marker.value / (depth / camera["K"][0][0]) - 1
        errors[kind].append(abs(relative))
        ratios.append(relative * calibration.mm_per_px_marker.value / calibration.mm_per_px_marker.standard_uncertainty)
    assert np.median(errors["card"]) < 0.002
    assert np.median(errors["ruler"]) < 0.002
    assert np.median(errors["disc"]) < 0.01
    assert max(max(part) for part in errors.values() if part) < 0.04
    assert np.mean(np.abs(ratios) < 1.96) >= 0.9


@pytest.mark.parametrize("tilt, flagged", [(20.0, False), (47.0, True)])
def test_a_phone_held_far_from_straight_above_is_said(tilt, flagged):
    """The tilt is the drawing's own; the limit is common practice, no source."""
    rotation, translation = pose(tilt, 0.0, 3.0, 190.0)
    scene = seen(card_drawing(OTHER_LAYOUT), rotation, translation)
    calibration = find_scale(scene.photo, Marker(kind="card"))
    assert calibration.camera_tilt_deg == pytest.approx(tilt, abs=0.5)
    assert ("camera_tilted" in [flag.id for flag in calibration.flags]) is flagged
