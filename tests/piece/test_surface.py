"""The piece found, fitted and cast: against cylinders drawn by OpenCV's projection, ASTM B88 diameters and geometry."""

from __future__ import annotations

import json
import os
import tomllib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from analyzer.base.flags import ScaleError, SurfaceError, raise_flag
from analyzer.base.measured import Measure
from analyzer.door import shown as door
from analyzer.door import specimen as look
from analyzer.house.tables import Tube, read_tube
from analyzer.photo.reading import CameraFacts, Photo, read_photo
from analyzer.piece import cast, find
from analyzer.piece.find import find_surface
from analyzer.piece.unroll import unrolled
from analyzer.scale.calibration import Calibration, Marker, find_scale
from tests.conftest import ROOT

FOCAL = 2600.0
PICTURE = (2000, 1500)


def camera(tilt_deg=12.0, turn_deg=20.0, distance=230.0, scale=1.0):
    """Rotation and translation of a camera over the table that looks at its origin."""
    tilt, turn = np.radians(tilt_deg), np.radians(turn_deg)
    down = np.diag([1.0, -1.0, -1.0])
    about_x = cv2.Rodrigues(np.array([tilt, 0, 0]))[0]
    about_z = cv2.Rodrigues(np.array([0, 0, turn]))[0]
    rotation = about_x @ down @ about_z
    matrix = np.array(
        [[FOCAL * scale, 0, (PICTURE[0] * scale - 1) / 2], [0, FOCAL * scale, (PICTURE[1] * scale - 1) / 2], [0, 0, 1]]
    )
    return matrix, rotation, np.array([0.0, 0.0, distance])


def calibration(matrix, rotation, translation, method="ruler", **more):
    return Calibration(
        method=method, camera_matrix=matrix, distortion=np.zeros(5), focal_source="exif", rotation=rotation,
        translation_mm=translation, marker_plane_height_mm=0.0,
        mm_per_px_marker=Measure(value=translation[2] / matrix[0, 0], budget={"marker": 1e-4}),
        relative_uncertainty={"marker": 0.002}, **more,
    )  # fmt: skip


def draw(matrix, rotation, translation, radius, half_span, axis_height, length, heading_deg, concave, size=PICTURE):
    """(mask of the face that is seen, true area seen, true median depth over its pixels): a mesh of small quads put into the picture by
    cv2.projectPoints, each drawn where it turns its face to the camera."""
    s = np.linspace(-length / 2, length / 2, 41)
    theta = np.linspace(-half_span, half_span, 161)
    ss, tt = np.meshgrid(s, theta)
    c, d = np.cos(np.radians(heading_deg)), np.sin(np.radians(heading_deg))
    side, up = radius * np.sin(tt), radius * np.cos(tt) * (-1 if concave else 1)
    world = np.stack([ss * c + side * d, ss * d - side * c, axis_height + up], -1)
    turned = cv2.Rodrigues(rotation)[0]
    pixels = cv2.projectPoints(world.reshape(-1, 1, 3), turned, translation, matrix, None)[0].reshape(*ss.shape, 2)
    eye = -rotation.T @ translation
    middle = (world[:-1, :-1] + world[1:, 1:]) / 2
    axis = np.array([c, d, 0.0])
    spoke = middle - np.array([0, 0, axis_height])
    spoke = spoke - (spoke @ axis)[..., None] * axis
    facing = ((eye - middle) * spoke).sum(-1) * (-1 if concave else 1) > 0
    mask = np.zeros((size[1], size[0]), np.uint8)
    deep = np.zeros((size[1], size[0]), np.float32)
    depth = (middle @ rotation.T + translation)[..., 2]
    corners = np.stack([pixels[:-1, :-1], pixels[:-1, 1:], pixels[1:, 1:], pixels[1:, :-1]], 2)
    for quad, far in zip(np.round(corners[facing] * 16).astype(np.int32), depth[facing]):
        cv2.fillConvexPoly(mask, quad, 1, cv2.LINE_8, 4)
        cv2.fillConvexPoly(deep, quad, float(far), cv2.LINE_8, 4)
    cell = length / 40 * radius * 2 * half_span / 160
    return mask, facing.sum() * cell, float(np.median(deep[mask > 0]))


