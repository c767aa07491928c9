"""Pits by the picture's own contrast, against drawn mouths of known area and against scikit-image.

Truth: the area of a disc, and the labels of drawn pictures whose seeds the weights were not fitted on.
"""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage as ndi
from skimage.feature import structure_tensor, structure_tensor_eigenvalues
from skimage.morphology import closing

from analyzer.marks import closeup
from analyzer.marks.closeup import pit_regions
from analyzer.training import closeup_weights
from tests import mask_score
from tests.conftest import ROOT

DISCS = ((70, 60, 14.0), (210, 90, 22.0), (130, 200, 9.0), (330, 220, 30.0))  # x, y, radius


def metal_with_lay(height: int = 300, width: int = 400, seed: int = 3) -> np.ndarray:
    """Log brightness of streaked metal: the streaks run along x, light falls off to one side."""
    rng = np.random.default_rng(seed)
    streaks = cv2.GaussianBlur(rng.normal(size=(height, width)).astype(np.float32), (0, 0), sigmaX=60, sigmaY=1)
    streaks *= 0.1 / streaks.std()
    fall = 0.3 * np.linspace(0, 1, width, dtype=np.float32)[None]
    return streaks - 0.6 - fall + 0.02 * rng.normal(size=(height, width)).astype(np.float32)


def disc_cover(shape: tuple[int, ...], x: float, y: float, radius: float) -> np.ndarray:
    """Share of each pixel within a disc (edge softened over a pixel and a half, as a lens does)."""
    rows, cols = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    return np.clip((radius - np.hypot(cols - x, rows - y)) / 1.5 + 0.5, 0, 1)


def with_discs(
    shade: np.ndarray, contrast: float = 0.8, discs: tuple[tuple[float, float, float], ...] = DISCS
) -> np.ndarray:
    for x, y, radius in discs:
        shade = shade - contrast * disc_cover(shade.shape, x, y, radius)
    return shade


def photo(shade: np.ndarray) -> np.ndarray:
    return np.clip(np.exp(shade)[..., None] * np.array([255, 235, 205]), 0, 255).astype(np.uint8)


def found(rgb: np.ndarray, **more: float) -> tuple[np.ndarray, np.ndarray]:
    return pit_regions(rgb, np.ones(rgb.shape[:2], bool), **more)


def test_discs_are_found_one_by_one_with_their_area() -> None:
    labels, score = found(photo(with_discs(metal_with_lay())))
    assert labels.max() == score.size == len(DISCS)
    for x, y, radius in DISCS:
        at = labels[int(y), int(x)]
        assert at > 0
        assert (labels == at).sum() == pytest.approx(np.pi * radius**2, rel=0.12)  # area of a disc


def test_labels_are_numbered_without_gaps_and_scored_surest_first() -> None:
    labels, score = found(photo(with_discs(metal_with_lay())))
    assert labels.dtype == np.int32
    assert np.unique(labels).tolist() == list(range(score.size + 1))
    assert (np.diff(score) <= 0).all()


def test_bare_metal_holds_no_pit() -> None:
    for seed in range(6):
        assert found(photo(metal_with_lay(seed=seed)))[0].max() == 0
    assert found(np.full((256, 256, 3), 140, np.uint8))[0].max() == 0


def test_bright_discs_are_no_pits() -> None:
    labels, _ = found(photo(with_discs(metal_with_lay() - 0.5, contrast=-0.8)))
    at = [labels[int(y), int(x)] for x, y, _ in DISCS]
    assert at == [0, 0, 0, 0]


def test_scratches_ridges_and_soft_shadows_are_no_pits() -> None:
    shade = metal_with_lay()
    lines = np.zeros_like(shade)
    for start, end in (((20, 40), (380, 120)), ((60, 280), (160, 20)), ((200, 260), (390, 250))):
        cv2.line(lines, start, end, 1.0, 1, cv2.LINE_AA)
    scratched = shade - 0.6 * cv2.GaussianBlur(lines, (0, 0), 0.8)
    assert found(photo(scratched))[0].max() == 0
    rows = np.arange(shade.shape[0], dtype=np.float32)[:, None]
    ridged = shade - 0.7 * np.where(rows > 150, np.exp(-(rows - 150) / 25), 0)
    assert found(photo(ridged))[0].max() == 0
    shadow = shade - 0.9 * cv2.GaussianBlur(disc_cover(shade.shape, 200, 150, 50), (0, 0), 22)
    assert found(photo(shadow))[0].max() == 0


