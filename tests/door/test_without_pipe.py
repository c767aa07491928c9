"""Pictures of other things give no report that looks normal, whichever view is told.

Photographs from scikit-image's and matplotlib's own data (public domain, CC0 or free to use, as their README files say), and pictures
drawn here. LEARNED are those that the specimen network learned from as pictures without metal, UNSEEN those that it did not.
"""

from functools import cache
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest
from PIL import Image
from skimage import data

from analyzer import Settings, examine
from analyzer.base.flags import CutpipeError
from analyzer.door.shown import DOUBTS, what_is_shown
from analyzer.photo.reading import Photo, read_photo
from analyzer.scale.calibration import Marker, find_scale
from analyzer.show import report
from tests.door.test_shown import encoded

LEARNED = ("coffee", "astronaut", "brick", "gravel", "grass", "rocket", "chelsea", "colorwheel", "motorcycle_left.png", "page",
           "text", "hubble_deep_field", "retina", "immunohistochemistry", "camera", "chessboard_RGB.png", "horse", "moon", "clock",
           "logo")  # fmt: skip
UNSEEN = ("coins", "cell", "microaneurysms", "shepp_logan_phantom", "motorcycle_right.png")
LONGEST_PX = 480  # the door looks at 256 pixels: larger only takes longer


def _noise(seed: int, sigma: float, shape: tuple[int, int] = (360, 480)) -> np.ndarray:
    """Smooth noise of spread 1."""
    noise = cv2.GaussianBlur(np.random.default_rng(seed).normal(size=shape).astype(np.float32), (0, 0), sigma)
    return noise / noise.std()