def shown(monkeypatch, mask, views=(0.9, 0.04, 0.03, 0.03)):
    """Hand the mask over as if the network had found it."""
    rows, columns = np.nonzero(mask)
    side = 1.16 * max(np.ptp(rows), np.ptp(columns))
    square, origin, step = look.window_of(
        mask * 255, (columns.min() + columns.max() - side) / 2, (rows.min() + rows.max() - side) / 2, side
    )
    shares = np.zeros((6, look.SIDE, look.SIDE), np.float32)
    shares[look.METAL] = square / 255.0
    shares[look.TABLE] = 1 - shares[look.METAL]
    height, width = mask.shape
    span = max(height, width)
    whole, _, _ = look.window_of(mask * 255, (width - span) / 2, (height - span) / 2, span)
    far = np.zeros_like(shares)
    far[look.METAL] = whole / 255.0
    far[look.TABLE] = 1 - far[look.METAL]
    found = look.Specimen(
        shares=shares, origin=origin, step=step, view_shares=np.array(views), source="learned", version="drawn", far=far
    )
    monkeypatch.setattr(door, "find_specimen", lambda rgb, taken=(): found)
    rgb = np.repeat((mask * 90 + 60).astype(np.uint8)[..., None], 3, 2)
    return Photo(role="main", name="drawn.png", sha256="0" * 64, rgb=rgb, camera=CameraFacts())


def tube(outside, wall=None):
    return Tube(label="test", outside_diameter_mm=outside, wall_mm=wall, wall_tolerance_mm=0.1)


# (view, radius, half span, axis height, length): 3/4 inch type L has 22.225 mm outside and 1.143 mm wall (ASTM B88)
SHAPES = {
    "bore": ("inside", 9.97, np.radians(87), 11.1125, 76.0, True),
    "whole tube": ("outside", 11.0725, np.pi, 11.0725 + 0.35, 60.0, False),
    "half-shell's outside": ("outside", 11.0725, np.radians(87), 0.35 - 11.0725 * np.cos(np.radians(87)), 60.0, False),
    "curled sheet": ("flat", 90.0, 64.5 / 2 / 90.0, 90.0 + 1.143, 60.0, True),
}


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("tilt", [0.0, 14.0])
def test_drawn_cylinder_is_measured(monkeypatch, name, tilt):
    """Areas, scale and length of a cylinder whose picture OpenCV's projection drew (reference: cv2.projectPoints, geometry)."""
    view, radius, half_span, height, length, concave = SHAPES[name]
    matrix, rotation, translation = camera(tilt)
    mask, area, depth = draw(matrix, rotation, translation, radius, half_span, height, length, 35.0, concave)
    surface = find_surface(
        shown(monkeypatch, mask), calibration(matrix, rotation, translation), view=view, tube=tube(22.225, 1.143)
    )
    assert surface.axial_length.value == pytest.approx(length, rel=0.006)
    # what relief hides at grazing angles is left out on purpose; geometry is compared without it
    bare = float(np.nansum(surface.area_per_px[surface.metal]))
    assert bare == pytest.approx(area, rel=0.03)
    assert surface.seen_area.value <= area * 1.01
    assert surface.mm_per_px.value == pytest.approx(depth / FOCAL, rel=0.003)
    assert surface.unit == "mm" and not [f for f in surface.flags if f.severity == "serious"]
    low, high = surface.seen_area.interval_95
    assert low < surface.seen_area.value < high


def test_scale_is_that_of_the_metal_not_of_the_table(monkeypatch):
    """A flat sheet on the table, seen square on: mm per pixel is (distance - height) / focal length, by similar triangles."""
    matrix, rotation, translation = camera(0.0)
    mask, _, _ = draw(matrix, rotation, translation, 1500.0, 32.0 / 1500.0, 1500.0 + 1.143, 60.0, 0.0, True)
    surface = find_surface(
        shown(monkeypatch, mask), calibration(matrix, rotation, translation), view="flat", tube=tube(22.225, 1.143)
    )
    assert surface.mm_per_px.value == pytest.approx((230.0 - 1.143 - 0.11) / FOCAL, rel=0.002)
    assert surface.seen_area.value == pytest.approx(64.0 * 60.0, rel=0.01)


@pytest.mark.parametrize("length, leaves", [(60.0, False), (260.0, True)])
def test_a_piece_that_runs_out_of_the_picture_is_said(monkeypatch, length, leaves):
    """2000 x 1500 pixels at 0.088 mm see 177 x 133 mm of the table: of 260 mm of pipe a part is outside."""
    view, radius, half_span, height, _, concave = SHAPES["whole tube"]
    matrix, rotation, translation = camera(4.0)
    mask, _, _ = draw(matrix, rotation, translation, radius, half_span, height, length, 10.0, concave)
    surface = find_surface(
        shown(monkeypatch, mask), calibration(matrix, rotation, translation), view=view, tube=tube(22.225, 1.143)
    )
    assert ("piece_leaves_picture" in [flag.id for flag in surface.flags]) is leaves


