"""The printed card: drawn to size, the same bytes each time, read back by OpenCV's own marker detector."""

from __future__ import annotations

import io
import re

import cv2
import numpy as np
import pytest
from pypdf import PdfReader

from analyzer.base.flags import InputError
from analyzer.scale.find_card import CARD_CENTRES_MM
from analyzer.scale.printed_card import CHECK_LENGTH_MM, card_pdf, torch_direction

POINTS_PER_MM = 72 / 25.4  # a PDF's unit is 1/72 in, ISO 32000-1


def drawn(paper: str) -> tuple[np.ndarray, float, list[tuple[float, ...]]]:
    """The page's rectangles as a raster (10 dots a mm), its height in mm, and its lines in mm from the lower left."""
    page = PdfReader(io.BytesIO(card_pdf(paper))).pages[0]
    width, height = (float(side) / POINTS_PER_MM for side in page.mediabox[2:])
    content = page.get_contents().get_data().decode("latin-1")
    raster = np.full((int(round(height * 10)), int(round(width * 10))), 255, dtype=np.uint8)
    level, lines = 0.0, []
    number = r"(-?[\d.]+)"
    pattern = re.compile(
        rf"{number} g\n|{number} {number} {number} rg|{number} {number} {number} {number} re f|"
        rf"{number} {number} m {number} {number} l S"
    )
    for found in pattern.finditer(content):
        values = [float(value) for value in found.groups() if value is not None]
        if found.group().rstrip().endswith((" g", " rg")):
            level = values[0]
        elif found.group().endswith("f"):
            x, y, w, h = (value / POINTS_PER_MM for value in values)
            x0, x1 = sorted((x, x + w))
            y0, y1 = sorted((height - y, height - y - h))
            raster[round(y0 * 10) : round(y1 * 10), round(x0 * 10) : round(x1 * 10)] = round(255 * level)
        else:
            lines.append(tuple(value / POINTS_PER_MM for value in values))
    return raster, height, lines


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_card_is_one_page_of_the_paper_asked_for(paper, size_mm):
    """ISO 216 A4; Letter is 8.5 by 11 in."""
    (page,) = PdfReader(io.BytesIO(card_pdf(paper))).pages
    assert [float(side) / POINTS_PER_MM for side in page.mediabox[2:]] == pytest.approx(size_mm, abs=0.05)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_markers_are_read_by_opencv_where_the_layout_says_and_20_mm_wide(paper):
    raster, _, _ = drawn(paper)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(raster)
    found = {int(i): np.reshape(quad, (4, 2)) / 10 for i, quad in zip(np.ravel(ids), corners, strict=True)}
    assert sorted(found) == [0, 1, 2, 3]
    centres = {marker_id: quad.mean(axis=0) for marker_id, quad in found.items()}
    middle = np.mean(list(centres.values()), axis=0)
    for marker_id, quad in found.items():
        sides = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)
        assert sides == pytest.approx([20.0] * 4, abs=0.25)  # the raster's own dots are 0.1 mm
        right, up = CARD_CENTRES_MM[marker_id]
        assert centres[marker_id] - middle == pytest.approx([right, -up], abs=0.15)
        assert quad[1][0] > quad[0][0] and abs(quad[1][1] - quad[0][1]) < 0.2  # upright


def test_check_length_is_100_mm_with_a_mark_each_millimetre():
    _, _, lines = drawn("a4")
    level = [line for line in lines if abs(line[1] - line[3]) < 1e-6 and abs(line[2] - line[0]) > 50]
    assert [abs(line[2] - line[0]) for line in level] == pytest.approx([CHECK_LENGTH_MM], abs=0.01)
    upright = sorted(line[0] for line in lines if abs(line[0] - line[2]) < 1e-6 and abs(line[1] - level[0][1]) < 1e-6)
    assert len(upright) == 101
    assert np.diff(upright) == pytest.approx([1.0] * 100, abs=0.01)


def test_same_bytes_each_time():
    assert card_pdf("a4") == card_pdf("a4")


def test_page_says_what_to_do():
    text = PdfReader(io.BytesIO(card_pdf("letter"))).pages[0].extract_text()
    for words in ("100 %", "from 0 to 100", "Lay the piece of pipe on the table", "torch"):
        assert words in " ".join(text.split())
    assert all(str(angle) in text for angle in range(0, 360, 30))


def test_torch_marks_run_counter_clockwise_from_the_right():
    assert torch_direction(0) == pytest.approx((1, 0))
    assert torch_direction(90) == pytest.approx((0, 1))
    assert torch_direction(180) == pytest.approx((-1, 0))


def test_unknown_paper_gets_one_sentence():
    with pytest.raises(InputError, match="a4 or letter"):
        card_pdf("a5")
