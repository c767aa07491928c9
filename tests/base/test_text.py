"""What people and files write is cleaned in one place: checked sign by sign over all of Unicode, and by made-up texts.

Formula signs: OWASP, "CSV Injection" (equals, plus, minus, at, tab, carriage return, line feed, and the full-width forms of the
first four). Signs that turn the direction of writing: Unicode Standard Annex 9, table 4. The csv module of Python reads the tables
back as a spreadsheet does (RFC 4180).
"""

import csv
import io
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.base.flags import InputError
from analyzer.base.text import all_visible, file_stem, one_line, shown, spreadsheet_cell, visible, whole_line
from analyzer.result.record import _table

OWASP = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
BIDI = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
EVERY_SIGN = [chr(code) for code in range(sys.maxunicode + 1)]


def test_of_all_unicode_only_signs_that_can_be_seen_stay():
    for sign in EVERY_SIGN:
        made = visible(sign)
        if unicodedata.category(sign)[0] in "CZ":  # control, format, surrogate, private, unassigned; separators
            assert made == " ", hex(ord(sign))
        else:
            assert made == sign, hex(ord(sign))
    assert not set(BIDI) & set(visible("".join(EVERY_SIGN)))


@given(st.text())
def test_a_line_is_one_line_and_cleaning_twice_changes_nothing(text):
    line = one_line(text)
    assert len(line.splitlines()) <= 1 and line.isprintable() and line == line.strip() and "  " not in line
    assert one_line(line) == line and visible(line) == line
    assert [sign for sign in text if sign.isprintable() and sign != " "] == [sign for sign in line if sign != " "]
    assert len(visible(text)) == len(text)


def test_what_is_longer_than_is_kept_is_cut_visibly_or_refused_never_lost_in_silence():
    assert one_line("x" * 4001) == "x" * 3997 + "..." and one_line("x" * 4000) == "x" * 4000
    assert shown("y" * 61) == "y" * 57 + "..." and shown(10**5000) == "a number of thousands of digits"
    assert whole_line(" a\u202e \n b ", "The name", longest=3) == "a b"
    with pytest.raises(InputError, match="The name is longer than 3 letters; shorten it."):
        whole_line("abcd", "The name", longest=3)


def test_plain_data_is_cleaned_in_all_its_texts_and_numbers_stay():
    told = {"a\x00": ["b\u202ec", {"d": ("e\nf", 1.5, True, None)}]}
    assert all_visible(told) == {"a ": ["b c", {"d": ["e f", 1.5, True, None]}]}


# --- tables ---


@pytest.mark.parametrize("sign", OWASP)
@pytest.mark.parametrize("before", ["", " ", "\u200b", "\u202e ", "\u3000"])
def test_no_text_begins_like_a_formula(sign, before):
    cell = spreadsheet_cell(f"{before}{sign}HYPERLINK(1)")
    assert cell.endswith("HYPERLINK(1)") and cell.isprintable() and not cell.lstrip().startswith(OWASP)
    assert cell.startswith("'") or (before and sign.isspace())  # a tab behind a blank is two blanks and begins nothing


@given(st.text())
def test_a_cell_of_any_text_is_one_cell_and_no_formula(text):
    table = _table(["a", "b"], [{"a": text, "b": 1}])
    (head, row) = list(csv.reader(io.StringIO(table, newline="")))
    assert head == ["a", "b"] and len(row) == 2 and row[1] == "1"
    assert not row[0].lstrip(" ").startswith(OWASP) and row[0].isprintable()
    harmless = text[:1].isalnum()
    assert row[0] == visible(text) if harmless else row[0].lstrip("'") == visible(text).lstrip("'")


@given(st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.integers()))
def test_numbers_come_back_as_they_were_below_zero_too(number):
    (_, row) = list(csv.reader(io.StringIO(_table(["a"], [{"a": number}]))))
    assert type(number)(row[0]) == number and not row[0].startswith("'")


def test_not_known_is_an_empty_cell_and_yes_and_no_are_words():
    assert _table(["a", "b", "c"], [{"a": None, "b": True, "c": False}]) == "a,b,c\n,yes,no\n"


# --- names of files ---


@given(st.text())
def test_a_file_s_name_holds_nothing_that_a_system_refuses(text):
    stem = file_stem(text, otherwise="piece")
    assert 0 < len(stem) <= 50 and not set(stem) & set('<>:"/\\|?*\0 \n\t') and stem.isprintable()  # Windows' list
    assert stem[0] not in "-." and stem[-1] not in "-." and len(f"{stem}-report.pdf".encode()) <= 255


@pytest.mark.parametrize(
    ("text", "stem"),
    [
        ("Alder Row: bath", "Alder-Row-bath"),
        ("../../etc", "etc"),
        ("Küche", "Küche"),
        ("\u202e", "piece"),
        ("", "piece"),
    ],
)
def test_a_file_s_name_stays_what_a_person_knows_it_by(text, stem):
    assert file_stem(text, otherwise="piece") == stem
