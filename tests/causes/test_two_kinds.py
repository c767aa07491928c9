"""Evidence of damage and circumstance: what a house would allow is not what happened."""

import pytest

from analyzer.causes.evidence import is_damage
from analyzer.causes.judge import judge
from analyzer.causes.rules import causes
from analyzer.house.derived import derive
from analyzer.house.facts import check_facts, quantities, with_coarse_words

# Circumstances only: no word about the damage. Made up, each from how the literature describes where a cause is at home.
CIRCUMSTANCES = {
    "hard ground water, cold": dict(service="cold", water_source="utility_ground", water_hardness_mg_per_l_caco3=320.0, water_ph=7.3),
    "soft water of high pH": dict(service="cold", water_ph=8.8, water_alkalinity_mg_per_l_caco3=20.0, water_hardness_mg_per_l_caco3=25.0, neighbours_affected=True),
    "acid well": dict(service="cold", water_source="private_well", water_ph=6.0, water_alkalinity_mg_per_l_caco3=20.0, water_co2_mg_per_l=40.0),
    "recirculated below an elbow": dict(service="recirculated", positions=["downstream_of_elbow"], fitting_upstream="elbow", distance_from_fitting_upstream_mm=30.0, recirculation_pump=True, unreamed_ends=True, service_temperature_c=58.0),
    "brass fitting, hot": dict(material="brass", component="fitting", service="hot", service_temperature_c=60.0, water_chloride_mg_per_l=80.0, water_alkalinity_mg_per_l_caco3=40.0),
    "hot, soft, sulfate": dict(service="hot", failed_side="only_hot", service_temperature_c=65.0, water_ph=7.0, water_sulfate_mg_per_l=80.0, water_hardness_mg_per_l_caco3=50.0),
    "wet clay round it": dict(side_attacked="outside", surroundings_wet=True, surroundings=["clay_soil"], positions=["buried"], salt_source=True),
    "wet strap of steel": dict(side_attacked="outside", contacts=["strap"], contact_metal="galvanised_steel", sleeve_between=False, surroundings_wet=True),
    "direct current near": dict(side_attacked="outside", dc_source_near=True, dc_current_ma=60.0, insulating_gap_near=True, surroundings_wet=True),
    "dead leg with deposit water": dict(service="cold", run="dead_leg", stagnation=True, months_idle_before_use=4.0, grit_in_water=True, water_iron_mg_per_l=1.0),
    "frost in an outside wall": dict(positions=["outside_wall"], freeze_exposure=True, service="cold"),
    "hammer and high pressure": dict(hammer_noise=True, static_pressure_kpa=900.0, prv_fitted=False, positions=["through_joist"], free_to_move=False),
}  # fmt: skip
ONE_PINHOLE = {
    "nothing else": dict(),
    "inside, cold": dict(side_attacked="inside", service="cold"),
    "inside, hot": dict(side_attacked="inside", service="hot"),
    "inside, recirculated": dict(side_attacked="inside", service="recirculated"),
    "damp lagging, side unknown": dict(surroundings=["damp_insulation"], surroundings_wet=True, positions=["insulation"]),
    "outside, buried": dict(side_attacked="outside", positions=["buried"]),
}  # fmt: skip


def judged(**told):
    known = with_coarse_words(check_facts({"material": "copper", **told}))
    return judge({**derive(known)[0], **known})


@pytest.mark.parametrize("told", CIRCUMSTANCES.values(), ids=CIRCUMSTANCES)
def test_circumstances_alone_make_nothing_fit(told):
    verdict = judged(**told)
    assert not {f.standing for f in verdict.findings} & {"fits", "fits well"}
    assert any(f.standing == "possible" for f in verdict.findings)
    assert "would allow" in verdict.summary and "fits" not in verdict.summary


@pytest.mark.parametrize("told", ONE_PINHOLE.values(), ids=ONE_PINHOLE)
def test_one_undescribed_pinhole_has_no_single_winner(told):
    verdict = judged(observed_pit_shape=["pinhole"], **told)
    fitting = [f for f in verdict.findings if f.standing in ("fits", "fits well")]
    assert not any(f.standing == "fits well" for f in fitting) and len(fitting) != 1
    assert "main" not in {f.role for f in verdict.findings}


def test_a_form_that_separates_lifts_the_same_circumstances_to_a_fit():
    """The gate opens: the same loop with horseshoe pits fits erosion."""
    told = CIRCUMSTANCES["recirculated below an elbow"]
    verdict = judged(**told, side_attacked="inside", observed_pit_shape=["undercut_horseshoe"])
    assert verdict.findings[0].cause == "erosion_corrosion" and verdict.findings[0].standing in ("fits", "fits well")