def test_a_pit_in_a_dark_groove_is_still_a_pit() -> None:
    shade = metal_with_lay()
    rows = np.arange(shade.shape[0], dtype=np.float32)[:, None]
    groove = shade - 0.8 * np.exp(-(((rows - 150) / 30) ** 2))
    labels, _ = found(photo(with_discs(groove, discs=((200, 150, 16.0),))))
    assert labels.max() == 1
    assert (labels > 0).sum() == pytest.approx(np.pi * 16**2, rel=0.15)


@settings(max_examples=8, deadline=None, derandomize=True)
@given(st.floats(0.7, 1.6))
def test_rescaling_the_picture_keeps_the_pits(factor: float) -> None:
    rgb = photo(with_discs(metal_with_lay()))
    size = round(rgb.shape[1] * factor), round(rgb.shape[0] * factor)
    labels, _ = found(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC))
    assert labels.max() == len(DISCS)
    whole = sum(np.pi * radius**2 for *_, radius in DISCS)
    assert (labels > 0).sum() / factor**2 == pytest.approx(whole, rel=0.12)


def agreeing(one: np.ndarray, other: np.ndarray) -> tuple[int, int]:
    """(marks of either whose middle lies in a mark of the other, marks of both)."""
    shared = marks = 0
    for here, there in ((one, other), (other, one)):
        for y, x in ndi.center_of_mass(here > 0, here, range(1, int(here.max()) + 1)) if here.any() else ():
            shared += bool(there[int(y), int(x)])
            marks += 1
    return shared, marks


def test_half_and_double_size_show_the_same_marks() -> None:
    """Path-traced copper with pits (tests/data), no scale: with one size alone .61 of the marks agree."""
    shared = marks = 0
    for name in ("pits_flat.jpg", "general_attack/pits_copper.jpg", "general_attack/pits_copper_2.jpg"):
        whole = cv2.imread(str(ROOT / "tests/data" / name))[..., ::-1]
        reduce = 300 / min(whole.shape[:2])
        rgb = cv2.resize(np.ascontiguousarray(whole), None, fx=reduce, fy=reduce, interpolation=cv2.INTER_AREA)
        same = found(rgb)[0]
        assert same.max() >= 2
        for factor, how in ((0.5, cv2.INTER_AREA), (2.0, cv2.INTER_CUBIC)):
            labels = found(cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=how))[0]
            back = cv2.resize(labels.astype(np.float32), rgb.shape[1::-1], interpolation=cv2.INTER_NEAREST)
            agree = agreeing(same, back.astype(np.int32))
            shared, marks = shared + agree[0], marks + agree[1]
    assert shared / marks > 0.7


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.integers(0, 3), st.booleans(), st.floats(0.45, 1.0))
def test_turning_mirroring_and_dimming_keep_the_pits(quarter: int, mirrored: bool, light: float) -> None:
    rgb = photo(with_discs(metal_with_lay()))
    changed = np.rot90(rgb[:, ::-1] if mirrored else rgb, quarter)
    labels, _ = found((np.ascontiguousarray(changed) * light).astype(np.uint8))
    back = np.rot90(labels, -quarter)
    back = back[:, ::-1] if mirrored else back
    assert labels.max() == len(DISCS)
    for x, y, radius in DISCS:
        assert (back == back[int(y), int(x)]).sum() == pytest.approx(np.pi * radius**2, rel=0.15)


def test_only_metal_is_looked_at() -> None:
    rgb = photo(with_discs(metal_with_lay()))
    metal = np.zeros(rgb.shape[:2], bool)
    metal[20:160, 20:280] = True
    labels, _ = pit_regions(rgb, metal)
    assert labels.max() == 2
    assert not labels[~metal].any()
    assert pit_regions(rgb, np.zeros_like(metal))[0].max() == 0


