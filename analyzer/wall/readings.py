"""Gauge and caliper readings that a person took on the piece: read from TOML, CSV or a form, checked value by value.

A file in TOML:

    unit = "mm"                 # of depth, wall and resolution below: "mm" or "in"; mm if left out
    method = "dial depth gauge" # for every reading that names none
    resolution = 0.01           # likewise

    [[pit]]
    id = 3                      # the pit's number in the report, or x_px and y_px in the upright photo
    depth = 0.42                # or depth_mm, which is always millimetres

    [[sound_wall]]              # metal that is not attacked
    wall = 0.69

    [[thin_wall]]               # the thinnest place found by gauge
    wall = 0.31

The same as a list in CSV: columns kind (pit, sound_wall or thin_wall), id, x_px, y_px, depth, wall, resolution, unit, method,
confirmed; empty where it does not apply. ``confirmed = true`` says that an unusual value was looked at again.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analyzer.base.flags import Flag, InputError, raise_flag
from analyzer.base.measured import MM_PER_INCH, Measure
from analyzer.base.text import LONGEST_NAME, shown, whole_line
from analyzer.base.tomlfile import parse_table, read_text

KINDS = ("pit", "sound_wall", "thin_wall")
LARGEST_MM = 12.0  # no wall in a house is thicker, nor a pit deeper: 2 in pipe of the heaviest kind has 11.07 mm (ASME B36.10M, from memory)
SHALLOWEST_MM = 0.05  # a depth or wall in mm below this is nearly always one in inches


@dataclass(frozen=True, kw_only=True)
class Method:
    """A way to read a depth or a wall. ``repeat_mm``: how far two readings of the same place differ in practice, one standard
    deviation (common practice, no source)."""

    name: str
    resolution_mm: float
    repeat_mm: float
    weakest_link: str


# Resolutions and repeats of a practised hand: common practice, no source.
METHODS = {
    method.name: method
    for method in (
        Method(name="needle micrometer", resolution_mm=0.01, repeat_mm=0.02, weakest_link="the needle may not reach the deepest point of a narrow or crooked pit"),
        Method(name="dial depth gauge", resolution_mm=0.01, repeat_mm=0.03, weakest_link="on a curved tube the foot bridges the curve; zero it on sound metal beside the pit"),
        Method(name="microscope focus", resolution_mm=0.005, repeat_mm=0.02, weakest_link="the lens's depth of field, and light at the bottom"),
        Method(name="replica", resolution_mm=0.02, repeat_mm=0.03, weakest_link="a cast locks in undercut pits"),
        Method(name="metallographic section", resolution_mm=0.005, repeat_mm=0.01, weakest_link="the cut may miss the deepest point"),
        Method(name="caliper", resolution_mm=0.02, repeat_mm=0.03, weakest_link="flat jaws on a curved bore read too thick"),
        Method(name="ball micrometer", resolution_mm=0.01, repeat_mm=0.01, weakest_link="the ball bridges narrow pits"),
        Method(name="ultrasonic gauge", resolution_mm=0.01, repeat_mm=0.05, weakest_link="thin tube lies near the lower limit of most probes"),
    )
}  # fmt: skip


# What a reading was taken with where nobody says it: common practice, no source.
USUAL_METHOD = {"pit": "dial depth gauge", "sound_wall": "caliper", "thin_wall": "caliper"}


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One reading. ``depth_mm`` for kind "pit", ``wall_mm`` for the other two; the other one is None."""

    kind: str
    depth_mm: float | None = None
    wall_mm: float | None = None
    resolution_mm: float
    method: str
    pit: int | None = None
    x_px: float | None = None
    y_px: float | None = None
    confirmed: bool = False

    @property
    def mm(self) -> float:
        """The depth or the wall that was read, millimetres."""
        value = self.depth_mm if self.kind == "pit" else self.wall_mm
        assert value is not None
        return value

    @property
    def measure(self) -> Measure:
        """The value with the instrument's resolution (uniform, so one by root twelve) and the method's repeatability."""
        known = METHODS.get(self.method)
        budget = {"instrument resolution": self.resolution_mm / math.sqrt(12.0)}
        budget["repeatability of the reading"] = known.repeat_mm if known else 0.03
        return Measure(value=self.mm, budget=budget)


@dataclass(frozen=True, kw_only=True)
class Readings:
    """All readings of one piece, checked."""

    readings: tuple[Reading, ...] = ()
    flags: tuple[Flag, ...] = ()

    def of(self, kind: str) -> tuple[Reading, ...]:
        return tuple(reading for reading in self.readings if reading.kind == kind)


