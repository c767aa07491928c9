"""The facts of the installation: one vocabulary, read from a facts file or a form, checked value by value.

``data/quantities.toml`` states every quantity once: what it is called, its unit, what it tells, how to find it out,
what is possible and what is usual. A value outside the possible is refused with one sentence; an unusual one is
taken and asked again (a flag). A fact that is not given is not there: it is never 0, never a guess.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from types import MappingProxyType

from pydantic import Field, ValidationError, model_validator

from analyzer.base.datafile import data_table
from analyzer.base.datarecord import DataRecord
from analyzer.base.flags import Flag, InputError, raise_flag
from analyzer.base.measured import KPA_PER_BAR, KPA_PER_PSI, MM_PER_INCH
from analyzer.base.text import LONGEST_ANSWER, shown, whole_line
from analyzer.base.tomlfile import decoded, parse_table, read_text

Value = float | str | bool | tuple[str, ...] | tuple[tuple[int, int], ...]


class FactError(InputError):
    """A fact that cannot be right. Its text names the entry as the file does; ``sentence`` is for who saw only the question."""

    def __init__(self, path: str, sentence: str) -> None:
        super().__init__(f"facts: {path}: {sentence}")
        self.sentence = sentence


# what people write for a unit -> its name in UNITS or in the vocabulary
SPELLINGS: Mapping[str, str] = MappingProxyType(
    {
        **dict.fromkeys(("y", "yr", "yrs", "year"), "years"),
        **dict.fromkeys(("mo", "mos", "mth", "mths", "month"), "months"),
        **dict.fromkeys(('"', "''", "\u2033", "\u201d", "inches", "ins"), "in"),
        **dict.fromkeys(("'", "\u2032", "\u2019", "foot", "feet"), "ft"),
        **dict.fromkeys(("deg c", "degc", "degrees c", "celsius"), "c"),
        **dict.fromkeys(("deg f", "degf", "degrees f", "fahrenheit"), "f"),
        **dict.fromkeys(("psig", "lb/in2", "lbf/in2"), "psi"),
        **dict.fromkeys(("lpm", "litres/min", "liters/min"), "l/min"),
        **dict.fromkeys(("gal/min", "gallons/min"), "gpm"),
    }
)
LITRES_PER_GALLON = 3.785411784  # exact, US gallon
# factor and offset that bring a typed unit to the unit of the vocabulary: (value + offset) * factor
UNITS: Mapping[tuple[str, str], tuple[float, float]] = MappingProxyType(
    {
        ("kPa", "psi"): (KPA_PER_PSI, 0.0),
        ("kPa", "bar"): (KPA_PER_BAR, 0.0),
        ("kPa", "mpa"): (1000.0, 0.0),
        ("C", "f"): (5.0 / 9.0, -32.0),
        ("mm", "in"): (MM_PER_INCH, 0.0),
        ("mm", "inch"): (MM_PER_INCH, 0.0),
        ("mm", "ft"): (12 * MM_PER_INCH, 0.0),
        ("mm", "cm"): (10.0, 0.0),
        ("mm", "m"): (1000.0, 0.0),
        ("L/min", "gpm"): (LITRES_PER_GALLON, 0.0),
        ("L/min", "l/s"): (60.0, 0.0),
        ("m/s", "ft/s"): (12 * MM_PER_INCH / 1000.0, 0.0),
        ("mg/L", "ppm"): (1.0, 0.0),
        ("mg/L", "ug/l"): (0.001, 0.0),
        ("mg/L CaCO3", "mg/l"): (1.0, 0.0),
        ("mg/L CaCO3", "ppm"): (1.0, 0.0),
        ("mg/L CaCO3", "gpg"): (17.118061, 0.0),  # grains per US gallon: 64.79891 mg / 3.785411784 L
        ("mg/L CaCO3", "dh"): (17.848, 0.0),  # German degree: 10 mg CaO in a litre; molar masses 100.087 / 56.077
        ("mg/L CaCO3", "mmol/l"): (100.087, 0.0),
        ("uS/cm", "ms/cm"): (1000.0, 0.0),
        ("uS/cm", "ms/m"): (10.0, 0.0),
        ("mA", "a"): (1000.0, 0.0),
        ("A", "ma"): (0.001, 0.0),
        ("month", "months"): (1.0, 0.0),
        ("month", "years"): (12.0, 0.0),
        ("year", "years"): (1.0, 0.0),
        ("year", "months"): (1.0 / 12.0, 0.0),
    }
)


def _plain(word: object) -> str:
    """A word without capitals and with single spaces, as what people say is looked up."""
    return " ".join(str(word).lower().split())


class Quantity(DataRecord):
    """One row of the vocabulary; the comments at the head of ``data/quantities.toml`` tell each field."""

    id: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    label: str
    question: str = ""
    kind: str = Field(pattern="^(number|choice|flag|text|date|dates|counts)$")
    unit: str = ""
    group: str = Field(
        pattern="^(piece|place|seen|workmanship|water|pressure|electrical|history|laboratory|photo|derived)$"
    )
    topic: str
    origin: str = Field(pattern="^(told|measured|either|derived)$")
    rank: str = Field(default="more", pattern="^(basic|more|expert)$")
    effort: str = Field(pattern="^(ask|look|measure|laboratory)$")
    use: str
    how: str
    possible: tuple[float, float] | None = None
    usual: tuple[float, float] | None = None
    multiple: bool = False
    example: str = (
        ""  # what the facts file shows, where the first choice or the middle of the usual range would mislead
    )
    choices: Mapping[str, str] = {}
    classes: Mapping[str, str] = {}
    words: Mapping[str, bool | str] = {}

    @model_validator(mode="after")
    def _whole(self) -> Quantity:
        if (self.kind == "choice") != bool(self.choices):
            raise ValueError("a choice has choices, and nothing else has")
        if (self.kind == "number") != bool(self.unit and self.possible):
            raise ValueError("a number has a unit and a possible range, and nothing else has")
        if self.origin in ("told", "either") and not self.question:
            raise ValueError("what a person tells needs a question")
        if self.usual and self.kind != "number":
            raise ValueError("only a number has a usual range")
        if self.classes and set(self.classes) != set(self.choices):
            raise ValueError("every choice needs its class")
        for word, meant in self.words.items():
            right = meant in self.choices if self.kind == "choice" else self.kind == "flag" and isinstance(meant, bool)
            if not right or word != _plain(word) or word in self.choices:
                raise ValueError(f"'{word}' means no answer to this question")
        return self

    @property
    def told(self) -> bool:
        return self.origin in ("told", "either")


GROUPS: Mapping[str, str] = MappingProxyType(
    {
        "piece": "The piece",
        "place": "Where it sat",
        "seen": "What is seen on it",
        "workmanship": "How it was made",
        "water": "Water",
        "pressure": "Pressure and flow",
        "electrical": "Electrical",
        "history": "Leaks so far",
        "laboratory": "From a laboratory",
        "photo": "Measured in the photo",
        "derived": "Computed from the facts",
    }
)
# a fine word brings its coarse word with it
COARSE: Mapping[str, str] = MappingProxyType(
    {"observed_pit_shape": "observed_shape_class", "observed_pattern": "observed_pattern_class"}
)


@cache
def quantities() -> Mapping[str, Quantity]:
    """Every quantity by id, in the order of ``data/quantities.toml``."""
    rows = data_table("quantities")["quantity"]
    by_id: dict[str, Quantity] = {}
    for number, row in enumerate(rows):
        try:
            quantity = Quantity.model_validate(row)
        except ValidationError as error:
            raise ValueError(f"data/quantities.toml: quantity[{number}] {row.get('id')}: {error}") from error
        if quantity.id in by_id:
            raise ValueError(f"data/quantities.toml states {quantity.id} twice")
        by_id[quantity.id] = quantity
    return MappingProxyType(by_id)


def told_quantities() -> tuple[Quantity, ...]:
    """What a person can tell, in the order in which it is asked."""
    return tuple(q for q in quantities().values() if q.told)


@dataclass(frozen=True, kw_only=True, eq=False)  # equal as mappings are
class Facts(Mapping[str, Value]):
    """What is known of the installation: values by id, in the units of the vocabulary; what is not known is not there."""

    by_id: Mapping[str, Value]
    flags: tuple[Flag, ...] = ()

    def __getitem__(self, quantity_id: str) -> Value:
        return self.by_id[quantity_id]

    def __iter__(self) -> Iterator[str]:
        return iter(self.by_id)

    def __len__(self) -> int:
        return len(self.by_id)


def read_facts(path: str | Path, *, today: date | None = None) -> Facts:
    """The facts in a TOML file. Raises InputError, one sentence with the path of the wrong entry."""
    return parse_facts(read_text(path, what="facts"), today=today)


def parse_facts(data: str | bytes, *, today: date | None = None) -> Facts:
    """The facts in a TOML text, as ``check_facts`` reads them."""
    return check_facts(
        parse_table(decoded(data, what="facts") if isinstance(data, bytes) else data, what="facts"), today=today
    )


def check_facts(source: Mapping[str, object], *, today: date | None = None) -> Facts:
    """The facts in a mapping; flat, or in sections named as the groups.

    A value is a number in the vocabulary's unit, or a text with its unit ("65 psi"); None, "unknown" and "" mean
    that the fact is not known. With ``today`` a date from a later month is refused: whoever reads what a person just typed
    gives it, and without it the same facts are read alike on every day. Raises InputError, one sentence with the path of the wrong entry.
    """
    values: dict[str, Value] = {}
    flags: list[Flag] = []
    paths: dict[str, str] = {}
    for path, key, raw in _entries(source):
        quantity = quantities().get(key)
        if quantity is None or not quantity.told:
            raise InputError(_unknown_key(path, key))
        if key in values or key in paths:
            raise FactError(path, f"{quantity.label} is stated twice; keep one of them.")
        paths[key] = path
        value = read_value(quantity, raw, path=path)
        if value is None:
            continue
        if today is not None:
            _check_not_ahead(quantity, value, today, path)
        values[key] = value
        flag = unusual(quantity, value)
        if flag is not None:
            flags.append(flag)
    _check_together(values)
    return Facts(by_id=MappingProxyType(values), flags=tuple(flags))


def unusual(quantity: Quantity, value: Value) -> Flag | None:
    """The flag of a number outside its usual range: it is taken, and asked again."""
    if quantity.usual is None:
        return None
    assert isinstance(value, (int, float))  # the vocabulary gives a usual range to numbers alone
    if quantity.usual[0] <= value <= quantity.usual[1]:
        return None
    low, high = (f"{bound:g}" for bound in quantity.usual)
    unit = _shown_unit(quantity)
    return raise_flag("fact_unusual", f"{quantity.label} is {value:g}{unit}, usual is {low} to {high}{unit}")


def with_coarse_words(values: Mapping[str, Value]) -> dict[str, Value]:
    """The values and, beside each fine word, the coarse one that it brings with it. Derived, so never kept with what was told."""
    whole = dict(values)
    for fine, coarse in COARSE.items():
        if fine in whole:
            classes = quantities()[fine].classes
            words = [*_words(whole.get(coarse, ())), *(classes[word] for word in _words(whole[fine]))]
            whole[coarse] = tuple(dict.fromkeys(words))
    return whole


def _words(value: Value) -> tuple[str, ...]:
    """The words of a choice that takes several answers, or the days of a list of them."""
    assert isinstance(value, tuple)  # as the readers of those kinds return them
    return tuple(word for word in value if isinstance(word, str))


def in_vocabulary(values: Mapping[str, Value]) -> Mapping[str, Value]:
    """The values as they came. Raises ValueError for a key that no rule could ever read: a room misspelt it."""
    unknown = sorted(set(values) - set(quantities()))
    if unknown:
        raise ValueError(f"not in data/quantities.toml: {', '.join(unknown)}")
    return values


def read_value(quantity: Quantity, raw: object, *, path: str = "") -> Value | None:
    """One value as the vocabulary holds it, or None where it is not known; raises InputError."""
    path = path or quantity.id
    if raw is None or (isinstance(raw, str) and raw.strip().lower() in ("", "unknown", "not known")):
        return None
    if isinstance(raw, (list, tuple, Mapping)) and not raw:  # an empty list names nothing: neither some nor none
        return None
    try:
        return _READERS[quantity.kind](quantity, raw)
    except _Wrong as wrong:
        raise FactError(path, str(wrong)) from None


class _Wrong(Exception):
    """Why a value cannot be right, before it is said where it stands."""


def _flag(quantity: Quantity, raw: object) -> bool:
    if isinstance(raw, bool):
        return raw
    word = _plain(raw)
    if word in ("yes", "true", "y"):
        return True
    if word in ("no", "false", "n"):
        return False
    if word in quantity.words:
        return bool(quantity.words[word])
    raise _Wrong(f"{quantity.label} is answered with yes or no, not with '{shown(raw)}'.")


def _text(quantity: Quantity, raw: object) -> str:
    try:
        return whole_line(raw, quantity.label, longest=LONGEST_ANSWER)
    except InputError as error:
        raise _Wrong(str(error)) from None


def facts_template() -> str:
    """A facts file to fill in: every question as a comment with its unit, its use and how to find it out."""
    lines = [
        "# Facts of the installation for `cutpipe examine PHOTO --facts FILE`.",
        "# Take away the # before what you know; leave the rest: what is not known counts neither for nor against.",
    ]
    for group, title in GROUPS.items():
        rows = [q for q in told_quantities() if q.group == group]
        if not rows:
            continue
        lines += ["", f"[{group}]", f"# --- {title}"]
        for quantity in rows:
            lines += ["", f"# {quantity.question}  What it tells: {quantity.use}", f"# How: {quantity.how}"]
            if quantity.choices:
                several = "one or several of" if quantity.multiple else "one of"
                lines.append(f"# {several}: {', '.join(quantity.choices)}")
            lines.append(f"# {quantity.id} = {_example(quantity)}")
    return "\n".join(lines) + "\n"


def describe(quantity_id: str, value: Value, units: str = "metric") -> str:
    """A value in words, for a person: the label of a choice, yes or no, a number with its unit ("metric" or "us").

    >>> describe("static_pressure_kpa", 600.0), describe("static_pressure_kpa", 600.0, "us")
    ('600 kPa', '87 psi')
    """
    quantity = quantities().get(quantity_id)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        parts = []
        for item in value:
            if isinstance(item, tuple):
                parts.append(f"{item[0]}: {item[1]}")
            else:
                parts.append(quantity.choices.get(item, item) if quantity else str(item))
        return ", ".join(parts)
    if isinstance(value, str):
        return quantity.choices.get(value, value) if quantity else value
    if quantity is None:
        return _digits(value)
    unit = asked_unit(quantity, units)
    words = unit if value == 1 and unit in ("year", "month") else unit_words(unit)
    figure = float(number_in(quantity, value, units))
    return f"{f'{figure:.0f}' if quantity.unit == 'year AD' else _digits(figure)} {words}".strip()


def _digits(figure: float) -> str:
    """Three digits, from 1,000 on the whole number: "0.123", "12,000", never "1.2e+04"."""
    return f"{figure:.3g}" if abs(figure) < 999.5 else f"{figure:,.0f}"


US_UNITS: Mapping[str, str] = MappingProxyType({"kPa": "psi", "C": "F", "mm": "in", "L/min": "gpm", "m/s": "ft/s"})
_UNIT_WORDS = {"year": "years", "month": "months", "C": "°C", "F": "°F", "1": "", "pH": "", "year AD": ""}


def asked_unit(quantity: Quantity, units: str = "metric") -> str:
    """The unit that a person is asked in ("metric" or "us"), as ``read_value`` takes it behind a number."""
    return US_UNITS.get(quantity.unit, quantity.unit) if units == "us" else quantity.unit


def unit_words(unit: str) -> str:
    """A unit as people read it: "years", "°F"; empty where a bare number is meant."""
    return _UNIT_WORDS.get(unit, unit)


def other_units(quantity: Quantity) -> tuple[str, ...]:
    """Further units in which a value may be typed behind its number."""
    return tuple(name for own, name in UNITS if own == quantity.unit)


def number_in(quantity: Quantity, value: float, units: str = "metric") -> str:
    """The number in the unit that is asked for.

    >>> number_in(quantities()["static_pressure_kpa"], 551.5805834534689, "us")
    '80'
    """
    unit = asked_unit(quantity, units)
    factor, offset = UNITS.get((quantity.unit, unit.lower()), (1.0, 0.0))
    return f"{value / factor - offset:.6g}"


def _shown_unit(quantity: Quantity) -> str:
    words = unit_words(quantity.unit)
    return f" {words}" if words else ""


def _entries(source: Mapping[str, object], prefix: str = "") -> list[tuple[str, str, object]]:
    entries = []
    for key, raw in source.items():
        key = str(key)
        if key == "schema" and not prefix:
            continue
        if not isinstance(raw, Mapping) or (key in quantities() and quantities()[key].kind == "counts"):
            entries.append((f"{prefix}{key}", key, raw))
        elif not prefix and key in GROUPS:
            entries += _entries(raw, f"{key}.")
        else:
            raise InputError(f"facts: {prefix}{key}: no such section; the sections are {', '.join(_told_groups())}.")
    return entries


def _told_groups() -> list[str]:
    return [group for group in GROUPS if any(q.group == group for q in told_quantities())]


def _unknown_key(path: str, key: str) -> str:
    near = get_close_matches(key, [q.id for q in told_quantities()], n=1)
    hint = f"; did you mean {near[0]}?" if near else "; the page House saves an empty facts file with all names."
    return f"facts: {shown(path)}: no such fact{hint}"


# a number as people write it: 8.1 or 8,1, 1/2, 1 1/4, and a unit behind it
_NUMBER = re.compile(
    r"^\s*(?:(?P<whole>\d+)[ -])?(?P<over>\d+)\s*/\s*(?P<under>\d+)\s*(?P<unit>[^\d\s].*?)?\s*$"
    r"|^\s*(?P<number>[-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(?P<behind>[^\d\s.,].*?)?\s*$"
)
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")


def is_bare_number(text: str) -> bool:
    """Whether a text is a number without a unit behind it, as ``read_value`` reads numbers."""
    match = _NUMBER.match(text)
    return match is not None and not (match["unit"] or match["behind"])


def _number(quantity: Quantity, raw: object) -> float:
    unit = _shown_unit(quantity)
    factor, offset = 1.0, 0.0
    if isinstance(raw, str):
        match = _NUMBER.match(raw)
        if not match or match["under"] is not None and int(match["under"][:9]) == 0:
            raise _Wrong(f"{quantity.label} is a number{' in' + unit if unit else ''}, not '{shown(raw)}'.")
        if match["under"] is not None:
            number = _finite_or_infinite(int((match["whole"] or "0")[:400])) + int(match["over"][:9]) / int(
                match["under"][:9]
            )
        else:
            if _THOUSANDS.fullmatch(match["number"]):  # three figures behind a comma: a thousand to some, one to others
                point, plain = match["number"].replace(",", "."), match["number"].replace(",", "")
                raise _Wrong(
                    f"{quantity.label}: '{shown(raw)}' can be {point} or {plain}; write one of them without a comma."
                )
            number = float(match["number"].replace(",", "."))
        typed = (match["unit"] or match["behind"] or "").strip().lstrip("°").strip().rstrip(".")
        name = SPELLINGS.get(typed.lower(), typed.lower())
        if name and name not in (quantity.unit.lower(), unit_words(quantity.unit).lower()):
            if (quantity.unit, name) not in UNITS:
                known = [known for (own, known) in UNITS if own == quantity.unit]
                also = f" (or {', '.join(known)})" if known else ""
                raise _Wrong(f"{quantity.label} is read in{unit or ' plain numbers'}{also}, not in '{shown(typed)}'.")
            factor, offset = UNITS[quantity.unit, name]
    elif isinstance(raw, (int, float)) and not isinstance(raw, bool):
        number = _finite_or_infinite(raw)
    else:
        raise _Wrong(f"{quantity.label} is a number{' in' + unit if unit else ''}, not '{shown(raw)}'.")
    value = (number + offset) * factor
    assert quantity.possible is not None  # every number of the vocabulary has one
    low, high = quantity.possible
    if not math.isfinite(value) or not low <= value <= high:
        raise _Wrong(
            f"{quantity.label} cannot be {value:g}{unit}: it lies between {low:g} and {high:g}{unit}; "
            "check the value and its unit."
        )
    return value


def _finite_or_infinite(raw: int | float) -> float:
    """A whole number beyond what a float holds is as impossible as an infinite one, and refused with it."""
    try:
        return float(raw)
    except OverflowError:
        return math.inf


def _meant(quantity: Quantity, word: str) -> str:
    """The choice that a person's own word stands for: its name in the file, its words on the page, or one of those listed."""
    if word in quantity.choices:
        return word
    said = _plain(word)
    if said in quantity.words:
        return str(quantity.words[said])
    named = [choice for choice, label in quantity.choices.items() if _plain(label) == said]
    return named[0] if len(named) == 1 else word


