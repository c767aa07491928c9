"""What a person or a file wrote, made fit to be kept and shown: one home for every name, remark, answer and table cell."""

from __future__ import annotations

from analyzer.base.flags import InputError

# Judgements, no source, but where one is named.
LONGEST = 4000  # letters of one remark that are kept; a page of a report holds some 3,000
LONGEST_ANSWER = 500  # of one question answered in words
LONGEST_NAME = 300  # of a file, a person, a place
LONGEST_QUOTE = 60  # of what is repeated inside a sentence
LONGEST_STEM = 50  # of a file's name made from what a person wrote: systems take 255 bytes, and a letter may have four
# What a spreadsheet may take for the beginning of a formula, full-width forms included (OWASP, "CSV Injection").
FORMULA_SIGNS = "=+-@\t\r\n\0\uff1d\uff0b\uff0d\uff20"


def visible(text: object) -> str:
    """The text with a space for every sign that is not printable (Unicode categories "Other" and "Separator").

    Line breaks, the marks that turn the direction of writing and lone surrogates could hide or turn round what stands beside
    them (Unicode TR 36). No other letter changes, so that a file's name can be found again.

    >>> visible("IMG  001\\u202egpj.exe")
    'IMG  001 gpj.exe'
    """
    return "".join(sign if sign.isprintable() else " " for sign in str(text))


def one_line(text: object, *, longest: int = LONGEST) -> str:
    """The visible text with single spaces, at most ``longest`` letters; what was cut off leaves three dots.

    >>> one_line("a\\u202egpj.exe\\n b")
    'a gpj.exe b'
    """
    return _cut(" ".join(visible(text).split()), longest)


def whole_line(text: object, what: str, *, longest: int = LONGEST) -> str:
    """``one_line`` of what a person tells, and nothing cut off: InputError where it is longer than is kept."""
    line = " ".join(visible(text).split())
    if len(line) > longest:
        raise InputError(f"{what} is longer than {longest:,} letters; shorten it.")
    return line


def all_visible(value: object) -> object:
    """Plain data (texts, lists, mappings) with every text in it made visible; numbers and the like as they are."""
    if isinstance(value, str):
        return visible(value)
    if isinstance(value, dict):
        return {visible(key): all_visible(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [all_visible(item) for item in value]
    return value


def shown(value: object) -> str:
    """What somebody wrote, fit for a sentence: visible, at most 60 letters."""
    try:
        text = visible(value)
    except ValueError:  # a whole number too long to write out
        return "a number of thousands of digits"
    return _cut(text, LONGEST_QUOTE)


def file_stem(text: object, *, otherwise: str) -> str:
    """Part of a file's name that every system takes: letters, digits, ``_``, ``.`` and ``-``; ``otherwise`` where none is left.

    >>> file_stem("Alder Row: bath/left", otherwise="piece")
    'Alder-Row-bath-left'
    """
    words = "".join(sign if sign.isalnum() or sign in "_.-" else " " for sign in str(text)).split()
    return "-".join(words)[:LONGEST_STEM].strip("-.") or otherwise


def spreadsheet_cell(value: object) -> object:
    """A value as a table's cell: empty where not known, yes or no, numbers as they are, and no text that is run as a formula.

    A text that begins like a formula gets an apostrophe before it, as OWASP ("CSV Injection") advises.

    >>> spreadsheet_cell("=1+1"), spreadsheet_cell(-1.5), spreadsheet_cell(None)
    ("'=1+1", -1.5, '')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        text = visible(value)
        begins = {value[:1], text.lstrip()[:1]} - {
            ""
        }  # blanks and invisible signs before it hide a formula from people only
        return f"'{text}" if begins & set(FORMULA_SIGNS) else text
    return value


def _cut(line: str, longest: int) -> str:
    return line if len(line) <= longest else f"{line[: longest - 3]}..."
