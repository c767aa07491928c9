"""What one room measures reaches the next one whole: each check holds a figure that stands outside the code against what arrives."""

from dataclasses import replace

import numpy as np
import pytest

import analyzer.result.examination as examination
from analyzer import Settings, check_facts, conclude
from analyzer.causes.rules import causes
from analyzer.causes.score import score_of, standing_of
from analyzer.house.facts import with_coarse_words
from analyzer.relief.lights import find_relief
from analyzer.scale.calibration import Marker, find_scale
from analyzer.wall.readings import readings_from_rows
from tests.joints.test_files_tell_the_result import _look, _photo, _ring
from tests.relief.test_relief import HOLED, photograph, truth
from tests.scale_scenes import coin_seen, pose

THIN = readings_from_rows([{"kind": "thin_wall", "wall_mm": 0.4, "method": "ball micrometer"}])


@pytest.fixture(scope="module")
def seen():
    return _look()


# --- what the rules read ---


def test_measured_figures_reach_the_rules_under_their_names(seen):
    """0.4 mm left of 0.8 is a half; the widest of the three pits is 1.2 mm, the middle one 1.0."""
    quantities = conclude(seen, readings=THIN).quantities
    assert quantities["remaining_wall_share"] == pytest.approx(0.5)
    assert (quantities["largest_pit_mm"], quantities["median_pit_mm"], quantities["pit_count"]) == (1.2, 1.0, 3)
    assert quantities["contact_mark_seen"] is True and quantities["share_red_brown"] == 0.6


def test_a_key_that_the_vocabulary_lacks_stops_the_program(seen):
    odd = replace(seen, pattern=replace(seen.pattern, quantities={**seen.pattern.quantities, "largest_pitt_mm": 1.2}))
    with pytest.raises(ValueError, match="largest_pitt_mm"):
        conclude(odd)


def test_what_was_told_goes_before_what_was_measured(seen):
    pictured = replace(
        seen, pattern=replace(seen.pattern, quantities={**seen.pattern.quantities, "side_attacked": "inside"})
    )
    assert conclude(pictured).quantities["side_attacked"] == "inside"
    assert conclude(pictured, facts=check_facts({"side_attacked": "outside"})).quantities["side_attacked"] == "outside"


def test_the_higher_pressure_counts_whether_by_day_or_by_night(seen):
    """UPC 608.2: more than 80 psi (551.6 kPa) asks for a regulator; mains stand higher by night."""
    for day, night in ((500.0, 620.0), (620.0, 500.0)):
        told = check_facts({"static_pressure_kpa": day, "static_pressure_night_kpa": night, "material": "copper"})
        result = conclude(seen, facts=told, readings=THIN)
        assert result.wall.capacity.static_pressure_kpa == 620.0
        assert result.quantities["static_pressure_over_code"] is True
    alone = check_facts({"static_pressure_night_kpa": 620.0, "material": "copper"})
    assert conclude(seen, facts=alone, readings=THIN).wall.capacity.static_pressure_kpa == 620.0


def test_the_plan_knows_what_runs_through_the_pipe(seen):
    plans = [
        {step.id for step in conclude(seen, facts=facts).steps}
        for facts in (None, check_facts({"service": "gas_supply"}))
    ]
    assert "gas_leave" in plans[1] and "gas_leave" not in plans[0]


def test_beside_an_equal_rival_nothing_fits_well():
    """The rule file's own case that fits well; the same points under a name that nothing calls alike, and it only fits."""
    told = with_coarse_words(
        check_facts(
            {
                "material": "copper",
                "side_attacked": "inside",
                "service": "cold",
                "observed_pit_shape": ["hemispherical"],
                "observed_colours": ["pustule"],
                "observed_pattern": ["clustered"],
                "lab_pit_structure": "cap_membrane_chloride",
                "lab_organisms": False,
            }
        )
    )
    score = score_of(causes()["cold_pitting_type_I"], told)
    stranger = next(
        c
        for c in causes().values()
        if c.id not in (*score.cause.cannot_be_told_from, score.cause.id)
        and score.cause.id not in c.cannot_be_told_from
    )
    rival = replace(score, cause=stranger)
    lesser = replace(rival, points_for=score.points_for - 5.0)
    assert standing_of(score, photo_only=False, rivals=[score, lesser], values=told) == "fits well"
    assert standing_of(score, photo_only=False, rivals=[score, rival], values=told) == "fits"


# --- scale, ring, light ---


def test_the_disc_is_as_high_as_it_is_thick():
    """A US quarter is 24.26 mm wide and 1.75 mm thick (United States Mint); its widest place lies a little below its face."""
    rotation, translation = pose(8.0, -6.0, 0.0, 130.0)
    calibration = find_scale(coin_seen(24.26, rotation, translation).photo, Marker(kind="disc", diameter_mm=24.26))
    assert 0.85 * 1.75 <= calibration.marker_plane_height_mm <= 1.75
    assert calibration.height_uncertainty_mm > 0


def test_a_cut_end_has_the_scale_of_its_ring(seen, monkeypatch):
    """The outline of all that is seen of the piece says 0.098 mm a pixel, the ring 0.1: areas grow by the square, 200 mm2 to 208.25."""
    from analyzer.base.measured import Measure

    end = replace(seen.surface, view="end", mm_per_px=Measure(value=0.098))
    for name, result in (
        ("find_scale", seen.calibration), ("what_is_shown", seen.shown), ("find_surface", end), ("find_pits", seen.pits),
        ("find_bands", seen.bands), ("measure_ring", _ring()), ("_pattern_of", seen.pattern), ("_quality_of", ()),
    ):  # fmt: skip
        monkeypatch.setattr(examination, name, lambda *_, _result=result, **__: _result)
    made = examination.look(_photo("main", "ring.jpg"), settings=Settings(view="end"))
    assert made.surface.mm_per_px.value == 0.1
    assert made.surface.seen_area.value == pytest.approx(200 * (0.1 / 0.098) ** 2)
    assert conclude(made).standing_surface.mm_per_px.value == 0.1


def test_a_gleam_among_other_light_is_no_hole():
    """Light through a hole is alone in the dark; a bright spot amid a dim sheen is a gleam of the background on the metal."""
    calibration, surface, pits = truth(HOLED)
    labels = pits.labels.copy()
    labels[labels == 3] = 0
    without = replace(pits, pits=pits.pits[:2] + pits.pits[3:], labels=labels)
    dark = photograph(HOLED, behind=True)
    (hole,) = find_relief(photograph(HOLED), calibration, surface, without, backlit=dark).holes
    rgb = dark.rgb.copy()
    rows, columns = np.ogrid[: rgb.shape[0], : rgb.shape[1]]
    sheen = np.hypot(columns - hole.x_px, rows - hole.y_px) < 40
    rgb[sheen] = np.maximum(rgb[sheen], SHEEN)
    rgb.setflags(write=False)
    assert find_relief(photograph(HOLED), calibration, surface, without, backlit=replace(dark, rgb=rgb)).holes == ()


SHEEN = 60  # of 255: 4.5 % of full light (sRGB, IEC 61966-2-1), below what counts as a spot of its own