def read_readings(path: str | Path) -> Readings:
    """Readings from a .toml or .csv file. Raises InputError with one sentence that names the reading that cannot be right."""
    path = Path(path)
    text = read_text(path, what="readings")
    if path.suffix.lower() == ".csv":
        return readings_from_rows(_csv_rows(text, path))
    return readings_from_rows(_toml_rows(parse_table(text, what="readings"), path))


def _csv_rows(text: str, path: Path) -> list[dict[str, Any]]:
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise InputError(f"{path} holds no readings; write one line for each, with the columns kind, id, depth, unit.")
    delimiter = ";" if lines[0].count(";") > lines[0].count(",") else ","
    head = [name.strip().lower() for name in next(csv.reader(lines[:1], delimiter=delimiter))]
    if not set(head) & {"depth", "depth_mm", "wall", "wall_mm"}:
        raise InputError(
            f"{path} has no head line that names its columns; put one first, such as {delimiter.join(('kind', 'id', 'depth', 'unit'))}."
        )
    if len(lines) == 1:
        raise InputError(f"{path} holds a head line and no readings; write one line for each below it.")
    lines[0] = delimiter.join(head)
    rows = []
    for row in csv.DictReader(lines, delimiter=delimiter):
        if None in row:
            raise InputError(
                f"{path} has a line with more values than columns ({', '.join(row[None])}); use a point for decimals."
            )
        kept = {key.strip(): value.strip() for key, value in row.items() if value is not None and value.strip()}
        if "kind" not in kept:
            kept["kind"] = "pit" if any(key.startswith("depth") for key in kept) else ""
        if "confirmed" in kept:
            kept["confirmed"] = kept["confirmed"].lower() in ("true", "yes", "1", "y")
        rows.append(kept)
    return rows