def _toned(grey: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return np.clip(grey[..., None] * np.array(colour, float), 0, 255).astype(np.uint8)


@cache
def drawn() -> dict[str, np.ndarray]:
    rows, columns = np.mgrid[:360, :480].astype(np.float32)
    wood = 0.6 + 0.15 * np.sin(rows / 5 + 3 * _noise(1, 30)) + 0.03 * _noise(2, 1)
    weave = 0.5 + 0.2 * np.sign(np.sin(rows / 3) * np.sin(columns / 3)) + 0.05 * _noise(3, 1)
    stone = 0.5 + 0.1 * _noise(4, 6) + 0.05 * _noise(5, 1.5)
    sky = 0.4 + 0.5 * rows / 360 + 0.04 * np.clip(_noise(6, 25), 0, None)
    plates = np.full((360, 480, 3), (150, 120, 90), np.uint8)
    for x, y, radius in ((120, 100, 60), (330, 120, 80), (210, 270, 70)):
        cv2.circle(plates, (x, y), radius, (235, 232, 225), -1, cv2.LINE_AA)
        cv2.circle(plates, (x, y), radius - 18, (215, 212, 205), 3, cv2.LINE_AA)
    lines = np.full((360, 480, 3), 250, np.uint8)
    for k in range(9):
        cv2.putText(
            lines,
            "paid in full, with thanks, " + "abcdefghi"[k:],
            (20, 40 + 36 * k),
            0,
            0.6,
            (30, 30, 40),
            1,
            cv2.LINE_AA,
        )
    grid = np.full((360, 480, 3), 245, np.uint8)
    grid[::20], grid[:, ::20] = (150, 190, 220), (150, 190, 220)
    leaves = _toned(0.5 + 0.25 * _noise(7, 8), (90, 160, 70))
    bubbles = _toned(0.7 + 0.1 * _noise(8, 40), (120, 170, 220))
    for x, y, radius in np.random.default_rng(9).uniform((0, 0, 4), (480, 360, 22), (60, 3)):
        cv2.circle(bubbles, (int(x), int(y)), int(radius), (230, 240, 250), 2, cv2.LINE_AA)
    spots = _toned(0.7 + 0.05 * _noise(10, 3), (220, 180, 110))
    for x, y, radius in np.random.default_rng(11).uniform((0, 0, 5), (480, 360, 14), (70, 3)):
        cv2.circle(spots, (int(x), int(y)), int(radius), (60, 40, 25), -1, cv2.LINE_AA)
    return {
        "wood": _toned(wood, (190, 140, 90)), "cloth": _toned(weave, (70, 90, 170)), "stone": _toned(stone, (170, 168, 160)),
        "sky": _toned(sky, (150, 190, 240)), "plates": plates, "handwriting": lines, "squared paper": grid, "leaves": leaves,
        "bubbles": bubbles, "spotted fur": spots,
    }  # fmt: skip


@cache
def photo(name: str) -> Photo:
    if name in drawn():
        picture = drawn()[name]
    elif name == "present":
        picture = np.asarray(
            Image.open(Path(matplotlib.get_data_path(), "sample_data/Minduka_Present_Blue_Pack.png")).convert("RGB")
        )
    elif "." in name:
        picture = np.asarray(Image.open(Path(data.__file__).parent / name).convert("RGB"))
    else:
        picture = np.asarray(getattr(data, name)())
    if picture.dtype != np.uint8:
        picture = (255 * np.clip(picture / picture.max(), 0, 1)).astype(np.uint8)
    rgb = np.repeat(picture[..., None], 3, 2) if picture.ndim == 2 else picture[..., :3]
    reduce = min(1.0, LONGEST_PX / max(rgb.shape[:2]))
    size = round(rgb.shape[1] * reduce), round(rgb.shape[0] * reduce)
    return read_photo(encoded(cv2.resize(np.ascontiguousarray(rgb), size, interpolation=cv2.INTER_AREA)))


# What even the look at the whole picture takes for metal that fills it: grey ground with soft specks, and dark discs on a ground of
# brass's colour. Nothing in them says otherwise; without a scale their report still begins with not to rely on it.
TAKEN_FOR_METAL = ("stone", "spotted fur")
EVERY = (*LEARNED, *UNSEEN, "present", *drawn())


def test_there_are_enough_of_them_and_it_is_said_which_were_learned_from():
    assert len(EVERY) >= 25 and len(set(EVERY)) == len(EVERY)
    assert len(EVERY) - len(LEARNED) >= 15
    assert len(TAKEN_FOR_METAL) <= 2 and not set(TAKEN_FOR_METAL) & set(LEARNED)


@pytest.mark.parametrize("name", [name for name in EVERY if name not in TAKEN_FOR_METAL])
def test_no_picture_of_other_things_looks_normal(name):
    """With nothing told, and told to be flat: the one view in which metal may fill a picture without a word."""
    none = find_scale(photo(name), Marker(kind="none"))
    for view in (None, "flat"):
        try:
            shown = what_is_shown(photo(name), none, view=view)
        except CutpipeError:
            continue  # refused, which is no report
        assert not shown.sure, f"told {view}"
        assert {flag.id for flag in shown.flags} & set(DOUBTS)
        assert any(flag.severity == "serious" for flag in shown.flags)


@pytest.mark.parametrize("view", ["inside", "outside"])
@pytest.mark.parametrize("name", ["coins", "wood", "present", "plates"])
def test_nor_told_to_be_a_bore_or_an_outside(name, view):
    try:
        shown = what_is_shown(photo(name), find_scale(photo(name), Marker(kind="none")), view=view)
    except CutpipeError:
        return
    assert not shown.sure


@pytest.mark.parametrize("name", ["coins", *TAKEN_FOR_METAL])
def test_the_report_says_so_before_its_answer(name):
    """Nothing that rests on such a picture stands above "possible", and the first words of the report are not to rely on it."""
    result = examine(photo(name), settings=Settings(view="flat"))
    assert not any(finding.standing in ("fits", "fits well") for finding in result.judgement.findings)
    assert "Do not rely on this result yet" in str(report.section(result, "answer").blocks[0])
    if name not in TAKEN_FOR_METAL:
        assert "tells a piece of pipe from its surroundings" in str(report.section(result, "answer").blocks[1])
