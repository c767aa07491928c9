"""Gauge and caliper readings: what is read, and what is refused with one sentence."""

import math

import pytest

from analyzer.base.flags import InputError
from analyzer.wall.readings import METHODS, read_readings, readings_from_rows

TOML = """
unit = "in"
method = "Needle  micrometer"
resolution = 0.0005
[[pit]]
id = 3
depth = 0.016
[[pit]]
x_px = 1200
y_px = 810.5
depth = 0.011
[[sound_wall]]
wall = 0.027
method = "caliper"
"""


def test_toml_in_inches(tmp_path):
    path = tmp_path / "readings.toml"
    path.write_text(TOML)
    readings = read_readings(path)
    first, second = readings.of("pit")
    assert first.pit == 3 and first.depth_mm == pytest.approx(0.4064) and first.method == "needle micrometer"
    assert (second.x_px, second.y_px) == (1200, 810.5)
    assert readings.of("sound_wall")[0].wall_mm == pytest.approx(0.6858)
    # resolution 0.0127 mm, uniform: one by root twelve (GUM, JCGM 100:2008, 4.3.7); the repeatability adds in quadrature
    resolution = 0.0127 / math.sqrt(12)
    assert first.measure.standard_uncertainty == pytest.approx(
        math.hypot(resolution, METHODS["needle micrometer"].repeat_mm)
    )


def test_csv_says_the_same(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(
        "kind,id,x_px,y_px,depth,wall,resolution,unit,method\n"
        "pit,3,,,0.016,,0.0005,in,needle micrometer\npit,,1200,810.5,0.011,,0.0005,in,needle micrometer\n"
        "sound_wall,,,,,0.027,0.0005,in,caliper\n"
    )
    toml = tmp_path / "readings.toml"
    toml.write_text(TOML)
    assert read_readings(path) == read_readings(toml)
    path.write_text("kind;id;depth_mm\npit;1;0,42\n")
    assert read_readings(path).readings[0].depth_mm == 0.42


BAD = [
    ({"kind": "pit", "id": 1, "depth": -0.2}, "cannot be"),
    ({"kind": "pit", "id": 1, "depth": math.nan}, "not a number"),
    ({"kind": "pit", "id": 1, "depth": "deep"}, "not a number"),
    ({"kind": "pit", "id": 1, "depth": True}, "not a number"),
    ({"kind": "pit", "id": 1, "depth": 0.02}, 'unit = "in"'),  # 0.02 in typed as millimetres
    ({"kind": "pit", "id": 1, "depth": 420}, "more than any"),
    ({"kind": "pit", "id": 1, "depth": 0.4, "unit": "cm"}, "unit"),
    ({"kind": "pit", "id": 1, "depth_mm": 0.4, "unit": "in"}, "depth_mm"),
    ({"kind": "pit", "id": 1, "depth_mm": 0.4, "depth": 0.4}, "keep one"),
    ({"kind": "pit", "depth": 0.4}, "which pit"),
    ({"kind": "pit", "x_px": 3, "depth": 0.4}, "both"),
    ({"kind": "pit", "id": "left one", "depth": 0.4}, "number in the report"),
    ({"kind": "pit", "id": 1}, "no depth"),
    ({"kind": "pit", "id": 1, "wall": 0.4}, "has a wall"),
    ({"kind": "hole", "id": 1, "depth": 0.4}, "kind"),
    ({"kind": "pit", "id": 1, "depth": 0.4, "resolution": 0}, "resolution"),
    ({"kind": "pit", "id": 1, "depth": 0.4, "deepness": 2}, "deepness"),
    ({"kind": "sound_wall", "wall": 0.0}, "cannot be"),
]


@pytest.mark.parametrize(("row", "words"), BAD)
def test_what_cannot_be_right_gets_one_sentence(row, words):
    with pytest.raises(InputError) as caught:
        readings_from_rows([row])
    sentence = str(caught.value)
    assert words in sentence and sentence.endswith(".") and "\n" not in sentence


def test_all_tiny_looks_like_inches_unless_confirmed():
    rows = [{"kind": "pit", "id": k, "depth": depth} for k, depth in ((1, 0.051), (2, 0.06))]
    with pytest.raises(InputError, match="looks like inches"):
        readings_from_rows(rows)
    assert len(readings_from_rows([{**row, "confirmed": True} for row in rows]).readings) == 2
    assert len(readings_from_rows([*rows, {"kind": "pit", "id": 3, "depth": 0.4}]).readings) == 3
    assert readings_from_rows([{"kind": "pit", "id": 1, "depth": 0.02, "confirmed": True}]).readings[0].depth_mm == 0.02


def test_unknown_method_is_flagged_not_refused():
    readings = readings_from_rows([{"kind": "pit", "id": 1, "depth": 0.4, "method": "a bent pin"}])
    assert [flag.id for flag in readings.flags] == ["reading_method_unknown"]


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"[[pit]\nid=1", b"[[tooth]]\nid=1", b"pit = 3"])
def test_files_that_are_not_readings(tmp_path, content):
    path = tmp_path / "readings.toml"
    path.write_bytes(content)
    with pytest.raises(InputError):
        read_readings(path)
    with pytest.raises(InputError, match="no file"):
        read_readings(tmp_path / "none.toml")
    path = tmp_path / "empty.csv"
    path.write_text("\n")
    with pytest.raises(InputError, match="no readings"):
        read_readings(path)
