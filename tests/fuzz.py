"""Mutated inputs: ``python -m tests.fuzz [--count 20000] [--seed 1] [--kind photo]``.

Everything that a stranger may hand in (photographs, the six kinds of text file, packed cases, sealed bundles) is damaged at random
and read. Each input must be read or refused by one sentence (``CutpipeError``); any other exception is a finding and is printed with
the seed that makes it again. A second of work for a text, ten for a file, count as a finding too. ``tests/test_fuzz.py`` runs a short
form with fixed seeds.
"""

from __future__ import annotations

import argparse
import io
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from PIL import Image

from analyzer.base.flags import CutpipeError
from tests.conftest import ROOT

TEXT_S, FILE_S = 1.0, 10.0

FACTS = b"""material = "copper"
service = "cold"
age_years = "22 yrs"
tube_size = "3/4"
static_pressure_kpa = "85 psi"
water_ph = 8.1
leak_dates = [2019-03-02, 2022-11-20, 2024-05-14]
leaks_by_year = {2019 = 1, 2022 = 2}
observed_pit_shape = ["pinhole", "hemispherical"]
water_test_date = 2026-02-03
"""
READINGS = b"""unit = "mm"

[[pit]]
id = 3
depth = 0.42
resolution = 0.01
method = "dial depth gauge"

[[sound_wall]]
wall = 0.79

[[thin_wall]]
wall = "0.021 in"
"""
READINGS_CSV = b"kind,id,depth,wall,unit\npit,3,0.42,,mm\nsound_wall,,,0.79,mm\nthin_wall,,,0.021,in\n"
PRICES = b"repair_per_leak = 450\ndamage_per_leak = 2000\nreplace_all = 9000\nmoving_out = 800\ndiscount_rate = 0.03\n"
CORRECTIONS = b"""[[correction]]
kind = "remove_pit"
pit = 7
who = "R. Field"
when = "2026-11-20T10:15:00"

[[correction]]
kind = "add_pit"
points_px = [[812, 640]]
diameter_mm = 0.9

[[correction]]
kind = "leave_out"
points_px = [[300, 210], [520, 210], [520, 400]]

[[correction]]
kind = "known_length"
points_px = [[240, 610], [1180, 655]]
length_mm = 75
"""
# What people and programs write where it does not belong; hostile ones among them.
TOKENS = [
    b"nan", b"inf", b"-inf", b"-1", b"0", b"1e999", b"1e-999", b"9" * 400, b"0x7fffffffffffffff", b"99999999999999999999", b"true", b"[]", b"{}",
    b"[[]]", b"\"\"", b"\"=cmd|' /C calc'!A0\"", b"\"<script>alert(1)</script>\"", "\"\u202egpj\"".encode(), b"\"\\u0000\"", b"2019-02-30", b"0000-00-00",
    b"9999-12-31", b"[" * 200, b"{a = " * 60, b"'''", b"#", b"\xff\xfe", b"\xed\xa0\x80", b"\x00", b"\r", b"1/0", b"1/2", b"8,1", b"03/02/2019", b"1_000",
    b"unknown", b"\"unknown\"", b"[1, \"a\"]", b"[2019-03-02, 2019-03-02]", b"{2019 = -1}", b"{1 = 1000000}", b"a.b.c = 1", b"\xc3\xa9" * 300,
]  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """One kind of input: well-formed beginnings, how it is read, how long that may take, and the ending its file has."""

    beginnings: Callable[[], tuple[bytes, ...]]
    read: Callable[[Path], object]
    text: bool
    suffix: str


@cache
def photos() -> tuple[bytes, ...]:
    """The same small picture in each form that phones and scanners write, with EXIF, 16 bit, palette and animation."""
    import analyzer.photo.reading  # registers HEIF

    assert analyzer.photo.reading.FORMATS
    small = Image.open(ROOT / "demo_images" / "bore-contact-mark.jpg").resize((120, 90))
    exif = small.getexif()
    exif[0x0112], exif[0x010F] = 6, "Phone"
    exif.get_ifd(0x8769)[0xA405] = 26
    made = []
    for form, picture, more in (
        ("JPEG", small, {"exif": exif.tobytes(), "progressive": True}),
        ("JPEG", small.convert("CMYK"), {}),
        ("PNG", small, {"exif": exif.tobytes()}),
        ("PNG", small.convert("P"), {"transparency": 3}),
        ("PNG", small.convert("L").convert("I;16"), {}),
        ("WEBP", small, {"exif": exif.tobytes()}),
        ("TIFF", small, {"compression": "tiff_lzw"}),
        ("GIF", small.convert("P"), {"save_all": True, "append_images": [small.convert("P")]}),
        ("BMP", small, {}),
        ("HEIF", small, {}),
    ):
        out = io.BytesIO()
        picture.save(out, form, **more)
        made.append(out.getvalue())
    return tuple(made)


@cache
def packed_case() -> tuple[bytes, ...]:
    from analyzer.case.bundle import pack
    from analyzer.cli import main

    with tempfile.TemporaryDirectory() as place:
        case = str(Path(place, "case"))
        photo = Path(place, "small.jpg")
        Image.open(ROOT / "demo_images" / "bore-contact-mark.jpg").resize((650, 488)).save(photo)
        for words in (
            ["begin", case, "--name", "Alder Row"],
            ["add", case, str(photo)],
            ["say", case, "--view", "inside", "--note", "strap"],
        ):
            assert main(["case", *words]) == 0
        from analyzer.case.store import CaseStore

        store = CaseStore.open(Path(case))
        packed = pack(store, Path(place, "case.zip")).read_bytes()
        return (packed,)


