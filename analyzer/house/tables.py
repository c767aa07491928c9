"""Published dimensions, stresses and limits, each stated once in ``data/tube/*.csv`` with its source."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from types import MappingProxyType

from analyzer.base.flags import InputError
from analyzer.base.measured import MM_PER_INCH
from analyzer.base.text import shown

Row = Mapping[str, str]

# The size that a person says and the size that the standard prints.
SIZES = ("1/4", "3/8", "1/2", "5/8", "3/4", "1", "1-1/4", "1-1/2", "2", "2-1/2", "3", "3-1/2", "4")
TYPES = ("K", "L", "M")


@dataclass(frozen=True, kw_only=True)
class Tube:
    """A tube's nominal dimensions; ``wall_mm`` is None where the type is not known."""

    label: str  # as a person says it: "1/2 M", "3/4", "22.2 x 1.1 mm"
    outside_diameter_mm: float
    wall_mm: float | None
    wall_tolerance_mm: float | None  # a new tube may be under or over nominal by this; None where no standard is named
    size: str | None = None  # "1/2"
    type: str | None = None  # "K", "L", "M"
    wall_range_mm: tuple[float, float] | None = None  # over the types sold in that size, where the type is not known
    outside_diameter_tolerance_mm: float | None = (
        None  # annealed tube's, the wider one; for a typed size half its last digit
    )
    material: str = "copper"  # "copper", "galvanised steel" or "brass"
    source: str = ""  # the standard, and the keys of data/tube/README.md


@cache
def rows(name: str) -> tuple[Row, ...]:
    """All rows of ``data/tube/NAME.csv`` as mappings of column to text, in the file's order.

    KeyError where the project has no such table.
    """
    path = resources.files("analyzer").joinpath(f"data/tube/{name}.csv")
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise KeyError(f"no table named {name}") from None
    return tuple(MappingProxyType(row) for row in csv.DictReader(text.splitlines()))


def select(name: str, **where: str) -> tuple[Row, ...]:
    """The rows of a table whose columns equal ``where``."""
    return tuple(row for row in rows(name) if all(row[column] == value for column, value in where.items()))


def limit(topic: str, item: str) -> Row:
    """One row of ``limits.csv`` by its topic and the beginning of its item; KeyError unless exactly one fits."""
    found = [row for row in select("limits", topic=topic) if row["item"].startswith(item)]
    if len(found) != 1:
        raise KeyError(f"{len(found)} limits named {topic}: {item}")
    return found[0]


def b88(size: str, type: str) -> Tube:
    """The tube of ASTM B88 of that size ("1/2") and type ("K", "L" or "M").

    1/2 M is 0.625 in outside, 0.028 in wall, 0.003 in wall tolerance (ASTM B88, keys HI_EDB and CDA_3c):

    >>> tube = b88("1/2", "M")
    >>> round(tube.outside_diameter_mm, 3), round(tube.wall_mm, 4), round(tube.wall_tolerance_mm, 4)
    (15.875, 0.7112, 0.0762)
    """
    found = select("copper_tube_b88", spec="ASTM B88", type=type, nominal_size=size)
    if not found:
        raise InputError(
            f"ASTM B88 has no type {type} tube in the size {size} inch: choose a size it has, or give outside diameter "
            'and wall in millimetres, such as "15.9x0.7".'
        )
    row = found[0]
    return Tube(
        label=f"{size} {type}",
        outside_diameter_mm=float(row["od_in"]) * MM_PER_INCH,
        wall_mm=float(row["wall_in"]) * MM_PER_INCH,
        wall_tolerance_mm=float(row["wall_tol_plusminus_in"]) * MM_PER_INCH,
        size=size,
        type=type,
        outside_diameter_tolerance_mm=float(row["od_tol_annealed_plusminus_in"]) * MM_PER_INCH,
        source=f"ASTM B88 type {type} ({row['source']})",
    )


def outside_diameter_tolerance_mm(size: str, type: str, temper: str) -> float:
    """The tolerance of ASTM B88 on the outside diameter, which depends on the temper ("annealed" or "drawn")."""
    row = select("copper_tube_b88", spec="ASTM B88", type=type, nominal_size=size)[0]
    return float(row[f"od_tol_{temper}_plusminus_in"]) * MM_PER_INCH