@pytest.mark.parametrize("mistaken", [False, True])
@pytest.mark.parametrize(
    "marker, outline, decided", [(0.002, 0.0, False), (0.02, 0.0, False), (0.002, 0.2, True), (0.02, 0.2, True)]
)
def test_of_a_discs_two_tilts_the_one_that_suits_the_tube_is_taken(monkeypatch, mistaken, marker, outline, decided):
    """A disc beside the piece: tilted the other way about its own place by 6 degrees, the metal lies 3.4 % farther off.

    Reference: the drawn cylinder's depth, and 22.225 mm of ASTM B88. The tube's told size never decides alone, and what is left open is
    said, unless the outline on the picture's edges (``outline``: what it counts) tells.
    """
    monkeypatch.setattr(find, "EDGES_TELL", outline)
    view, radius, half_span, height, length, concave = SHAPES["whole tube"]
    matrix, rotation, translation = camera(4.0)
    mask, _, depth = draw(matrix, rotation, translation, radius, half_span, height, length, 35.0, concave)
    place = np.array([0.0, 75.0, 0.0])  # of the disc, on the table
    tilted = cv2.Rodrigues(np.array([np.radians(6.0), 0, 0]))[0] @ rotation
    poses = [(rotation, translation), (tilted, rotation @ place + translation - tilted @ place)]
    first, other = poses[::-1] if mistaken else poses
    disc = calibration(matrix, *first, method="disc", other_pose=other, flags=(raise_flag("disc_tilt_ambiguous"),))
    disc = replace(disc, relative_uncertainty={"marker": marker})
    surface = find_surface(shown(monkeypatch, mask), disc, view=view, tube=tube(22.225, 1.143))
    assert surface.mm_per_px.value == pytest.approx(depth / FOCAL, rel=0.004)
    assert ("disc_tilt_undecided" in [flag.id for flag in surface.flags]) is not decided


def test_while_a_disc_may_be_tilted_the_other_way_the_interval_takes_in_both(monkeypatch):
    """Chances of 30 and 0.1 % by the disc; the marker is too unsure for the tube to tell, and the outline counts for nothing."""
    monkeypatch.setattr(find, "EDGES_TELL", 0.0)
    view, radius, half_span, height, length, concave = SHAPES["whole tube"]
    matrix, rotation, translation = camera(4.0)
    mask, _, depth = draw(matrix, rotation, translation, radius, half_span, height, length, 35.0, concave)
    place = np.array([0.0, 75.0, 0.0])
    tilted = cv2.Rodrigues(np.array([np.radians(12.0), 0, 0]))[0] @ rotation
    other = (tilted, rotation @ place + translation - tilted @ place)
    disc = calibration(matrix, rotation, translation, method="disc", other_pose=other)
    disc = replace(disc, relative_uncertainty={"marker": 0.03})
    photo = shown(monkeypatch, mask)
    found = {
        chance: find_surface(photo, replace(disc, other_pose_chance=chance), view=view, tube=tube(22.225, 1.143))
        for chance in (0.3, 0.001)
    }
    away = find_surface(
        photo,
        replace(disc, rotation=other[0], translation_mm=other[1], other_pose=None),
        view=view,
        tube=tube(22.225, 1.143),
    )
    open_still, closed = (found[chance].mm_per_px for chance in (0.3, 0.001))
    assert open_still.value == closed.value == pytest.approx(depth / FOCAL, rel=0.01)
    assert abs(away.mm_per_px.value / open_still.value - 1) > 0.03  # there is something to take in
    low, high = open_still.interval_95
    assert low <= away.mm_per_px.value <= high
    assert closed.standard_uncertainty < open_still.standard_uncertainty
    flags = {chance: {flag.id for flag in surface.flags} for chance, surface in found.items()}
    assert "disc_tilt_undecided" in flags[0.3] and "disc_tilt_undecided" not in flags[0.001]