def _unpacked(path: Path) -> object:
    from analyzer.case.bundle import unpack

    target = path.with_name("opened")
    try:
        return unpack(path, target)
    finally:
        shutil.rmtree(target, ignore_errors=True)


def _checked(path: Path) -> object:
    from analyzer.case.bundle import check

    return check(path, measure=False)


def _photo(path: Path) -> object:
    from analyzer.photo.metadata import without_place
    from analyzer.photo.reading import read_photo

    read_photo(path)
    return without_place(path.read_bytes(), path.name)


def _reader(module: str, name: str) -> Callable[[Path], object]:
    def read(path: Path) -> object:
        from importlib import import_module

        return getattr(import_module(module), name)(path)

    return read


KINDS: dict[str, Kind] = {
    "photo": Kind(photos, _photo, False, ".jpg"),
    "facts": Kind(lambda: (FACTS,), _reader("analyzer.house.facts", "read_facts"), True, ".toml"),
    "readings": Kind(lambda: (READINGS,), _reader("analyzer.wall.readings", "read_readings"), True, ".toml"),
    "readings table": Kind(lambda: (READINGS_CSV,), _reader("analyzer.wall.readings", "read_readings"), True, ".csv"),
    "prices": Kind(lambda: (PRICES,), _reader("analyzer.causes.repair", "read_prices"), True, ".toml"),
    "corrections": Kind(
        lambda: (CORRECTIONS,), _reader("analyzer.result.corrections", "read_corrections"), True, ".toml"
    ),
    "packed case": Kind(packed_case, _unpacked, False, ".zip"),
    "bundle": Kind(packed_case, _checked, False, ".zip"),
}


def mutated(data: bytes, chance: random.Random, *, text: bool) -> bytes:
    """One to six random damages: bytes, slices, lines, tokens, cut short."""
    out = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(out) + 1)
        what = chance.randrange(8)
        if what == 0 and out:
            out[at % len(out)] = chance.randrange(256)
        elif what == 1 and out:
            out[at % len(out)] ^= 1 << chance.randrange(8)
        elif what == 2:
            del out[at : at + chance.choice((1, 2, 8, 64, 512))]
        elif what == 3:
            out[at:at] = out[at : at + chance.choice((1, 4, 32, 256))] * chance.choice((1, 2, 20))
        elif what == 4 and chance.random() < 0.3:
            del out[at:]
        elif what == 5:
            out[at:at] = chance.choice(TOKENS)
        elif what == 6 and text:
            out = bytearray(_value_replaced(bytes(out), chance))
        elif text:
            lines = bytes(out).split(b"\n")
            chance.shuffle(lines)
            out = bytearray(b"\n".join(lines))
    return bytes(out)


def _value_replaced(data: bytes, chance: random.Random) -> bytes:
    """One value after an equals sign or a comma replaced by a token: still a well-formed file more often than not."""
    for sign in chance.sample((b"= ", b","), 2):
        parts = data.split(sign)
        if len(parts) > 1:
            n = chance.randrange(1, len(parts))
            rest = parts[n].split(b"\n" if sign == b"= " else b",", 1)
            parts[n] = chance.choice(TOKENS) + (b"\n" + rest[1] if len(rest) > 1 else b"")
            return sign.join(parts)
    return data


def findings(kind: str, seeds: range) -> Iterator[tuple[int, str]]:
    """(seed, what went wrong) for each input of this kind that was neither read nor refused by a sentence in time."""
    told = KINDS[kind]
    with tempfile.TemporaryDirectory() as place:
        path = Path(place, f"input{told.suffix}")
        for seed in seeds:
            chance = random.Random(f"{kind} {seed}")
            path.write_bytes(mutated(chance.choice(told.beginnings()), chance, text=told.text))
            begun = time.process_time()
            try:
                told.read(path)
            except CutpipeError as error:
                if "\n" in str(error) or not str(error).strip():
                    yield seed, f"no one sentence: {str(error)!r}"
            except Exception:
                yield seed, traceback.format_exc(limit=-3)
            spent = time.process_time() - begun
            if spent > (TEXT_S if told.text else FILE_S):
                yield seed, f"took {spent:.1f} s"
            left = {entry.name for entry in Path(place).iterdir()} - {path.name}
            if left:
                yield seed, f"left behind {sorted(left)}"
                for name in left:
                    shutil.rmtree(Path(place, name), ignore_errors=True)


def main() -> int:
    parser = argparse.ArgumentParser(
        description="Read mutated inputs; anything but a reading or one sentence is a finding."
    )
    parser.add_argument("--count", type=int, default=20000, help="inputs in all, shared by the kinds")
    parser.add_argument("--seed", type=int, default=0, help="the first seed")
    parser.add_argument("--kind", choices=tuple(KINDS), action="append")
    asked = parser.parse_args()
    kinds = asked.kind or list(KINDS)
    each = -(-asked.count // len(kinds))
    found: Counter[str] = Counter()
    for kind in kinds:
        for seed, what in findings(kind, range(asked.seed, asked.seed + each)):
            found[kind] += 1
            print(f"{kind}, seed {seed}: {what}", flush=True)
        print(f"{kind}: {each} inputs, {found[kind]} findings", flush=True)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
