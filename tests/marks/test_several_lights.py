"""Pits looked for on several photos of one pose: what all say together, which of them shows a pit by itself, the tables' own weights.

That the mean over the lights finds more is judged on rendered pieces with exact truth (``analyzer.training.lights_calibration``, and
``python -m tests.accuracy FOLDER --lights 3``); here the way of it is held with likelihoods of known value.
"""

import numpy as np
import pytest

from analyzer.marks import candidates, likelihood
from analyzer.marks.pits import find_pits
from tests.marks.test_pits import CALIBRATION, flat, grey_photo

OTHER = 60  # grey of the second photo; the first is 120
PLACES = {"both": (5.0, 5.0, 5.0, 3.0), "first": (15.0, 5.0, 6.0, -1.0), "chance": (5.0, 15.0, 4.0, -9.0)}


@pytest.fixture
def told(monkeypatch):
    """A likelihood in the network's place: discs of 1.6 mm with the logits of PLACES in the first photo and in the others."""
    surface = flat(0.05)

    def logits(picture, metal, name=likelihood.MODEL):
        first = picture.mean() > 90
        y, x = np.indices(metal.shape)
        rows, columns = np.nonzero(metal)
        answer = np.full(metal.shape, -12.0, np.float32)
        for axial, around, one, other in PLACES.values():
            far = np.hypot(x - columns.min() - axial / 0.05, y - rows.min() - around / 0.05)
            answer[far < 16] = one if first else other
        return np.stack([answer, np.full_like(answer, -12.0), answer - 1])

    monkeypatch.setattr(likelihood, "learned_logits", logits)
    return surface, grey_photo(surface)


def at(found, place: str) -> int:
    axial, around = PLACES[place][:2]
    return int(np.hypot(found.values["axial"] - axial, found.values["around"] - around).argmin())


def test_the_evidence_of_several_photos_is_their_mean(told):
    surface, photo = told
    found = candidates.candidates(photo.rgb, surface, 0.05, others=[np.full_like(photo.rgb, OTHER)])
    for place in ("both", "first", "chance"):
        _, _, one, other = PLACES[place]
        k = at(found, place)
        assert found.values["summit"][k] == pytest.approx((one + other) / 2, abs=1e-4)
        assert found.alone[:, k] == pytest.approx([one, other], abs=1e-4)


def test_the_same_photo_twice_says_what_it_says_once(told):
    surface, photo = told
    once = candidates.candidates(photo.rgb, surface, 0.05)
    twice = candidates.candidates(photo.rgb, surface, 0.05, others=[photo.rgb])
    assert np.array_equal(once.labels, twice.labels)
    for name, values in once.values.items():
        assert twice.values[name] == pytest.approx(values, abs=1e-4), name


def test_a_mark_of_one_light_alone_is_no_pit_and_every_pit_tells_its_photos(told):
    surface, photo = told
    alone = find_pits(photo, CALIBRATION, surface)
    together = find_pits(photo, CALIBRATION, surface, others=[np.full_like(photo.rgb, OTHER)])
    carried = {(round(pit.axial_mm), round(pit.around_mm)): pit.carried_by for pit in together.pits}
    assert {(round(p.axial_mm), round(p.around_mm)) for p in alone.pits} == {(5, 5), (15, 5), (5, 15)}
    assert all(pit.carried_by == (0,) for pit in alone.pits)
    assert carried == {(5, 5): (0, 1), (15, 5): (0,)}
    assert [flag.id for flag in together.flags if flag.id == "pits_by_lights"] == ["pits_by_lights"]
    assert not [flag for flag in alone.flags if flag.id == "pits_by_lights"]


def test_photos_of_different_size_are_refused(told):
    surface, photo = told
    with pytest.raises(ValueError, match="one shape"):
        candidates.candidates(photo.rgb, surface, 0.05, others=[photo.rgb[:-1]])


def test_the_tables_belong_to_the_weights_and_serve_no_others(told, monkeypatch):
    assert likelihood.lights_record(2) is not None
    assert likelihood.lights_record(3) == likelihood.lights_record(6) != likelihood.lights_record(2)
    assert likelihood.lights_record(1) is None
    record = {**likelihood.model_record(), "version": "other"}
    likelihood.lights_record.cache_clear()
    monkeypatch.setattr(likelihood, "model_record", lambda name=likelihood.MODEL: record)
    surface, photo = told
    try:
        looked = find_pits(photo, CALIBRATION, surface, others=[np.full_like(photo.rgb, OTHER)])
    finally:
        likelihood.lights_record.cache_clear()
    assert [pit.carried_by for pit in looked.pits] == [(0,)] * 3
    assert not [flag for flag in looked.flags if flag.id == "pits_by_lights"]
