"""Bands: colours against reference products and a library, extents and invention on painted pieces, overlap on truth pictures."""

from __future__ import annotations

import csv
from importlib import resources

import cv2
import numpy as np
import pytest
from skimage.color import rgb2lab

from analyzer.base.colour import cielab
from analyzer.base.measured import Measure
from analyzer.marks import bands, contact_marks, layout, water_line
from analyzer.marks.bands import KINDS, find_bands
from analyzer.marks.colours import COLOUR_CLASSES, classify
from analyzer.marks.layout import lay_out
from analyzer.photo.reading import CameraFacts, Photo
from analyzer.piece.surface import Surface
from analyzer.scale.calibration import Calibration

# --- painted pieces ---

COPPER = np.array([0.24, 0.11, 0.065])  # linear RGB of red-brown oxidised copper in the shade
GREEN = np.array([0.10, 0.21, 0.14])
SOOT = np.array([0.030, 0.028, 0.026])


def texture(shape: tuple[int, int], grain_px: float, seed: int) -> np.ndarray:
    noise = np.random.default_rng(seed).standard_normal(shape).astype(np.float32)
    noise = cv2.GaussianBlur(noise, (0, 0), grain_px)
    return noise / noise.std()


def bare(seed: int, length_mm: float = 70.0, width_mm: float = 32.0, mm_per_px: float = 0.1) -> np.ndarray:
    """Linear RGB of a piece with the grain and blotches of an old bore."""
    shape = (round(width_mm / mm_per_px), round(length_mm / mm_per_px))
    grain = np.exp(0.10 * texture(shape, 1.5, seed) + 0.12 * texture(shape, 25, seed + 1))
    return COPPER * grain[..., None]


def paint(linear: np.ndarray, mask: np.ndarray, colour: np.ndarray, seed: int) -> np.ndarray:
    patchy = np.clip(0.85 + 0.12 * texture(mask.shape, 4, seed), 0, 1)
    alpha = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 2.0) * patchy
    grain = np.exp(0.1 * texture(mask.shape, 2, seed + 7))
    return linear * (1 - alpha[..., None]) + (colour * grain[..., None]) * alpha[..., None]


def photo_of(linear: np.ndarray) -> Photo:
    value = np.clip(linear, 0, 1)
    srgb = np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)
    rgb = (srgb * 255 + 0.5).astype(np.uint8)
    return Photo(role="main", name="painted", sha256="0" * 64, rgb=rgb, camera=CameraFacts())


def surface_of(photo: Photo, *, mm_per_px: float = 0.1, unit: str = "mm", metal: np.ndarray | None = None) -> Surface:
    height, width = photo.rgb.shape[:2]
    scale = mm_per_px if unit == "mm" else 1.0
    rows, columns = np.mgrid[:height, :width].astype(np.float32)
    area = Measure(value=height * width * scale**2)
    return Surface(
        view="inside",
        view_source="told",
        unit=unit,
        origin_px=(0, 0),
        metal=np.ones((height, width), bool) if metal is None else metal,
        axial=columns * np.float32(scale),
        around=(rows - height / 2) * np.float32(scale),
        obliquity_deg=np.zeros((height, width), np.float32),
        area_per_px=np.full((height, width), scale**2, np.float32),
        radius_mm=10.0 if unit == "mm" else None,
        mm_per_px=Measure(value=mm_per_px, budget={"scale": 0.01 * mm_per_px}) if unit == "mm" else None,
        seen_area=area,
        examined_area=area,
        axial_length=Measure(value=width * scale),
        outline_px=np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32),
    )


def calibration(white_gain=None) -> Calibration:
    return Calibration(
        method="card",
        camera_matrix=np.eye(3),
        distortion=np.zeros(5),
        focal_source="assumed",
        rotation=None,
        translation_mm=None,
        marker_plane_height_mm=0.3,
        mm_per_px_marker=None,
        white_gain=white_gain,
    )


def look(linear: np.ndarray, white_gain=None, **surface) -> tuple[bands.Bands, Photo]:
    photo = photo_of(linear)
    return find_bands(
        photo, calibration(white_gain if white_gain is not None else np.ones(3)), surface_of(photo, **surface)
    ), photo


