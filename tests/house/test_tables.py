"""Tube dimensions against ASTM B88 and the words that people type for a tube."""

import doctest

import pytest

from analyzer.base.flags import InputError
from analyzer.house import tables
from analyzer.house.tables import b88, read_tube, rows, types_of


def test_docstrings_hold():
    assert doctest.testmod(tables).failed == 0


def test_sizes_to_choose_from_are_those_of_astm_b88_from_small_to_large():
    """ASTM B88 nominal sizes, outside diameter 1/8 in more: 1/4 in is 3/8 in wide, 2 in is 2 1/8 in = 53.98 mm; type M begins at 3/8."""
    offered = tables.sizes_and_types()
    sizes = [label for label in offered if not label.endswith((" K", " L", " M"))]
    assert sizes == ["1/4", "3/8", "1/2", "5/8", "3/4", "1", "1-1/4", "1-1/2", "2"]
    assert "1/2 M" in offered and "1/4 M" not in offered and offered[0] == "1/4"


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("1/2 M", "1/2 M"), ("1/2m", "1/2 M"), ('1/2" Type L', "1/2 L"), ("½ in. type k", "1/2 K"), ("M 3/4", "3/4 M"),
        ("3/4", "3/4"), ("  1 ", "1"), ("1 1/4 L", "1-1/4 L"), ("1-1/4L", "1-1/4 L"), ("1½″ M", "1-1/2 M"), ("0.75 M", "3/4 M"),
        (".5 copper tube type M", "1/2 M"), ("half", None), ("15.9x0.7", "15.9 x 0.7 mm"), ("15.9 x 0.7 mm", "15.9 x 0.7 mm"),
        ("22,2 × 1,1 mm", "22.2 x 1.1 mm"), ("0.625 x 0.028 in", "15.875 x 0.7112 mm"), ("3/4 galvanized steel", "3/4 galvanised steel Sch 40"),
        ("3/4 galvanised sch 80", "3/4 galvanised steel Sch 80"), ("1/2 red brass", "1/2 brass"),
    ],
)  # fmt: skip
def test_tubes_as_people_type_them(text, label):
    if label is None:
        with pytest.raises(InputError, match="such as"):
            read_tube(text)
    else:
        assert read_tube(text).label == label


@pytest.mark.parametrize(
    "text",
    ["", "7/8 M", "1/2 N", "5 M", "K 1/2 M", "0.7x15.9", "15.9x9", "15.9x0", "0.625x0.028", "15.9 mm x 0.028 in", "9 brass", "nan x nan", "-1/2 M", "1/4 M", "1/2 copper M L"],
)  # fmt: skip
def test_what_is_no_tube_gets_one_sentence_with_a_way_out(text):
    with pytest.raises(InputError) as caught:
        read_tube(text)
    sentence = str(caught.value)
    assert sentence.endswith(".") and "\n" not in sentence and ("such as" in sentence or "one unit" in sentence)


# ASTM B88 Table 1 (keys ETB_B88, CDA_142f, HI_EDB of data/tube/README.md): outside diameter, wall K, L, M in inch.
B88 = {
    "3/8": (0.500, 0.049, 0.035, 0.025), "1/2": (0.625, 0.049, 0.040, 0.028), "3/4": (0.875, 0.065, 0.045, 0.032),
    "1": (1.125, 0.065, 0.050, 0.035), "1-1/4": (1.375, 0.065, 0.055, 0.042), "1-1/2": (1.625, 0.072, 0.060, 0.049),
    "2": (2.125, 0.083, 0.070, 0.058), "4": (4.125, 0.134, 0.110, 0.095),
}  # fmt: skip


@pytest.mark.parametrize("size", B88)
def test_b88_dimensions(size):
    diameter, *walls = B88[size]
    for type, wall in zip("KLM", walls, strict=True):
        tube = read_tube(f"{size} {type}")
        assert tube.outside_diameter_mm == pytest.approx(diameter * 25.4, abs=1e-9)
        assert tube.wall_mm == pytest.approx(wall * 25.4, abs=1e-9)
        # the standard's tolerance lies between 7 and 12 % of the wall (1/4 and 3/8 K to 1 M)
        assert 0.07 < tube.wall_tolerance_mm / tube.wall_mm < 0.12


def test_outside_diameter_less_two_walls_is_the_printed_bore():
    for row in rows("copper_tube_b88"):
        if row["spec"] == "ASTM B88":
            tube = b88(row["nominal_size"], row["type"])
            assert tube.outside_diameter_mm - 2 * tube.wall_mm == pytest.approx(
                float(row["id_in"]) * 25.4, abs=0.0005 * 25.4
            )


def test_size_alone_spans_the_types():
    tube = read_tube("1/2")
    assert tube.wall_mm is None and tube.type is None
    assert tube.wall_range_mm == (pytest.approx(0.028 * 25.4), pytest.approx(0.049 * 25.4))
    assert [t.type for t in types_of("1/4")] == ["K", "L"]  # type M is not made in 1/4


def test_steel_schedule_40():
    # ASME B36.10: 3/4 Sch 40 is 1.050 in outside, 0.113 in wall; mill tolerance minus 12.5 % (ASTM A53)
    tube = read_tube("3/4 galvanised steel")
    assert (tube.outside_diameter_mm, tube.wall_mm) == (pytest.approx(26.67), pytest.approx(2.8702))
    assert tube.wall_tolerance_mm == pytest.approx(0.125 * tube.wall_mm)


def test_a_typed_size_carries_its_rounding_and_is_matched_to_a_trade_size():
    tube = read_tube("15.9x0.7")
    assert tube.size == "1/2" and tube.type is None
    assert tube.outside_diameter_tolerance_mm == pytest.approx(0.05)
    assert read_tube("18x1").size is None


def test_every_row_names_its_source():
    for name in (
        "copper_tube_b88",
        "copper_tube_pressure",
        "joint_pressure",
        "limits",
        "other_pipe",
        "pit_depth_by_age",
    ):
        for row in rows(name):
            assert row["source"] and row["status"] in ("read", "memory")
    with pytest.raises(KeyError):
        rows("no such table")


def test_limit_by_name():
    assert tables.limit("thermal expansion", "expansion tank")["document"] == "UPC 608.2"
    with pytest.raises(KeyError):
        tables.limit("pressure", "static pressure limit")  # three codes carry it