def test_a_tube_that_contradicts_the_marker_widens_the_scale_by_the_birge_ratio(monkeypatch):
    """R. T. Birge 1932 (Phys. Rev. 40, 207): deviations r times as large as stated make each stated one r times as large."""
    view, radius, half_span, height, length, concave = SHAPES["whole tube"]
    matrix, rotation, translation = camera(4.0)
    mask, _, _ = draw(matrix, rotation, translation, radius, half_span, height, length, 35.0, concave)
    photo, marker = (
        shown(monkeypatch, mask),
        replace(calibration(matrix, rotation, translation), relative_uncertainty={"marker": 0.01}),
    )
    agrees, differs = (find_surface(photo, marker, view=view, tube=tube(outside, 1.143)) for outside in (22.225, 20.0))
    (check,) = differs.cross_checks
    assert not check.agrees and "tube_disagrees" in {flag.id for flag in differs.flags}
    ratio = 1 + check.difference_percent / 100
    birge = np.log(ratio) / (check.standard_uncertainty_percent / 100 / ratio)
    shares = differs.mm_per_px.shares
    assert np.hypot(shares["marker"], shares["tube and marker differ"]) == pytest.approx(0.01 * birge)
    assert birge > 1.96 and "tube and marker differ" not in agrees.mm_per_px.budget
    assert "scale_wide" in {flag.id for flag in differs.flags} and "scale_wide" not in {f.id for f in agrees.flags}


def test_what_makes_the_tube_many_times_as_wide_is_no_marker(monkeypatch):
    """The same picture by a marker three times as large as it is: no tilt or neighbouring size of tube explains that."""
    view, radius, half_span, height, length, concave = SHAPES["bore"]
    matrix, rotation, translation = camera(4.0)
    mask, _, _ = draw(matrix, rotation, translation, radius, half_span, height, length, 35.0, concave)
    photo = shown(monkeypatch, mask)
    with pytest.raises(ScaleError, match=r"taken for the ruler .* times as wide .* choose another marker or tube size"):
        find_surface(photo, calibration(matrix, rotation, 3 * translation), view=view, tube=tube(22.225, 1.143))


def test_turned_and_resized_pictures_give_the_same_measures(monkeypatch):
    view, radius, half_span, height, length, concave = SHAPES["bore"]
    figures = []
    for turn, scale in ((0, 1.0), (90, 1.0), (207, 1.0), (0, 0.5)):
        matrix, rotation, translation = camera(10.0, 20.0, scale=scale)
        about_axis = cv2.Rodrigues(np.array([0, 0, np.radians(turn)]))[0]
        rotation, translation = about_axis @ rotation, about_axis @ translation
        size = (round(PICTURE[0] * scale), round(PICTURE[1] * scale))
        matrix[:2, 2] = (size[0] - 1) / 2, (size[1] - 1) / 2
        mask, _, _ = draw(matrix, rotation, translation, radius, half_span, height, length, 35.0, concave, size)
        surface = find_surface(
            shown(monkeypatch, mask), calibration(matrix, rotation, translation), view=view, tube=tube(22.225, 1.143)
        )
        figures.append([surface.mm_per_px.value * scale, surface.seen_area.value, surface.examined_area.value])
    figures = np.array(figures)
    assert np.abs(figures / figures[0] - 1).max() < 0.015


@pytest.mark.parametrize("turn", [0.0, 180.0])
def test_frame_runs_from_the_left_and_unrolls_straight(monkeypatch, turn):
    """A ramp painted along and around the metal comes out straight on the unrolled map."""
    view, radius, half_span, height, length, concave = SHAPES["bore"]
    matrix, rotation, translation = camera(8.0, turn)
    mask, _, _ = draw(matrix, rotation, translation, radius, half_span, height, length, 10.0, concave)
    surface = find_surface(
        shown(monkeypatch, mask), calibration(matrix, rotation, translation), view=view, tube=tube(22.225, 1.143)
    )
    rows, columns = np.nonzero(surface.metal)
    left, right = columns < np.percentile(columns, 5), columns > np.percentile(columns, 95)
    axial = surface.axial[rows, columns]
    assert axial[left].mean() < 10 < 60 < axial[right].mean()
    around = surface.around[rows, columns]
    middle = np.abs(axial - length / 2) < 2
    # to the right of the direction of growing axial (here rightwards) is downwards in the photo
    assert np.corrcoef(around[middle], rows[middle])[0, 1] > 0.95
    image = np.zeros(mask.shape, np.float32)
    x0, y0 = surface.origin_px
    image[y0 + rows, x0 + columns] = axial
    flat, seen = unrolled(surface, image, 0.25)
    assert flat.shape == seen.shape and seen.mean() > 0.9
    ramp = np.arange(flat.shape[1]) * 0.25
    inner = np.zeros(seen.shape, bool)
    inner[12:-12, 6:-6] = True
    assert np.abs(flat - ramp)[seen & inner].max() < 0.5