def types_of(size: str) -> tuple[Tube, ...]:
    """The tubes of ASTM B88 sold in that size, thickest wall first."""
    return tuple(
        b88(size, type) for type in TYPES if select("copper_tube_b88", spec="ASTM B88", type=type, nominal_size=size)
    )


def sizes_and_types(largest_mm: float = 55.0) -> tuple[str, ...]:
    """What a person may choose from: each size of ASTM B88 up to that outside diameter, alone and with its types."""
    sizes = dict.fromkeys(
        row["nominal_size"]
        for row in sorted(select("copper_tube_b88", spec="ASTM B88"), key=lambda row: float(row["od_mm"]))
        if float(row["od_mm"]) <= largest_mm
    )
    return tuple(label for size in sizes for label in (size, *(tube.label for tube in types_of(size))))


_FRACTIONS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_DECIMAL_SIZES = {"0.25": "1/4", "0.375": "3/8", "0.5": "1/2", "0.625": "5/8", "0.75": "3/4", "1.0": "1", "1.25": "1-1/4",
                  "1.5": "1-1/2", "2.0": "2", "2.5": "2-1/2", "3.0": "3", "3.5": "3-1/2", "4.0": "4"}  # fmt: skip
_HELP = (
    'give size and type such as "1/2 M", a size alone such as "3/4", or outside diameter and wall in millimetres such '
    'as "15.9x0.7"'
)
_PAIR = re.compile(r"(\d+(?:\.\d+)?|\.\d+)\s*(mm|in)?\s*[x*by]+\s*(\d+(?:\.\d+)?|\.\d+)\s*(mm|in)?")
_SIZED = re.compile(r"(?:([klm])\s+)?(\d+(?:[-\s]+\d/\d|/\d|\.\d+)?|\.\d+)\s*(?:in\b)?\s*([klm])?")


def read_tube(text: str) -> Tube:
    """The tube that ``text`` names: "1/2 M", "1/2", or outside diameter and wall as "15.9x0.7" in millimetres.

    Spaces, inch signs, the words copper, tube, pipe, type and nominal, and capital letters do not matter. Galvanised steel
    ("3/4 galvanised", schedule 40 unless 80 is said) and red brass ("3/4 brass") carry the sizes of their own standards.
    InputError, with what to type instead, for anything else.
    """
    plain = _plain(text)
    if not plain:
        raise InputError(f"No tube was named: {_HELP}.")
    other = re.search(r"\b(galvani[sz]ed|galv|steel|iron|brass)\b", plain)
    if other:
        return _other_pipe(plain, "brass" if other.group(1) == "brass" else "galvanised steel")
    pair = _PAIR.fullmatch(plain)
    if pair:
        return _typed(pair, text)
    sized = _SIZED.fullmatch(plain)
    if not sized or (sized.group(1) and sized.group(3)):
        raise InputError(f'"{shown(text.strip())}" is not a tube that can be read: {_HELP}.')
    size = _size(sized.group(2), text)
    type = (sized.group(1) or sized.group(3) or "").upper()
    if type:
        return b88(size, type)
    kinds = types_of(size)
    walls = [tube.wall_mm for tube in kinds if tube.wall_mm is not None]  # B88 states a wall and a tolerance for each
    tolerances = [tube.wall_tolerance_mm for tube in kinds if tube.wall_tolerance_mm is not None]
    return Tube(
        label=size,
        outside_diameter_mm=kinds[0].outside_diameter_mm,
        wall_mm=None,
        wall_tolerance_mm=max(tolerances),
        size=size,
        wall_range_mm=(min(walls), max(walls)),
        outside_diameter_tolerance_mm=kinds[0].outside_diameter_tolerance_mm,
        source=f"ASTM B88 types {', '.join(tube.type or '' for tube in kinds)}",
    )


def _plain(text: str) -> str:
    plain = text.strip().lower()
    for sign, words in _FRACTIONS.items():
        plain = re.sub(rf"(\d)\s*{sign}", rf"\1-{words}", plain).replace(sign, words)
    plain = plain.replace("×", "x").replace("–", "-").replace("−", "-")
    plain = re.sub(r"(\d),(\d)", r"\1.\2", plain)  # a decimal comma
    plain = re.sub(r"[\"″“”]|''|\binch(?:es)?\b|\bin\.", " in ", plain)
    plain = re.sub(r"(?<=\d)(in|inch|inches|mm)\b", r" \1 ", plain)
    plain = re.sub(r"\b(type|typ|copper|tube|tubing|pipe|nominal|water|astm|b88|od|wall)\b", " ", plain)
    plain = re.sub(r"(?<=[\d\s])\s*([klm])$", r" \1", plain)
    return re.sub(r"\s+", " ", plain).strip(" ,;")


