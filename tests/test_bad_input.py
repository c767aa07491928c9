"""Odd photos, as people send them: each works or gets one sentence that says what to do next. The expected size is the photo's own."""

import io
import warnings

import numpy as np
import pytest
from PIL import Image

from analyzer.base.flags import CutpipeError, PhotoError
from analyzer.photo.reading import read_photo
from analyzer.piece.find import find_surface
from analyzer.scale.calibration import Marker, find_scale
from tests.conftest import ROOT

CARD = ROOT / "demo_images/bore-below-elbow.jpg"


def encoded(image: Image.Image, kind: str, **options) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def is_one_sentence(error: CutpipeError) -> bool:
    text = str(error)
    return text.endswith(".") and "\n" not in text and len(text) < 300


def test_card_and_piece_cut_off_at_the_picture_s_edge():
    """The rows from the card's middle up: two markers are left, the piece leaves the picture."""
    photo = read_photo(encoded(Image.open(CARD).crop((0, 0, 2600, 1097)), "JPEG"))
    calibration = find_scale(photo, Marker())
    assert calibration.method == "card"
    try:
        surface = find_surface(photo, calibration)
    except CutpipeError as error:
        assert is_one_sentence(error)
    else:
        assert 0 < surface.seen_area.value < 2107.4  # the whole piece's, from its truth in the manifest


@pytest.mark.parametrize("fill", [np.nan, np.inf, -np.inf])
def test_numbers_that_are_none_in_a_tiff(fill):
    samples = np.full((300, 400), fill, np.float32)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(PhotoError, match="one even colour") as refused:
            read_photo(encoded(Image.fromarray(samples), "TIFF"), name="scan.tif")
        samples[100:200, 100:300] = 900.0
        photo = read_photo(encoded(Image.fromarray(samples), "TIFF"), name="scan.tif")
    assert is_one_sentence(refused.value)
    assert photo.rgb[150, 150].tolist() == [255, 255, 255] and photo.rgb[0, 0].tolist() == [0, 0, 0]


def test_a_line_break_in_a_name_breaks_no_sentence():
    with pytest.raises(PhotoError) as refused:
        read_photo(b"no picture", name="my\npipe\t😀.jpg")
    assert is_one_sentence(refused.value) and "my pipe 😀.jpg" in str(refused.value)
