"""A hole that one may see through is asked about: the table's colour with a sharp edge within a mouth, in whatever shade.

The pictures are drawn here: copper on a blue table. That the colour of a surface in shade keeps the ratios of its linear channels
under light of one colour: Finlayson, Hordley and Drew 2002, ECCV, "Removing shadows from images" (from memory).
"""

import cv2
import numpy as np
import pytest

from analyzer.base.colour import linear
from analyzer.door.specimen import SIDE, laid_on_photo
from analyzer.marks.see_through import LEAST_STEP, may_be_seen_through

SHAPE = (240, 320)
TABLE, COPPER, FLOOR = (70, 90, 150), (176, 106, 70), (56, 30, 20)


def shaded(colour: tuple[int, int, int], factor: float) -> tuple[int, int, int]:
    """The colour under ``factor`` of the light, back in sRGB (IEC 61966-2-1)."""
    light = linear(np.array(colour, np.uint8)) * factor
    return tuple(
        int(v) for v in np.rint(255 * np.where(light > 0.0031308, 1.055 * light ** (1 / 2.4) - 0.055, 12.92 * light))
    )


def scene(patch: tuple[int, int, int] | None, *, soft: float = 0.0) -> tuple[np.ndarray, ...]:
    """(picture, labels, table, piece): a plate on a table with two mouths, a patch within the first."""
    rgb = np.empty((*SHAPE, 3), np.uint8)
    rgb[:] = TABLE
    rgb[40:200, 60:260] = COPPER
    labels = np.zeros(SHAPE, np.uint16)
    for number, x in ((1, 120), (2, 200)):
        cv2.circle(labels, (x, 120), 18, number, -1)
    rgb[labels > 0] = FLOOR
    if patch is not None:
        cv2.circle(rgb, (122, 122), 7, patch, -1)
    if soft:
        rgb = cv2.GaussianBlur(rgb, (0, 0), soft)
    noise = np.random.default_rng(3).normal(0, 3, rgb.shape)
    rgb = np.clip(rgb + noise, 0, 255).astype(np.uint8)
    piece = np.zeros(SHAPE, bool)
    piece[45:195, 65:255] = True
    table = np.ones(SHAPE, bool)
    table[35:205, 55:265] = False
    return rgb, labels, table, piece


def asked(patch, **how) -> tuple[int, ...]:
    rgb, labels, table, piece = scene(patch, **how)
    return may_be_seen_through(rgb, labels, (1, 2), table, piece)


@pytest.mark.parametrize("shade", [1.0, 0.5, 0.3])
def test_the_table_in_a_mouth_is_asked_about_in_light_and_shade(shade):
    assert asked(shaded(TABLE, shade)) == (1,)


@pytest.mark.parametrize("other", [None, (230, 190, 170), (20, 14, 10), shaded(COPPER, 0.4), shaded(COPPER, 1.6)])
def test_metal_shadow_and_glare_in_a_mouth_are_not(other):
    assert asked(other) == ()


def test_colour_alone_without_an_edge_is_not():
    """As bright as the floor round it: a deposit of the table's colour has no step where it ends."""
    floor, table = (float(linear(np.array(c, np.uint8)).mean()) for c in (FLOOR, TABLE))
    assert abs(np.log(floor / table)) > LEAST_STEP
    assert asked(shaded(TABLE, floor / table)) == ()


def test_only_numbers_asked_for_and_only_with_a_table_beside_it():
    rgb, labels, table, piece = scene(TABLE)
    assert may_be_seen_through(rgb, labels, (2,), table, piece) == ()
    assert may_be_seen_through(rgb, labels, (1, 2), np.zeros(SHAPE, bool), piece) == ()
    assert may_be_seen_through(rgb, labels, (1, 2), table, np.zeros(SHAPE, bool)) == ()


def test_a_plane_of_the_look_lies_on_the_photo_where_it_was_taken():
    """The look's square is centred on the photo and as wide as its longer side."""
    plane = np.zeros((SIDE, SIDE), np.float32)
    plane[SIDE // 2 :, : SIDE // 2] = 1
    laid = laid_on_photo(plane, (600, 1024))
    assert laid.shape == (600, 1024)
    assert laid[310:, :500].min() > 0.99 and laid[:290].max() < 0.01 and laid[:, 524:].max() < 0.01