def test_a_likelihood_adds_places_but_not_pits() -> None:
    """Where the picture shows nothing, a likelihood of 1 finds nothing; where it shows pits, the same are found."""
    rgb = photo(with_discs(metal_with_lay()))
    metal = np.ones(rgb.shape[:2], bool)
    everywhere = np.zeros(metal.shape, np.float32)
    for x, y, radius in (*DISCS, (300, 60, 12.0)):
        everywhere = np.maximum(everywhere, disc_cover(metal.shape, x, y, radius))
    labels, _ = pit_regions(rgb, metal, likelihood=everywhere)
    assert labels.max() == len(DISCS)
    assert labels[60, 300] == 0


def test_the_table_round_the_metal_is_neither_pit_nor_yardstick() -> None:
    """Metal of 4 x 3 with discs on a pitch-dark, speckled table: as many pits as without the table, the metal's edge is none."""
    shade = with_discs(metal_with_lay())
    alone = found(photo(shade))[0]
    rng = np.random.default_rng(1)
    wide = np.exp(rng.normal(-2.5, 0.8, (500, 600))).astype(np.float32)
    table = np.log(wide)
    table[100:400, 100:500] = shade
    metal = np.zeros(table.shape, bool)
    metal[100:400, 100:500] = True
    labels, _ = pit_regions(photo(table), metal)
    assert labels.max() == alone.max() == len(DISCS)
    assert (labels > 0).sum() == pytest.approx((alone > 0).sum(), rel=0.05)


def test_a_scale_bounds_the_size() -> None:
    """Discs of 0.15, 1, 2.5 and 12 mm: looked for from SMALLEST_MM to LARGEST_MM only, and found at their area."""
    pixel_mm = 0.05
    sizes = {0.15: (60, 80), 1.0: (150, 80), 2.5: (300, 90), 12.0: (250, 350)}
    discs = tuple((x, y, mm / 2 / pixel_mm) for mm, (x, y) in sizes.items())
    labels, _ = found(photo(with_discs(metal_with_lay(600, 500), discs=discs)), pixel_mm=pixel_mm)
    for mm, (x, y) in sizes.items():
        at = labels[y, x]
        if closeup.SMALLEST_MM <= mm <= closeup.LARGEST_MM:
            assert at > 0
            assert (labels == at).sum() * pixel_mm**2 == pytest.approx(np.pi * mm**2 / 4, rel=0.2)
        else:
            assert at == 0


def test_a_large_picture_is_reduced_and_its_labels_brought_back() -> None:
    discs = tuple((x * 6, y * 6, radius * 6) for x, y, radius in DISCS)
    shade = cv2.resize(metal_with_lay(), None, fx=6, fy=6, interpolation=cv2.INTER_LINEAR)
    rgb = photo(with_discs(shade, discs=discs))
    labels, score = found(rgb)
    assert labels.shape == rgb.shape[:2]
    assert score.size == len(discs)
    assert (labels > 0).sum() == pytest.approx(sum(np.pi * radius**2 for *_, radius in discs), rel=0.12)
    small, on, factor = closeup.working_picture(rgb, np.ones(rgb.shape[:2], bool), None)
    assert small.shape[:2] == on.shape == (1000, 1333)
    assert factor == pytest.approx(1000 / 1800)
    metal = np.ones(rgb.shape[:2], bool)
    metal[:, 1501:] = False
    labels, _ = pit_regions(rgb, metal)
    assert labels.max() == 3
    assert not labels[~metal].any()


@pytest.mark.parametrize("shape", [(1, 1), (8, 200), (16, 16), (40, 24)])
def test_the_smallest_pictures_pass(shape: tuple[int, int]) -> None:
    labels, score = found(np.random.default_rng(0).integers(0, 255, (*shape, 3)).astype(np.uint8))
    assert labels.shape == shape
    assert labels.max() == score.size