def test_wrong_tube_size_is_noticed(monkeypatch):
    """ASTM B88: 3/4 has 22.2 mm (0.875 in) outside, 1/2 has 15.9 mm (0.625 in); a card printed at 94 % shows the same way."""
    view, radius, half_span, height, length, concave = SHAPES["whole tube"]
    matrix, rotation, translation = camera(6.0)
    mask, area, _ = draw(matrix, rotation, translation, radius, half_span, height, length, 35.0, concave)
    photo = shown(monkeypatch, mask)
    right = find_surface(photo, calibration(matrix, rotation, translation), view=view, tube=read_tube("3/4"))
    assert right.cross_checks[0].agrees and abs(right.cross_checks[0].difference_percent) < 2
    wrong = find_surface(photo, calibration(matrix, rotation, translation), view=view, tube=read_tube("1/2"))
    assert not wrong.cross_checks[0].agrees
    assert "tube_disagrees" in [flag.id for flag in wrong.flags]
    # the marker is believed then
    assert wrong.examined_area.value == pytest.approx(right.examined_area.value, rel=0.06)
    shrunk = find_surface(photo, calibration(matrix, rotation, translation / 0.94), view=view, tube=read_tube("3/4"))
    assert "tube_disagrees" in [flag.id for flag in shrunk.flags]


def test_tube_alone_gives_a_scale_and_nothing_gives_pixels(monkeypatch):
    view, radius, half_span, height, length, concave = SHAPES["whole tube"]
    matrix, rotation, translation = camera(0.0)
    mask, area, depth = draw(matrix, rotation, translation, radius, half_span, height, length, 35.0, concave)
    photo = shown(monkeypatch, mask)
    blind = Calibration(
        method="none", camera_matrix=matrix, distortion=np.zeros(5), focal_source="assumed", rotation=None,
        translation_mm=None, marker_plane_height_mm=0.0, mm_per_px_marker=None,
    )  # fmt: skip
    by_tube = find_surface(photo, blind, view=view, tube=read_tube("3/4"))
    assert "scale_from_tube" in [flag.id for flag in by_tube.flags]
    low, high = by_tube.mm_per_px.interval_95
    assert low < depth / FOCAL < high
    bare = find_surface(photo, blind, view=view)
    assert bare.unit == "px" and bare.mm_per_px is None
    assert bare.seen_area.value == pytest.approx(mask.sum(), rel=0.01)


@pytest.mark.parametrize("name", ["bore", "whole tube", "curled sheet"])
def test_view_is_judged_from_the_shape(monkeypatch, name):
    view, radius, half_span, height, length, concave = SHAPES[name]
    matrix, rotation, translation = camera(16.0, -50.0)
    mask, area, _ = draw(matrix, rotation, translation, radius, half_span, height, length, 35.0, concave)
    surface = find_surface(
        shown(monkeypatch, mask, (0.25, 0.25, 0.25, 0.25)),
        calibration(matrix, rotation, translation),
        tube=tube(22.225, 1.143),
    )
    assert (surface.view, surface.view_source) == (view, "judged from the picture")


def test_ring_takes_its_scale_from_the_outside_diameter(monkeypatch):
    """A ring of 22.225 mm (ASTM B88, 3/4) drawn 890 pixels across: mm per pixel is their ratio."""
    mask = np.zeros((PICTURE[1], PICTURE[0]), np.uint8)
    cv2.circle(mask, (900, 700), 445, 1, -1)
    cv2.circle(mask, (900, 700), 445 - 46, 0, -1)
    for at in (20, 140, 260):  # burrs
        x, y = 900 + 445 * np.cos(np.radians(at)), 700 + 445 * np.sin(np.radians(at))
        cv2.circle(mask, (round(x), round(y)), 12, 1, -1)
    photo = shown(monkeypatch, mask)
    matrix, rotation, translation = camera()
    surface = find_surface(photo, calibration(matrix, rotation, translation), tube=read_tube("3/4"))
    assert surface.view == "end" and surface.view_source == "judged from the picture"
    assert surface.mm_per_px.value == pytest.approx(22.225 / 891, rel=0.004)
    low, high = surface.mm_per_px.interval_95
    assert low < 22.225 / 891 < high


