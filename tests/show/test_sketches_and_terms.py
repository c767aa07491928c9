"""Drawings and words beside questions and photos: each belongs to something that is there, and is well formed."""

import xml.etree.ElementTree as ET

import pytest

from analyzer.base.datafile import data_table
from analyzer.house.facts import told_quantities
from analyzer.show import photo_line, sketches, terms

DRAWN = [*sketches.OF_QUESTIONS.values(), *(one for pair in sketches.GOOD_AND_BAD.values() for one in pair)]


@pytest.mark.parametrize("drawn", DRAWN, ids=lambda one: one.words[:30])
def test_a_drawing_stands_alone_and_has_its_words(drawn):
    """SVG 1.1: a document of its own names its namespace; nothing is fetched."""
    root = ET.fromstring(drawn.svg)
    assert root.tag == "{http://www.w3.org/2000/svg}svg" and len(drawn.words) > 15 and drawn.words.endswith(".")
    assert "href" not in drawn.svg and "url(" not in drawn.svg
    width = float(root.get("viewBox").split()[2])
    for text in root.iter("{http://www.w3.org/2000/svg}text"):
        if text.get("text-anchor") == "start":  # some 7.6 px a letter at 13 px: none is cut off
            assert float(text.get("x")) + 7.6 * len(text.text) <= width + 4, text.text


def test_each_drawing_belongs_to_a_question_that_is_asked():
    assert set(sketches.OF_QUESTIONS) <= {quantity.id for quantity in told_quantities()}


def test_each_point_of_a_photo_rests_on_flags_that_exist():
    known = {flag["id"] for flag in data_table("flags")["flag"]}
    for _, _, ids, sketch in photo_line._POINTS:
        assert set(ids) <= known and (not sketch or sketch in sketches.GOOD_AND_BAD)


def test_a_good_photo_is_good_at_each_point(demo_examination):
    line = photo_line.photo_line(demo_examination)
    assert line.verdict == "good" and {point.verdict for point in line.points} == {"good"}
    assert len(line.points) == len(photo_line._POINTS)


def test_terms_are_found_as_words_and_not_within_words():
    met = [word for word, _ in terms.terms_in("The bore has pits; 95 %: 3 to 9. A pitcher is none.")]
    assert met == ["bore", "pit", "95 %"]
    assert terms.terms_in("A pitcher of scaled fish, an armpit, a timescale.") == ()
    for row in data_table("terms")["term"]:
        assert row["means"].endswith(".") and len(row["means"]) < 160