def _choice(quantity: Quantity, raw: object) -> str | tuple[str, ...] | None:
    if isinstance(raw, (list, tuple)):
        if not quantity.multiple and len(raw) > 1:
            raise _Wrong(f"{quantity.label} takes one answer, not {len(raw)}.")
        words = [str(item).strip() for item in raw]
    else:
        words = [str(raw).strip()]
    words = [_meant(quantity, word) for word in words if word and word != "unknown"]
    for word in words:
        if word not in quantity.choices:
            near = get_close_matches(word, quantity.choices, n=1)
            hint = f"did you mean {near[0]}?" if near else f"choose from: {', '.join(quantity.choices)}."
            raise _Wrong(f"{quantity.label} knows no '{shown(word)}'; {hint}")
    if not words:
        return None
    return tuple(dict.fromkeys(words)) if quantity.multiple else words[0]


_MONTHS = "jan feb mar apr may jun jul aug sep oct nov dec".split()
MIDDLE_OF_A_MONTH = 15  # where only the month is told
_YEAR_FIRST = re.compile(r"(?P<year>\d{4})[-/.](?P<month>\d{1,2})(?:[-/.](?P<day>\d{1,2}))?")
_YEAR_LAST = re.compile(r"(?P<one>\d{1,2})(?P<sign>[-/.])(?P<two>\d{1,2})(?P=sign)(?P<year>\d{4})")
_WORDS = (
    re.compile(
        r"(?:(?P<day>\d{1,2})(?:st|nd|rd|th)?\.?[ -]+)?(?P<month>[a-z]{3,9})\.?[ ,-]+(?P<year>\d{4})", re.IGNORECASE
    ),
    re.compile(r"(?P<month>[a-z]{3,9})\.?[ ]+(?P<day>\d{1,2})(?:st|nd|rd|th)?,?[ ]+(?P<year>\d{4})", re.IGNORECASE),
)