@pytest.mark.parametrize("milliampere, supports", [(1.0, False), (19.0, False), (25.0, True)])
def test_a_clamps_zero_drift_is_no_direct_current(milliampere, supports):
    """Clamp meters for direct current drift by some mA to tens of mA (makers' data sheets, from memory)."""
    found = {f.cause: f for f in judged(dc_current_ma=milliampere, side_attacked="outside").findings}["stray_current"]
    said = [r.sentence for r in found.facts_for if r.quantity == "dc_current_ma"]
    assert bool(said) is supports
    assert not any(r.weight == "decisive" for r in found.facts_for)


def test_two_sentences_of_one_observation_count_once():
    photo = {"pit_pattern_class": "localised_contact"}
    mark = {"contact_mark_seen": True, "contact_mark_pit_enrichment": 3.0}
    base = {"material": "copper", "side_attacked": "outside", "surroundings_wet": True, "contacts": ("strap",)}

    def of(**more):
        return {f.cause: f.standing for f in judge({**base, **more}).findings}["galvanic_contact"]

    assert of(**mark) == of(**mark, **photo)


def test_a_picture_alone_never_lifts_a_cause_to_a_fit():
    seen = {
        "pit_count": 20.0, "pit_pattern_class": "bottom_line", "pits_lined_bottom": True, "side_attacked": "inside",
        "water_line_seen": True, "pits_in_water_line_share": 0.9, "share_rust": 0.7, "mound_count": 9.0,
    }  # fmt: skip
    verdict = judge(seen)
    assert not {f.standing for f in verdict.findings} & {"fits", "fits well"}
    assert "fits" not in verdict.summary


@pytest.mark.parametrize("cause", ["cold_pitting_type_I", "hot_pitting_type_II"])
def test_hot_or_cold_must_be_told(cause):
    shape = {"cold_pitting_type_I": "hemispherical", "hot_pitting_type_II": "many_fine_perforations"}[cause]
    told = dict(side_attacked="inside", observed_pit_shape=[shape], observed_colours=["green_mound", "black_film"], observed_pattern=["random"])  # fmt: skip
    known = {f.cause: f.standing for f in judged(**told).findings}
    assert known[cause] not in ("fits", "fits well")


def test_no_single_answer_counts_under_two_heads():
    """Whatever one answer says, it is one reason: for each cause, for it or against it, under one topic."""
    doubled = []
    for quantity in quantities().values():
        if not quantity.told:
            continue
        for answer in answers_to(quantity):
            known = with_coarse_words({quantity.id: answer})
            for cause in causes().values():
                for items in (cause.supports, cause.contradicts):
                    topics = {item.about for item in items if item.holds(known)}
                    if len(topics) > 1:
                        doubled.append((quantity.id, answer, cause.id, topics))
    assert doubled == []


def answers_to(quantity):
    if quantity.kind == "flag":
        return [True, False]
    if quantity.kind == "choice":
        return [(word,) if quantity.multiple else word for word in quantity.choices]
    marks = {
        condition.value
        for cause in causes().values()
        for item in (*cause.supports, *cause.contradicts)
        for condition in item.when
        if condition.quantity == quantity.id
    }
    return sorted({mark + step for mark in marks for step in (-0.001, 0.0, 0.001)}) if quantity.kind == "number" else []


def test_a_fine_word_and_its_coarse_one_are_said_once():
    found = {f.cause: f for f in judged(material="brass", observed_pit_shape=["crack"]).findings}["SCC_ammonia"]
    assert len([r for r in found.facts_for if "crack" in r.sentence.lower()]) == 1


def test_while_nothing_fits_no_laboratory_leads_and_damage_is_asked_first():
    """Circumstance lets nothing fit, so what is seen on the piece is asked before more of it."""
    for told in (
        {},
        {"run": "dead_leg"},
        dict(water_ph=6.4, water_copper_mg_per_l=1.8, observed_pit_shape=["pinhole"]),
    ):
        checks = judged(**told).checks
        efforts = [c.effort for c in checks]
        assert efforts[0] != "laboratory" and is_damage(checks[0].quantity)
        dear = [place for place, effort in enumerate(efforts) if effort == "laboratory"]
        assert dear == list(range(len(efforts) - len(dear), len(efforts)))
