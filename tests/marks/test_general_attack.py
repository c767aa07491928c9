"""Closely pocked metal is an outcome of its own, with its share and its roughness, and no handful of pits.

Judged by cuts of path-traced pictures of metal, whose renderer knows what is pocked (tests/data/general_attack; no piece of them was
fitted on). What pitting is against general corrosion: ISO 8044:2020, 4.1 and 4.14 (from memory): attack that proceeds over the whole
exposed surface, and local attack that leaves cavities.
"""

import tomllib
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest

from analyzer.causes.judge import judge
from analyzer.marks import general_attack, likelihood
from analyzer.marks.catalogue import PitCatalogue
from analyzer.marks.general_attack import LEAST_SHARE, find_general_attack
from analyzer.marks.pattern import OF_SINGLE_PITS, Pattern, read_pattern
from analyzer.marks.pits import find_pits
from analyzer.photo.reading import Photo, read_photo
from analyzer.piece.restrict import keep
from analyzer.piece.surface import Surface
from tests.conftest import ROOT
from tests.marks.test_bands import surface_of
from tests.marks.test_pattern import no_bands
from tests.marks.test_pits import CALIBRATION

FOLDER = ROOT / "tests" / "data" / "general_attack"
TRUTH = tomllib.loads((FOLDER / "truth.toml").read_text(encoding="utf-8"))
POCKED = [name for name, known in TRUTH.items() if known["share"]]
OTHERS = [name for name, known in TRUTH.items() if not known["share"]]


@dataclass(frozen=True)
class Seen:
    photo: Photo
    surface: Surface
    pits: PitCatalogue
    pattern: Pattern


def seen(name: str, *, scaled: bool) -> Seen:
    """What is seen on a cut as metal seen squarely all over; ``scaled``: with its millimetres a pixel."""
    photo = read_photo(FOLDER / f"{name}.jpg")
    surface = surface_of(photo, mm_per_px=TRUTH[name]["mm_per_px"] if scaled else 1.0, unit="mm" if scaled else "px")
    pits = find_pits(photo, CALIBRATION, surface)
    return Seen(photo, surface, pits, read_pattern(surface, pits, no_bands(surface)))


@pytest.fixture(scope="module")
def looks() -> dict[tuple[str, bool], Seen]:
    return {(name, scaled): seen(name, scaled=scaled) for name in TRUTH for scaled in (True, False)}


@pytest.mark.parametrize("scaled", [True, False])
@pytest.mark.parametrize("name", POCKED)
def test_pocked_metal_is_a_general_attack_with_its_share(looks, name, scaled):
    attack = looks[name, scaled].pits.attack
    assert attack is not None and attack.present
    low, high = attack.share.interval_95
    assert low <= TRUTH[name]["share"] <= high
    assert any(flag.id == "general_attack" for flag in looks[name, scaled].pits.flags)


@pytest.mark.parametrize("scaled", [True, False])
@pytest.mark.parametrize("name", OTHERS)
def test_metal_with_single_pits_or_none_is_not(looks, name, scaled):
    attack = looks[name, scaled].pits.attack
    assert attack is not None and not attack.present
    assert not any(flag.id == "general_attack" for flag in looks[name, scaled].pits.flags)


@pytest.mark.parametrize("name", POCKED)
def test_no_number_of_pits_contradicts_it(looks, name):
    """Without a scale hardly any pock is told from the next: no number at all, which is not 0. With one the number is an estimate."""
    without = looks[name, False].pits
    assert without.count is None and without.not_countable
    assert looks[name, False].pattern.quantities["general_attack_seen"] is True
    with_scale = looks[name, True].pits
    assert with_scale.count is not None and with_scale.count.value > TRUTH[name]["pits"] / 4
    for quantities in (looks[name, scaled].pattern.quantities for scaled in (True, False)):
        assert not set(OF_SINGLE_PITS) & set(quantities)
        assert quantities.get("pit_pattern_class") is None and not quantities.get("surface_even")


