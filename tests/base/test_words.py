"""Sentences have one home: each that stands there is said somewhere, with its places filled, and each that is said stands there."""

import ast
import string
from functools import cache

import pytest

from analyzer.base.words import say, sentences
from tests.conftest import ROOT


@cache
def said() -> list[tuple[str, str, set[str]]]:
    """(file, key, names of the values) of every call of ``say`` whose key is written out; both where it is chosen by a condition."""
    found = []
    for path in (*ROOT.glob("analyzer/**/*.py"), *ROOT.glob("ui/**/*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "say" and node.args:
                keys = [
                    part.value
                    for part in ast.walk(node.args[0])
                    if isinstance(part, ast.Constant) and isinstance(part.value, str)
                ]
                values = {word.arg for word in node.keywords if word.arg}
                found += [(path.name, key, values) for key in keys if key.count(".") == 1 and " " not in key]
    return found


ROOMS = sorted({key.split(".")[0] for _, key, _ in said()})


def test_every_sentence_that_is_said_stands_there_with_just_its_places():
    assert len(said()) > 60
    for file, key, values in said():
        room, name = key.split(".")
        places = {place for _, place, _, _ in string.Formatter().parse(sentences(room)[name]) if place}
        assert places <= values, (file, key)


@pytest.mark.parametrize("room", ROOMS)
def test_no_sentence_stands_there_that_nobody_says(room):
    assert set(sentences(room)) <= {key.split(".")[1] for _, key, _ in said()}, room


def test_a_place_that_is_not_filled_is_no_sentence():
    with pytest.raises(KeyError):
        say("leaks.wide")