def _day(quantity: Quantity, raw: object) -> str:
    """A day as people write it, as year-month-day; a bare month is its middle. What can be read in two ways is asked back."""
    if isinstance(raw, date):
        # a TOML date-time is a date as well; only the day counts
        return date(raw.year, raw.month, raw.day).isoformat()
    text = str(raw).strip()
    year = month = day = None
    if match := _YEAR_FIRST.fullmatch(text):
        year, month, day = int(match["year"]), int(match["month"]), int(match["day"] or MIDDLE_OF_A_MONTH)
    elif match := _YEAR_LAST.fullmatch(text):
        year, one, two = int(match["year"]), int(match["one"]), int(match["two"])
        # With points the day comes first (common practice, no source); with strokes it does in some countries only.
        if match["sign"] != "." and one != two and one <= 12 and two <= 12:
            raise _Wrong(
                f"{quantity.label}: '{shown(raw)}' can be {_spoken(year, two, one)} or {_spoken(year, one, two)}; "
                f"write {year}-{two:02d}-{one:02d} or {year}-{one:02d}-{two:02d}."
            )
        day, month = (one, two) if match["sign"] == "." or two <= 12 else (two, one)
    else:
        match = next((found for found in (pattern.fullmatch(text) for pattern in _WORDS) if found), None)
        if match and match["month"].lower()[:3] in _MONTHS:
            year, day = int(match["year"]), int(match["day"] or MIDDLE_OF_A_MONTH)
            month = _MONTHS.index(match["month"].lower()[:3]) + 1
    try:
        if year is not None and month is not None and day is not None:
            return date(year, month, day).isoformat()
    except ValueError:
        pass
    if re.fullmatch(r"\d{4}", text):
        raise _Wrong(f"{quantity.label}: the year {text} alone is too coarse; write the month too, as in {text}-06.")
    raise _Wrong(f"{quantity.label}: '{shown(raw)}' is not a date; write year-month-day, as in 2024-03-31.")