def test_roughness_is_the_spread_of_brightness_with_the_light_in_its_interval(looks):
    """Against numpy on the cut itself: the spread of ln brightness between 0.06 and 0.5 mm over the attacked metal."""
    name = "pocked_rusty_steel"
    here = looks[name, True]
    attack = here.pits.attack
    zoom = here.surface.mm_per_px.value / general_attack.PIXEL_MM
    grey = here.photo.rgb.astype(float) @ [0.299, 0.587, 0.114]
    size = (round(grey.shape[1] * zoom), round(grey.shape[0] * zoom))
    small = np.log((cv2.resize(grey, size, interpolation=cv2.INTER_AREA) + 8) / 263)
    fine = cv2.GaussianBlur(small, (0, 0), 0.7)
    change = fine - cv2.GaussianBlur(fine, (0, 0), 6.0)
    at = cv2.resize(attack.places(grey.shape).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    assert attack.roughness.value == pytest.approx(np.sqrt((change[at] ** 2).mean()), rel=0.1)
    assert attack.roughness.standard_uncertainty >= general_attack.LIGHT_UNCERTAINTY * attack.roughness.value
    low, high = attack.roughness.interval_95
    assert 0 < low < attack.roughness.value < high
    assert looks[name, False].pits.attack.roughness is None  # half a millimetre is not known without a scale


def test_leaving_metal_out_measures_the_share_anew(looks):
    here = looks["pocked_copper", True]
    attack, surface = here.pits.attack, here.surface
    places = attack.places(surface.metal.shape)
    rows = np.flatnonzero(places.mean(axis=1) > 0.9)
    assert rows.size > 60  # the cut has a part that is pocked all across
    left, top = surface.origin_px
    y0, y1, x1 = top + int(rows[0]), top + int(rows[-1]), left + places.shape[1]
    outline = ((left, y0), (x1, y0), (x1, y1), (left, y1))
    kept = keep(surface, [("examine_only", tuple((float(x), float(y)) for x, y in outline))])
    less = here.pits.restricted(kept)
    assert less.attack.share.value > max(attack.share.value, 0.9)
    whole = surface.area_per_px[surface.examined].sum()
    share = surface.area_per_px[surface.examined & places].sum() / whole
    assert attack.share.value == pytest.approx(share, abs=0.03)


def test_its_share_has_no_less_uncertainty_than_was_measured_and_stays_between_none_and_all(looks):
    for here in looks.values():
        share = here.pits.attack.share
        assert share.standard_uncertainty >= general_attack.SHARE_UNCERTAINTY
        assert 0 <= share.interval_95[0] <= share.value <= share.interval_95[1] <= 1


def test_without_weights_or_on_a_cut_end_nothing_is_said(looks, monkeypatch):
    here = looks["pocked_copper", False]
    assert find_general_attack(here.photo, replace(here.surface, view="end"), None) is None
    monkeypatch.setattr(likelihood, "model_record", lambda name="pit-likelihood": None)
    assert find_general_attack(here.photo, here.surface, None) is None


def test_a_scrap_too_small_for_a_window_says_nothing(looks):
    rgb = np.full((20, 20, 3), 120, np.uint8)
    here = replace(looks["even_brass", False].surface, metal=np.ones((20, 20), bool), origin_px=(0, 0))
    assert find_general_attack(replace(looks["even_brass", False].photo, rgb=rgb), here, None) is None


def test_the_pattern_without_attack_is_as_it_was(looks):
    here = looks["pits_copper", True]
    quantities = read_pattern(here.surface, here.pits, no_bands(here.surface)).quantities
    unknown = read_pattern(here.surface, replace(here.pits, attack=None), no_bands(here.surface)).quantities
    own = {"general_attack_seen", "general_attack_share"}
    assert {k: v for k, v in quantities.items() if k not in own} == dict(unknown)
    assert quantities["general_attack_seen"] is False and quantities["general_attack_share"] < LEAST_SHARE


def test_it_parts_causes_whether_seen_or_told():
    """By meaning: even dissolution leaves metal smooth, a burst leaves no pocks; steel that rusts under mounds is pocked."""
    copper = {"material": "copper", "side_attacked": "inside"}
    steel = {"material": "galvanised_steel", "side_attacked": "inside"}

    def standing(told, cause):
        return next(finding for finding in judge(told, material="copper").findings if finding.cause == cause)

    for told, cause, side in (
        (copper, "uniform_cuprosolvency", "against"),
        (copper, "freeze_burst", "against"),
        (steel, "steel_galvanised", "supports"),
    ):
        before, after = standing(told, cause), standing({**told, "general_attack_seen": True}, cause)
        said = after.facts_against if side == "against" else after.facts_for
        assert any(reason.quantity == "general_attack_seen" for reason in said), cause
        assert not any(
            reason.quantity == "general_attack_seen" for reason in (*before.facts_for, *before.facts_against)
        )