def overlap(found: np.ndarray, true: np.ndarray) -> float:
    return float((found & true).sum() / (found | true).sum())


# --- colour ---


def test_colours_agree_with_a_library():
    colours = np.random.default_rng(0).uniform(0, 1, (200, 3))
    linear = np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
    # scikit-image, D65 and 2 degree observer; OpenCV's tables differ from it by a few hundredths
    assert cielab(linear) == pytest.approx(rgb2lab(colours[None])[0], abs=0.15)


def test_every_reference_product_falls_into_its_class():
    """26 products of copper, brass, iron, zinc and lead: bare metals computed from open optical constants, iron oxides from
    published Munsell ranges, the others from mineral descriptions (``data/colours.csv`` gives source and status of each)."""
    text = resources.files("analyzer").joinpath("data/colours.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert len(rows) == 26 and {row["colour_class"] for row in rows} == set(COLOUR_CLASSES)
    for row in rows:
        lab = np.array([float(row[name]) for name in ("CIELAB_L_D65_2deg", "CIELAB_a", "CIELAB_b")])
        assert COLOUR_CLASSES[classify(lab)] == row["colour_class"], row["product"]


def test_the_cards_white_takes_the_lamps_colour_out():
    linear = bare(1)
    linear[:, :250] = paint(linear[:, :250], np.ones((linear.shape[0], 250), bool), GREEN, 5)
    neutral, _ = look(linear)
    lamp = np.array([1.8, 1.0, 0.55])
    corrected, _ = look(linear * lamp, white_gain=1 / lamp)
    uncorrected, _ = look(linear * lamp)
    for name in ("red_brown_oxide", "green_product"):
        assert corrected.colour_shares[name] == pytest.approx(neutral.colour_shares[name], abs=0.03)
    assert uncorrected.colour_shares["green_product"] < neutral.colour_shares["green_product"] - 0.1


def test_shares_follow_the_painted_area_and_add_to_one():
    linear = bare(2)
    mask = np.zeros(linear.shape[:2], bool)
    mask[:, :200] = True
    found, _ = look(paint(linear, mask, GREEN, 3))
    assert sum(found.colour_shares.values()) == pytest.approx(1)
    assert found.colour_shares["green_product"] == pytest.approx(200 / 700, abs=0.05)


def test_shares_are_of_area_on_the_metal_not_of_pixels():
    linear = bare(2)
    mask = np.zeros(linear.shape[:2], bool)
    mask[:, :200] = True
    photo = photo_of(paint(linear, mask, GREEN, 3))
    surface = surface_of(photo)
    area = surface.area_per_px.copy()
    area[:, :200] *= 3  # the green end is seen three times as obliquely
    surface = Surface(**{**{f: getattr(surface, f) for f in surface.__dataclass_fields__}, "area_per_px": area})
    found = find_bands(photo, calibration(np.ones(3)), surface)
    assert found.colour_shares["green_product"] == pytest.approx(600 / 1100, abs=0.07)


def test_without_a_card_the_cameras_white_stands_and_is_flagged():
    photo = photo_of(bare(3))
    found = find_bands(photo, calibration(), surface_of(photo))
    assert found.white_source == "camera" and [flag.id for flag in found.flags] == ["white_not_checked"]
    assert not find_bands(photo, calibration(np.ones(3)), surface_of(photo)).flags


# --- laying out ---


def test_cells_hold_the_mean_of_their_pixels():
    photo = photo_of(bare(4))
    cells = lay_out(photo.rgb, surface_of(photo))
    assert cells.seen.mean() > 0.98
    values = photo.rgb / 255.0
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    assert cells.linear[cells.seen].mean(0) == pytest.approx(linear.reshape(-1, 3).mean(0), rel=0.01)
    row, column = 40, 60
    inside = (np.rint(cells.row) == row) & (np.rint(cells.column) == column)
    assert cells.linear[row, column] == pytest.approx(linear[inside].mean(0), rel=1e-4)


def test_a_long_piece_still_fits_into_the_nets_shape():
    photo = photo_of(np.tile(bare(5), (1, 3, 1)))
    cells = lay_out(photo.rgb, surface_of(photo))
    assert cells.seen.shape[1] == layout.COLUMNS and cells.axial_step == pytest.approx(210 / 208, rel=0.02)


def test_a_pixel_lies_where_its_cell_is():
    photo = photo_of(bare(4))
    surface = surface_of(photo)
    cells = lay_out(photo.rgb, surface)
    # cell centres at integers: half a cell after the start of the map is 0
    column = (cells.axial_start + layout.CELL_AXIAL_MM / 2) / 0.1
    assert np.interp(column, np.arange(700), cells.column[0]) == pytest.approx(0, abs=1e-3)
    assert np.diff(cells.row[:, 0]).mean() == pytest.approx(0.1 / layout.CELL_AROUND_MM, rel=1e-4)


# --- the pair of edges ---


def test_the_pair_of_edges_lies_at_the_painted_mark_and_is_weak_without_one():
    linear = bare(20)
    mask = np.zeros(linear.shape[:2], bool)
    mask[:, 180:320] = True
    for image, marked in ((paint(linear, mask, GREEN, 21), True), (linear, False)):
        photo = photo_of(image)
        cells = lay_out(photo.rgb, surface_of(photo))
        start, stop, strength = contact_marks._strongest_pair(
            contact_marks._steps(cells, cells.seen), cells.seen.shape[1]
        )
        if marked:
            assert (start, stop) == pytest.approx((18 / 0.5, 32 / 0.5), abs=1.5)
        assert (strength > contact_marks.PAIR_ALONE) == marked


def test_a_fading_blotch_is_no_mark():
    steps = contact_marks._Steps(vector=np.zeros((101, 4)), size=np.full(101, 2.0), agreement=np.full(101, 0.9))
    steps.size[[40, 60]] = 6.0
    assert contact_marks._stand_out(steps, 40, 60)
    faded = contact_marks._Steps(vector=steps.vector, size=np.full(101, 2.0), agreement=steps.agreement)
    ragged = contact_marks._Steps(vector=steps.vector, size=steps.size, agreement=np.full(101, 0.5))
    restless = contact_marks._Steps(
        vector=steps.vector, size=np.where(steps.size > 5, 6.0, 5.0), agreement=steps.agreement
    )
    assert not any(contact_marks._stand_out(other, 40, 60) for other in (faded, ragged, restless))


# --- the line's fit ---


def line_likelihood(width_mm: float, noise: float, seed: int) -> tuple[np.ndarray, np.ndarray, layout.Cells]:
    """A painted line, its true share of each cell, and a likelihood of it with noise."""
    linear = bare(6, length_mm=80, width_mm=30)
    x = np.arange(linear.shape[1]) * 0.1
    middle_mm = 15 + np.sin(x / 12)
    mask = np.abs(np.arange(linear.shape[0])[:, None] * 0.1 - middle_mm) < width_mm / 2
    photo = photo_of(paint(linear, mask, np.array([0.45, 0.47, 0.42]), 7))
    cells = lay_out(photo.rgb, surface_of(photo))
    height, width = cells.seen.shape
    inside = (np.rint(cells.row).astype(int) * width + np.rint(cells.column).astype(int)).clip(0, height * width - 1)
    count = np.maximum(np.bincount(inside.ravel(), minlength=height * width), 1)
    true = (np.bincount(inside.ravel(), mask.ravel(), height * width) / count).reshape(height, width)
    odds = 6 * (true - 0.5) + noise * np.random.default_rng(seed).standard_normal(true.shape)
    return 1 / (1 + np.exp(-odds)), true, cells


@pytest.mark.parametrize("width_mm", [0.8, 1.5, 2.4])
def test_the_water_lines_path_and_width_are_found_through_noise(width_mm):
    likelihood, true, cells = line_likelihood(width_mm, 2.0, 1)
    field = water_line.fit_line(likelihood, cells)
    # as areas with soft edges; a mean error of 0.1 mm (a pixel of this photo) on each edge leaves this overlap
    assert np.minimum(field, true).sum() / np.maximum(field, true).sum() > (width_mm - 0.2) / width_mm


def test_a_line_stands_out_over_its_own_path_moved_aside_and_an_unpainted_path_does_not():
    _, true, cells = line_likelihood(1.5, 0.0, 1)
    painted = true > 0.5
    aside = np.roll(painted, 30, axis=0)
    assert water_line._prominence(painted, cells) > 3
    assert water_line._prominence(aside, cells) < 1.2
    # the net alone may be sure of the unpainted path: it still is no water line
    assert not water_line.fit_line(np.where(aside, 0.98, 0.02), cells).any()


def test_a_line_that_tape_interrupts_is_one_band():
    linear = bare(33)
    mask = np.abs(np.arange(320)[:, None] - 170 + 0 * np.arange(700)) < 9
    photo = photo_of(paint(linear, mask, np.array([0.45, 0.47, 0.42]), 34))
    metal = np.ones(mask.shape, bool)
    metal[:, 300:360] = False
    found = find_bands(photo, calibration(np.ones(3)), surface_of(photo, metal=metal))
    assert [band.kind for band in found.bands if band.kind != "overall_stain"] == ["water_line"]
    assert not (found.labels[~metal] > 0).any()


@pytest.mark.parametrize(("half_mm", "below"), [(0.5, COPPER), (0.5, GREEN), (1.1, COPPER), (1.1, GREEN)])
def test_the_width_of_a_deposit_that_thins_out_is_two_standard_deviations(half_mm, below):
    """Where a deposit without an edge ends is a convention: the truth pictures' own renderer takes one standard deviation."""
    linear = bare(6, length_mm=80, width_mm=30)
    off_mm = np.arange(300)[:, None] * 0.1 - 15 - 0.4 * np.sin(np.arange(800) * 0.1 / 6)
    linear = linear / COPPER * (COPPER + (below - COPPER) / (1 + np.exp(-off_mm / 0.1))[..., None])
    alpha = 0.4 * np.exp(-0.5 * (off_mm / half_mm) ** 2)[..., None]
    photo = photo_of(linear * (1 - alpha) + np.array([0.45, 0.47, 0.42]) * alpha)
    cells = lay_out(photo.rgb, surface_of(photo))
    look = layout.look_of(cells)
    straight = np.full(cells.seen.shape[1], 15 / layout.CELL_AROUND_MM - 0.5)
    odds = np.zeros(cells.seen.shape, np.float32)  # no help from the net
    path = water_line._traced(look, straight, water_line._deposit(look, straight, cells.seen), odds)
    deposit = water_line._deposit(look, path, cells.seen)
    assert not deposit.even
    assert deposit.half_width_mm == pytest.approx(half_mm, rel=0.15)
    x = (np.arange(cells.seen.shape[1]) + 0.5) * layout.CELL_AXIAL_MM
    true = (15 + 0.4 * np.sin(x / 6)) / layout.CELL_AROUND_MM - 0.5
    found = path + deposit.centre_mm / layout.CELL_AROUND_MM
    assert np.abs(found - true).mean() * layout.CELL_AROUND_MM < 0.1


def test_no_line_is_made_of_noise_or_of_half_a_line():
    likelihood, _, cells = line_likelihood(1.5, 2.0, 2)
    half = likelihood.copy()
    half[:, : half.shape[1] // 2] = 0.02
    assert not water_line.fit_line(half, cells).any()
    noise = 1 / (1 + np.exp(3 - np.random.default_rng(3).standard_normal(likelihood.shape)))
    assert not water_line.fit_line(noise, cells).any()


# --- bands on painted pieces ---


def test_nothing_is_invented_on_an_unmarked_piece():
    for seed in range(10, 16):
        found, _ = look(bare(seed))
        assert not [band for band in found.bands if band.kind in ("contact_mark", "water_line")], seed
        assert not found.labels.any()


@pytest.mark.parametrize("colour", [(0.50, 0.45, 0.33), (0.05, 0.05, 0.05)])
def test_tape_that_passed_for_metal_is_no_mark(colour):
    linear = bare(24)
    linear[:, 240:330] = np.array(colour)  # even, with straight edges and no grain
    found, _ = look(linear)
    assert not (found.labels == 1).any()


def test_lettering_along_the_pipe_is_no_water_line():
    for seed in (26, 27):
        linear = bare(seed)
        page = np.zeros(linear.shape[:2], np.uint8)
        cv2.putText(page, "ABD 15 X 1.0  2031", (30, 180), cv2.FONT_HERSHEY_SIMPLEX, 1.6, 255, 4, cv2.LINE_AA)
        found, _ = look(linear * (1 - 0.6 * page / 255.0)[..., None])
        assert not (found.labels == 2).any(), seed


@pytest.mark.parametrize(
    ("low_mm", "high_mm", "colour", "colour_class"), [(18, 32, GREEN, "green_product"), (40, 58, SOOT, "black_oxide")]
)
def test_a_painted_contact_mark_is_found_where_it_is(low_mm, high_mm, colour, colour_class):
    linear = bare(20)
    mask = np.zeros(linear.shape[:2], bool)
    mask[:, low_mm * 10 : high_mm * 10] = True
    found, _ = look(paint(linear, mask, colour, 21))
    (mark,) = [band for band in found.bands if band.kind == "contact_mark"]
    assert overlap(found.labels == 1, mask) > 0.85
    assert mark.axial_mm == pytest.approx((low_mm, high_mm), abs=1.0)
    low, high = mark.area_mm2.interval_95
    assert low < (high_mm - low_mm) * 32 < high
    # the scale's 1 % counts twice in an area; two edges of 32 mm are each uncertain by BAND_EDGE_MM
    edge = bands.BAND_EDGE_MM["contact_mark"] * 32 * np.sqrt(2)
    assert dict(mark.area_mm2.budget) == pytest.approx(
        {"scale": 0.02 * mark.area_mm2.value, "band edge": edge}, rel=0.03
    )
    assert (mark.colour_class, mark.confidence) == (colour_class, "clear")
    assert mark.share_of_metal == pytest.approx((high_mm - low_mm) / 70, abs=0.03)


def test_a_painted_water_line_is_found_where_it_is():
    linear = bare(30)
    middle = 150 + 8 * np.sin(np.arange(700) / 120)
    mask = np.abs(np.arange(320)[:, None] - middle) < 8.5  # 1.7 mm wide
    found, _ = look(paint(linear, mask, np.array([0.45, 0.47, 0.42]), 31))
    assert [band.kind for band in found.bands if band.kind != "overall_stain"] == ["water_line"]
    assert overlap(found.labels == 2, mask) > 0.7


def test_turning_the_piece_end_for_end_turns_its_bands():
    linear = bare(40)
    mask = np.zeros(linear.shape[:2], bool)
    mask[:, 120:260] = True
    linear = paint(linear, mask, GREEN, 41)
    found, _ = look(linear)
    turned, _ = look(linear[::-1, ::-1])
    assert overlap(found.labels == 1, turned.labels[::-1, ::-1] == 1) > 0.93


def test_without_a_scale_bands_stand_in_pixels():
    linear = bare(50)
    mask = np.zeros(linear.shape[:2], bool)
    mask[:, 200:340] = True
    found, _ = look(paint(linear, mask, GREEN, 51), unit="px")
    (mark,) = [band for band in found.bands if band.kind == "contact_mark"]
    assert mark.area_mm2 is None and mark.axial_mm is None
    assert mark.area_px == pytest.approx(mask.sum(), rel=0.15)


def test_green_all_over_is_an_overall_stain_without_a_label():
    linear = bare(60)
    found, _ = look(paint(linear, np.ones(linear.shape[:2], bool), GREEN, 61))
    (stain,) = [band for band in found.bands if band.kind == "overall_stain"]
    assert stain.colour_class == "green_product" and not (found.labels == KINDS.index("overall_stain") + 1).any()
    assert not [band for band in look(bare(62))[0].bands if band.kind == "overall_stain"]  # red-brown oxide is no stain


def test_a_piece_without_metal_gives_no_band():
    photo = photo_of(bare(70))
    found = find_bands(photo, calibration(np.ones(3)), surface_of(photo, metal=np.zeros(photo.rgb.shape[:2], bool)))
    assert found.bands == () and dict(found.colour_shares) == {} and not found.labels.any()


def test_the_same_photo_gives_the_same_bands():
    linear = bare(80)
    first, second = look(linear)[0], look(linear)[0]
    assert first.bands == second.bands and np.array_equal(first.labels, second.labels)
    with pytest.raises(ValueError, match="read-only"):
        first.labels[0, 0] = 1