def _spoken(year: int, month: int, day: int) -> str:
    return f"{day} {_MONTHS[month - 1].capitalize()} {year}"


def _days(quantity: Quantity, raw: object) -> tuple[str, ...] | None:
    if isinstance(
        raw, str
    ):  # as a person types them, one after another; the comma of "Feb 3, 2019" is not one between days
        raw = [part.strip() for part in re.split(r"[;\n]|,(?!\s*\d{4}(?![-/.\d]))", raw) if part.strip()]
    if not isinstance(raw, (list, tuple)):
        raw = [raw]
    return tuple(sorted(_day(quantity, item) for item in raw)) or None


def _counts(quantity: Quantity, raw: object) -> tuple[tuple[int, int], ...]:
    if isinstance(raw, str):  # as a person types it: 2021: 1, 2022: 0
        parts = [re.fullmatch(r"\s*(\d+)\s*[:=]\s*(\d+)\s*", part) for part in re.split(r"[,;\n]", raw.strip(" {}"))]
        raw = {part[1]: int(part[2][:9]) for part in parts if part} if all(parts) else None
    if isinstance(raw, (list, tuple)) and all(isinstance(item, (list, tuple)) and len(item) == 2 for item in raw):
        raw = dict(raw)  # as it is kept once it was read
    if not isinstance(raw, Mapping):
        raise _Wrong(
            f"{quantity.label}: write each year with its number of leaks (year = number of leaks), as in {{ 2021 = 1, 2022 = 0 }}."
        )
    counts = []
    for year, number in raw.items():
        if not re.fullmatch(r"[0-9]{1,9}", str(year)) or not 1850 <= int(year) <= 2100:
            raise _Wrong(f"{quantity.label}: '{shown(year)}' is not a year; write it in four digits.")
        if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= 10000:
            raise _Wrong(
                f"{quantity.label}, {year}: the number of leaks is a whole number from 0, not '{shown(number)}'."
            )
        counts.append((int(year), number))
    return tuple(sorted(counts))