def test_piece_is_found_by_colour_without_the_network(monkeypatch):
    monkeypatch.setattr(look, "_version", lambda: None)
    rng = np.random.default_rng(5)
    rgb = np.full((900, 1200, 3), (150, 150, 146), np.float32)
    box = cv2.boxPoints(((620, 430), (560, 180), 25)).astype(np.int32)
    cv2.fillPoly(rgb, [box], (168, 96, 60))
    rgb += rng.normal(0, 6, rgb.shape)
    found = look.find_specimen(np.clip(rgb, 0, 255).astype(np.uint8))
    assert found.source == "colour"
    truth = cv2.fillPoly(np.zeros((900, 1200), np.uint8), [box], 1)
    grid = np.stack(np.meshgrid(np.arange(0, 1200, 4.0), np.arange(0, 900, 4.0)), -1).reshape(-1, 2)
    seen = found.at(found.shares[look.METAL], grid).reshape(225, 300) > 0.5
    both, either = (seen & (truth[::4, ::4] > 0)).sum(), (seen | (truth[::4, ::4] > 0)).sum()
    assert both / either > 0.95
    assert look.find_specimen(np.clip(rng.normal(140, 6, (900, 1200, 3)), 0, 255).astype(np.uint8)) is None


DEMO = ROOT / "demo_images"
PICTURES = [
    row
    for row in tomllib.loads((DEMO / "manifest.toml").read_text(encoding="utf-8"))["picture"]
    if row["view"] != "end"
]


@pytest.mark.parametrize("row", PICTURES, ids=[row["file"] for row in PICTURES])
def test_demo_photos_against_their_renderer(row):
    """Scale at the metal and seen area of each demo photo against the truth of the renderer that made it (manifest.toml).

    The network was trained on these pictures among others: this shows that the whole chain holds together;
    test_truth_pictures judges it.
    """
    photo = read_photo(DEMO / row["file"])
    surface = find_surface(
        photo, find_scale(photo, Marker(kind=row["marker"])), view=row["view"], tube=read_tube(row["tube"])
    )
    assert surface.specimen_source == "learned"
    assert surface.mm_per_px.value == pytest.approx(row["truth"]["mm_per_px"], rel=0.02)
    assert surface.seen_area.value == pytest.approx(row["truth"]["seen_area_mm2"], rel=0.08)


def test_close_up_without_marker_is_metal_throughout():
    rng = np.random.default_rng(3)
    rgb = rng.integers(40, 200, (256, 256, 3)).astype(np.uint8)
    photo = Photo(role="main", name="close.png", sha256="0" * 64, rgb=rgb, camera=CameraFacts())
    surface = find_surface(photo, find_scale(photo, Marker(kind="none")), view="flat")
    assert surface.unit == "px" and surface.metal.all() and surface.seen_area.value == 256 * 256
    assert (surface.obliquity_deg == 0).all()


@pytest.mark.parametrize("tone", [0, 128, 255])
def test_no_pipe_is_one_clear_sentence(tone):
    rgb = np.full((600, 800, 3), tone, np.uint8)
    photo = Photo(role="main", name="even.png", sha256="0" * 64, rgb=rgb, camera=CameraFacts())
    with pytest.raises(SurfaceError, match="take the photo again"):
        find_surface(photo, find_scale(photo, Marker(kind="none")), view="inside")


def test_relief_hides_metal_at_grazing_angles():
    """Smith's masking function (Walter et al. 2007, eq. 34): 1 seen straight on, 0.903 at 85 degrees for a = 0.06."""
    assert cast._unhidden_share(np.array([0.0, 85.0])) == pytest.approx([1.0, 0.903], abs=0.001)


TRUTH = os.environ.get("CUTPIPE_TRUTH")


@pytest.mark.skipif(not TRUTH, reason="CUTPIPE_TRUTH names no folder of truth pictures")
@pytest.mark.parametrize("name", ["h01", "h08", "h12", "h18"])
def test_truth_pictures(name):
    """Rendered photographs with exact truth that the network was not trained on."""
    truth = json.loads((Path(TRUTH) / "truth" / name / "truth.json").read_text())
    photo = read_photo(Path(TRUTH) / truth["image"])
    kind = {"aruco_card": "card"}.get(truth["marker"]["kind"], truth["marker"]["kind"])
    surface = find_surface(
        photo, find_scale(photo, Marker(kind=kind)), view=truth["view"], tube=read_tube(truth["pipe"]["size_in"])
    )
    assert surface.mm_per_px.value == pytest.approx(truth["mm_per_px_surface"], rel=0.02)
    assert surface.seen_area.value == pytest.approx(truth["visible_area_mm2"], rel=0.1)