def test_least_change_is_the_smaller_eigenvalue_of_scikit_images_structure_tensor() -> None:
    shade = with_discs(metal_with_lay()).astype(np.float64)
    tensor = structure_tensor(shade, sigma=3, mode="mirror", order="rc")
    reference = structure_tensor_eigenvalues(np.stack(tensor))[1]
    gx, gy = (ndi.sobel(shade, axis=axis, mode="mirror") for axis in (1, 0))  # the slopes that scikit-image takes
    inner = slice(20, -20), slice(20, -20)
    np.testing.assert_allclose(
        closeup.least_change(gx, gy, 3.0)[inner], reference[inner], rtol=0.01, atol=0.005 * float(reference.max())
    )


def test_darkness_is_the_least_of_scikit_images_line_closings() -> None:
    shade = with_discs(metal_with_lay(120, 140), discs=((60, 50, 10.0),)).astype(np.float32)
    length = 31
    lines = [closeup.line(length, np.pi * k / 12) for k in range(12)]
    reference = np.min([closing(shade, footprint) for footprint in lines], axis=0) - shade
    inner = slice(length, -length), slice(length, -length)
    np.testing.assert_allclose(closeup.darkness(shade, length)[inner], np.maximum(reference, 0)[inner], atol=1e-6)


def test_drawn_pictures_that_the_weights_were_not_fitted_on() -> None:
    """Five kinds of metal, seeds past those of the fit; scored by pooled pixel and centre F1."""
    scores, false, bare = [], 0, 0
    for kind in closeup_weights.KINDS:
        for seed in range(5000, 5005):
            rgb, truth = closeup_weights.drawn(kind, seed)
            labels, _ = found(rgb)
            scores.append(
                mask_score.score(labels.astype(np.uint16), truth.astype(np.uint16), kind="inst", true_kind="inst")
            )
            if truth.max() == 0:
                bare += 1
                false += int(labels.max())
    whole = mask_score.overall(scores)
    assert whole["px_f1"] > 0.75
    assert whole["ce_f1"] > 0.88
    assert bare >= 3
    assert false <= 2


def test_the_training_script_fits_weights_that_sort() -> None:
    """A bank of few drawn pictures: the fitted score ranks pits above the rest."""
    pictures = (
        (rgb, np.ones(truth.shape, bool), truth, None)
        for rgb, truth in (closeup_weights.drawn("polished", s) for s in range(4))
    )
    features, overlap = closeup_weights.bank(pictures)
    weights = closeup_weights.fit([(features, overlap)])
    score = weights[0] + features @ weights[1:]
    assert np.median(score[overlap >= closeup_weights.SAME]) > np.quantile(score[overlap < closeup_weights.OTHER], 0.9)


TRUTH = os.environ.get("CUTPIPE_TRUTH_REAL")


@pytest.mark.slow
@pytest.mark.skipif(not TRUTH, reason="CUTPIPE_TRUTH_REAL names no folder of real pictures with masks")
@pytest.mark.parametrize(("part", "pixel_f1", "centre_f1"), [("bsdata_roi", 0.55, 0.55), ("bsdata", 0.35, 0.35)])
def test_real_pictures_reach_the_goal(part: str, pixel_f1: float, centre_f1: float) -> None:
    """BSData, industrial machine tool element surface defects (CC BY-SA 4.0, arXiv 2103.13003), not part of the project."""
    folder = Path(TRUTH or "") / part
    scores, false, bare = [], 0, 0
    for file in sorted((folder / "inst").iterdir()):
        truth = cv2.imread(str(file), cv2.IMREAD_UNCHANGED)
        (picture,) = (folder / "img").glob(f"{file.stem}.*")
        labels, _ = found(np.ascontiguousarray(cv2.imread(str(picture))[..., ::-1]))
        scores.append(mask_score.score(labels.astype(np.uint16), truth))
        if truth.max() == 0:
            bare += 1
            false += int(labels.max())
    whole = mask_score.overall(scores)
    assert whole["px_f1"] >= pixel_f1
    assert whole["ce_f1"] >= centre_f1
    assert false <= 0.10 * bare