def _toml_rows(content: Mapping[str, Any], path: Path) -> list[dict[str, Any]]:
    shared = {key: content[key] for key in ("unit", "method", "resolution", "resolution_mm") if key in content}
    unknown = set(content) - set(shared) - set(KINDS)
    if unknown:
        raise InputError(
            f"{path} holds {', '.join(sorted(unknown))}, which no reading has; use [[pit]], [[sound_wall]], [[thin_wall]], "
            "unit, method and resolution."
        )
    rows = []
    for kind in KINDS:
        entries = content.get(kind, [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            raise InputError(f"{path}: write each {kind} under its own [[{kind}]] line.")
        rows += [{**shared, **entry, "kind": kind} for entry in entries]
    if not rows:
        raise InputError(
            f"{path} holds no readings; write each under its own [[pit]], [[sound_wall]] or [[thin_wall]] line."
        )
    return rows


_KEYS = {
    "kind", "id", "pit", "x_px", "y_px", "depth", "depth_mm", "wall", "wall_mm", "resolution", "resolution_mm", "unit", "method",
    "confirmed",
}  # fmt: skip


def readings_from_rows(rows: Iterable[Mapping[str, Any]]) -> Readings:
    """Readings from rows as a file or a form gives them; keys as in the module's head. Raises InputError."""
    readings, flags = [], []
    for number, row in enumerate(rows, start=1):
        reading = _reading(row, f"Reading {number}")
        readings.append(reading)
        if reading.method not in METHODS:
            flags.append(raise_flag("reading_method_unknown", reading.method))
    shallow = [r for r in readings if not r.confirmed and r.mm < 0.07]
    # One shallow pit among deep ones is a shallow pit; where nothing is deeper, the unit is in doubt.
    if shallow and len(shallow) == len(readings):
        value = max(r.mm for r in shallow)
        raise InputError(
            f'All readings are below 0.07 mm (the largest is {value:g} mm), which looks like inches: write unit = "in", or '
            "confirmed = true beside each if they are millimetres."
        )
    return Readings(readings=tuple(readings), flags=tuple(dict.fromkeys(flags)))


def _reading(row: Mapping[str, Any], name: str) -> Reading:
    unknown = set(row) - _KEYS
    if unknown:
        raise InputError(
            f"{name} has {', '.join(sorted(unknown))}, which no reading has; use {', '.join(sorted(_KEYS))}."
        )
    kind = row.get("kind")
    if kind not in KINDS:
        raise InputError(f"{name} is of kind {shown(kind)}; use pit, sound_wall or thin_wall.")
    unit = str(row.get("unit", "mm")).strip().lower()
    if unit not in ("mm", "in", "inch"):
        raise InputError(f'{name} has the unit "{shown(unit)}"; use "mm" or "in".')
    factor = 1.0 if unit == "mm" else MM_PER_INCH
    wanted, other = ("depth", "wall") if kind == "pit" else ("wall", "depth")
    if other in row or f"{other}_mm" in row:
        raise InputError(f"{name} is of kind {kind} and has a {other}; a {kind} has a {wanted}.")
    value = _length(row, wanted, unit, factor, name)
    if value is None:
        raise InputError(f"{name} has no {wanted}; write {wanted} = 0.42 with the unit, or take the line out.")
    if value < 0 or (kind == "sound_wall" and value == 0):
        raise InputError(
            f"{name} gives a {wanted} of {value:g} mm, which cannot be; measure again from the sound metal beside it."
        )
    if value > LARGEST_MM:
        raise InputError(
            f"{name} gives a {wanted} of {value:g} mm, more than any water pipe's wall; check the value and its unit."
        )
    confirmed = row.get("confirmed", False)
    if not isinstance(confirmed, bool):
        raise InputError(f"{name} has confirmed = {shown(confirmed)}; write confirmed = true, or take it out.")
    if not confirmed and 0.0 < value < SHALLOWEST_MM and (kind != "thin_wall" or value < 0.03):
        raise InputError(
            f"{name} gives a {wanted} of {value:g} mm, hardly more than a gauge can tell: if it was read in inches write "
            'unit = "in", if it is right write confirmed = true beside it.'
        )
    usual = "dial depth gauge" if kind == "pit" else "caliper"
    method = whole_line(row.get("method", usual), f"{name}: the method", longest=LONGEST_NAME).lower()
    known = METHODS.get(method)
    resolution = _length(row, "resolution", unit, factor, name)
    if resolution is None:
        resolution = known.resolution_mm if known else 0.02
    if not 0.0 < resolution <= 1.0:
        raise InputError(
            f"{name} has a resolution of {resolution:g} mm; give the smallest step that the instrument shows."
        )
    pit, x_px, y_px = row.get("id", row.get("pit")), _number(row, "x_px", name), _number(row, "y_px", name)
    if (x_px is None) != (y_px is None):
        raise InputError(f"{name} has only one of x_px and y_px; give both, or the pit's id.")
    if pit is not None:
        if isinstance(pit, bool) or not re.fullmatch(r"[0-9]{1,6}", shown(pit).strip()):
            raise InputError(f"{name} names the pit {shown(pit)}; give the pit's number in the report.")
        pit = int(str(pit))
    if kind == "pit" and pit is None and x_px is None:
        raise InputError(
            f"{name} does not say which pit; give the pit's id from the report, or x_px and y_px in the photo."
        )
    return Reading(
        kind=kind,
        depth_mm=value if kind == "pit" else None,
        wall_mm=None if kind == "pit" else value,
        resolution_mm=resolution,
        method=method,
        pit=pit,
        x_px=x_px,
        y_px=y_px,
        confirmed=confirmed,
    )


def _length(row: Mapping[str, Any], key: str, unit: str, factor: float, name: str) -> float | None:
    """The length under ``key`` (in the row's unit) or ``key_mm``, in millimetres."""
    if key in row and f"{key}_mm" in row:
        raise InputError(f"{name} has both {key} and {key}_mm; keep one.")
    if f"{key}_mm" in row and unit != "mm" and key != "resolution":
        raise InputError(
            f'{name} has {key}_mm but says unit = "{unit}"; write {key} = ... with that unit, or leave the unit out.'
        )
    if f"{key}_mm" in row:
        return _number(row, f"{key}_mm", name)
    value = _number(row, key, name)
    return None if value is None else value * factor


def _number(row: Mapping[str, Any], key: str, name: str) -> float | None:
    if row.get(key) is None:
        return None
    try:
        value = float(str(row[key]).replace(",", "."))  # str of a whole number of thousands of digits fails too
    except ValueError:
        raise InputError(f"{name} has {key} = {shown(row[key])}, which is not a number; write it as 0.42.") from None
    if isinstance(row[key], bool) or not math.isfinite(value):
        raise InputError(
            f"{name} has {key} = {shown(row[key])}, which is not a number; write it as 0.42, or take the line out."
        )
    return value