_READERS: Mapping[str, Callable[[Quantity, object], Value | None]] = MappingProxyType(
    {
        "number": _number,
        "flag": _flag,
        "choice": _choice,
        "date": _day,
        "dates": _days,
        "counts": _counts,
        "text": _text,
    }
)


def _check_not_ahead(quantity: Quantity, value: Value, today: date, path: str) -> None:
    """Nothing told of the past lies ahead. By the month: "2024-11" stands for the middle of it."""
    month = f"{today:%Y-%m}"
    if quantity.kind == "date":
        ahead = str(value) if str(value)[:7] > month else ""
    elif quantity.kind == "dates":
        ahead = next((day for day in _words(value) if day[:7] > month), "")
    elif quantity.kind == "counts":
        assert isinstance(value, tuple)  # as _counts returns them
        ahead = next((str(row[0]) for row in value if isinstance(row, tuple) and row[0] > today.year), "")
    else:
        return
    if ahead:
        raise FactError(path, f"{quantity.label}: {ahead} lies ahead of today, {today.isoformat()}; check the year.")


def _check_together(values: Mapping[str, Value]) -> None:
    """Answers that cannot both hold."""
    since, until = values.get("history_from"), values.get("history_to")
    leaks = _words(values.get("leak_dates", ()))
    # days are kept as year-month-day, so that their order is that of the letters
    assert isinstance(since, str | None) and isinstance(until, str | None)
    if since is not None and until is not None and since > until:
        raise FactError(
            "history_to",
            f"Every leak cannot be known until {until} only if it is known since {since}; check the two dates.",
        )
    if leaks:
        if since is not None and leaks[0] < since:
            raise FactError(
                "leak_dates",
                f"A leak on {leaks[0]} lies before {since}, since when every leak is known; check the dates.",
            )
        if until is not None and leaks[-1] > until:
            raise FactError(
                "leak_dates",
                f"A leak on {leaks[-1]} lies after {until}, until when every leak is known; check the dates.",
            )
    for several in ("contacts", "joined_metals"):
        none = "nothing" if several == "contacts" else "none"
        words = _words(values.get(several, ()))
        if none in words and len(words) > 1:
            quantity = quantities()[several]
            raise FactError(
                several,
                f"{quantity.label}: '{quantity.choices[none]}' and something cannot both hold; keep one of them.",
            )


def _example(quantity: Quantity) -> str:
    if quantity.example:
        return quantity.example
    if quantity.kind == "number":
        ends = quantity.usual or quantity.possible
        assert ends is not None  # every number of the vocabulary has a possible range
        low, high = ends
        value = f"{(low + high) / 2:.2g}"
        value = value if "e" not in value else f"{float(value):.0f}"
        return f"{value}{'   # ' + quantity.unit if _shown_unit(quantity) else ''}"
    if quantity.kind == "flag":
        return "true"
    if quantity.kind == "choice":
        first = next(iter(quantity.choices))
        return f'["{first}"]' if quantity.multiple else f'"{first}"'
    if quantity.kind == "date":
        return "2024-03-31"
    if quantity.kind == "dates":
        return "[2022-11-05, 2024-03-31]"
    if quantity.kind == "counts":
        return "{ 2021 = 1, 2022 = 0, 2023 = 2 }"
    return '""'


def label(quantity_id: str) -> str:
    """The quantity's name for a person, in the middle of a sentence."""
    quantity = quantities().get(quantity_id)
    words = quantity.label if quantity else quantity_id.replace("_", " ")
    return words if words[:2].isupper() else words[:1].lower() + words[1:]
