"""The one call: what each stage hands to the next. The pictures are the demo's; the stages themselves are checked beside their modules."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType, SimpleNamespace

import pytest

import analyzer.result.examination as room
from analyzer import Marker, Settings, check_facts
from analyzer.base.measured import Measure
from analyzer.photo.reading import read_photo
from analyzer.relief.lights import Aligned, Hole, Light, Relief
from analyzer.result.record import as_dict
from tests.conftest import ROOT

BORE = ROOT / "demo_images/bore-contact-mark.jpg"
SAID = Settings(view="inside", tube="3/4", marker=Marker(kind="ruler"))


@pytest.fixture(scope="module")
def seen(demo_examination):
    """Looked at with ``SAID``, once for all tests."""
    return demo_examination.look


def test_photos_that_carry_a_pit_are_named_by_their_place_among_all_photos(seen, monkeypatch):
    """Of main photo, light from behind and two torches, the second torch is photo 3 of the file's list and the light from behind none."""
    for name, result in (
        ("find_scale", seen.calibration), ("find_surface", seen.surface), ("find_bands", seen.bands), ("find_relief", Relief()),
    ):  # fmt: skip
        monkeypatch.setattr(room, name, lambda *_, _result=result, **__: _result)
    photo = read_photo(BORE)
    aligned = Aligned(pictures=(photo.rgb, photo.rgb[:, ::-1]), flags=())
    monkeypatch.setattr(room, "align", lambda *_, **__: aligned)
    given = {}

    def pits(*_, others, **__):
        given["others"] = others
        first, second = seen.pits.pits[:2]
        return replace(seen.pits, pits=(replace(first, carried_by=(0, 2)), replace(second, carried_by=(1,))))

    monkeypatch.setattr(room, "find_pits", pits)
    lights = [Light(photo=replace(photo, role="light"), azimuth_deg=a, elevation_deg=30.0) for a in (0.0, 120.0)]
    result = room.examine([photo, replace(photo, role="backlit")], settings=SAID, lights=lights)
    assert given["others"] is aligned.pictures
    record = as_dict(result)
    assert [pit["carried_by"] for pit in record["pits"]] == [[0, 3], [2]]
    assert [record["photos"][k]["role"] for k in (0, 2, 3)] == ["main", "light", "light"]


def test_light_from_behind_reaches_pits_pattern_wall_and_record(seen, monkeypatch):
    first, second = seen.pits.pits[:2]
    relief = Relief(
        through=MappingProxyType({first.id: True, second.id: False}),
        holes=(Hole(x_px=10.0, y_px=20.0, axial_mm=1.0, around_mm=-2.0),),
    )
    for name, result in (
        ("find_scale", seen.calibration), ("find_surface", seen.surface), ("find_pits", seen.pits), ("find_bands", seen.bands), ("find_relief", relief),
    ):  # fmt: skip
        monkeypatch.setattr(room, name, lambda *_, _result=result, **__: _result)
    photo = read_photo(BORE)
    lit = room.look([photo, replace(photo, role="backlit")], settings=SAID)
    assert [pit.through for pit in lit.pits.pits[:3]] == [True, False, None]
    assert lit.pattern.quantities["through_hole_count"] == 2  # the pit and the place without one
    result = room.conclude(lit)
    assert result.wall.perforated is True and result.quantities["through_hole_count"] == 2
    made = as_dict(result)
    assert [pit["through"] for pit in made["pits"][:3]] == [True, False, None]
    assert made["wall"]["light_without_pit"] == [{"x_px": 10.0, "y_px": 20.0, "axial_mm": 1.0, "around_mm": -2.0}]
    assert as_dict(room.conclude(seen))["wall"]["light_without_pit"] == []


def test_a_tube_told_in_two_ways_is_said_and_the_photos_is_used(seen):
    twice = room.conclude(seen, facts=check_facts({"tube_size": "1/2", "static_pressure_kpa": 400.0}))
    assert "told_twice" in {flag.id for flag in twice.flags} and twice.facts["tube_size"] == "3/4"
    once = room.conclude(seen, facts=check_facts({"tube_size": "3/4"}))
    assert "told_twice" not in {flag.id for flag in once.flags}


def test_the_tubes_metal_is_a_fact(seen):
    from analyzer.house.tables import read_tube

    steel = room.conclude(replace(seen, tube=read_tube("3/4 galvanised")))
    assert steel.facts["material"] == "galvanised_steel"
    assert "material" not in room.conclude(seen).facts  # copper is only taken where nothing is said


def test_a_ring_photo_without_scale_is_said(seen, monkeypatch):
    asked = []

    def scale(photo, marker):
        asked.append(marker)
        return replace(seen.calibration, flags=())

    ring = SimpleNamespace(minimum_mm=None)
    monkeypatch.setattr(room, "find_scale", scale)
    monkeypatch.setattr(room, "find_surface", lambda *_, **__: replace(seen.surface, flags=()))
    monkeypatch.setattr(room, "measure_ring", lambda *_: ring)
    photo = read_photo(BORE)
    measured, flags = room._ring_of(photo, Marker(kind="disc", diameter_mm=24.26), None)
    assert measured is ring and [flag.id for flag in flags] == ["ring_without_scale"]
    assert asked == [Marker(kind="auto", diameter_mm=24.26)]  # the same coin lies beside the ring
    known = SimpleNamespace(minimum_mm=Measure(value=0.5))
    monkeypatch.setattr(room, "measure_ring", lambda *_: known)
    assert room._ring_of(photo, Marker(), None) == (known, ())