def _size(words: str, text: str) -> str:
    size = re.sub(r"[-\s]+", "-", words.strip())
    if "." in size:
        size = _DECIMAL_SIZES.get(f"{float(size):g}" if float(size) % 1 else f"{float(size):.1f}", size)
    if size not in SIZES:
        raise InputError(f'"{text.strip()}" is not a size of copper water tube ({", ".join(SIZES)} inch): {_HELP}.')
    return size


def _typed(pair: re.Match[str], text: str) -> Tube:
    units = {unit for unit in (pair.group(2), pair.group(4)) if unit} or {"mm"}
    if len(units) > 1:
        raise InputError(f'"{text.strip()}" mixes mm and inches: give outside diameter and wall in one unit.')
    factor = MM_PER_INCH if units == {"in"} else 1.0
    diameter, wall = float(pair.group(1)) * factor, float(pair.group(3)) * factor
    if not 3.0 <= diameter <= 330.0:
        raise InputError(
            f'"{text.strip()}" would be a tube of {diameter:g} mm outside diameter: give outside diameter and wall in '
            'millimetres, such as "15.9x0.7".'
        )
    if not 0.1 <= wall < diameter / 2:
        raise InputError(
            f'"{text.strip()}" would be a wall of {wall:g} mm on a tube of {diameter:g} mm: give the outside diameter '
            'first, then the wall, both in the same unit, such as "15.9x0.7".'
        )
    return Tube(
        label=f"{diameter:g} x {wall:g} mm",
        outside_diameter_mm=diameter,
        wall_mm=wall,
        wall_tolerance_mm=None,
        size=_nearest_size(diameter),
        outside_diameter_tolerance_mm=_half_last_digit(pair.group(1)) * factor,
        source="as entered",
    )


def _nearest_size(diameter_mm: float) -> str | None:
    """The B88 size whose outside diameter this is, within the rounding that people type (0.15 mm)."""
    for size in SIZES:
        if abs(types_of(size)[0].outside_diameter_mm - diameter_mm) <= 0.15:
            return size
    return None


def _half_last_digit(number: str) -> float:
    decimals = len(number.split(".")[1]) if "." in number else 0
    return 0.5 * 10.0**-decimals


def _other_pipe(plain: str, material: str) -> Tube:
    """Steel pipe of ASME B36.10 (schedule 40 or 80) or red brass pipe of ASTM B43 (regular)."""
    schedule = "regular"
    words = re.sub(r"\b(galvani[sz]ed|galv|steel|iron|red|brass|in)\b", " ", plain)
    if material == "galvanised steel":
        said = re.search(r"\bsch(?:edule)?\.?\s*(\d+)\b", words)
        schedule = f"Sch {said.group(1)}" if said else "Sch 40"
        words = words.replace(said.group(0), " ") if said else words
    size = re.sub(r"[-\s]+", "-", words.strip())
    kinds = [row for row in rows("other_pipe") if row["class"] == schedule and _material_of(row) == material]
    for row in kinds:
        if row["nominal_size"] == size:
            wall = float(row["wall_in"]) * MM_PER_INCH
            percent = re.search(r"([\d.]+)%", row["tolerance"])
            return Tube(
                label=f"{size} {material}" + (f" {schedule}" if schedule.startswith("Sch") else ""),
                outside_diameter_mm=float(row["od_in"]) * MM_PER_INCH,
                wall_mm=wall,
                wall_tolerance_mm=wall * float(percent.group(1)) / 100 if percent else None,
                size=size,
                outside_diameter_tolerance_mm=None,
                material=material,
                source=f"{row['spec']} {schedule} ({row['source']})",
            )
    known = (
        ", ".join(dict.fromkeys(row["nominal_size"] for row in kinds)) or "none in this schedule; say Sch 40 or Sch 80"
    )
    raise InputError(
        f'"{plain}" is not a size of {material} pipe in the tables ({known}): give one of them, such as "3/4 {material}".'
    )


def _material_of(row: Row) -> str:
    if row["material"].startswith("steel"):
        return "galvanised steel"
    return "brass" if row["material"] == "red brass" else row["material"]
