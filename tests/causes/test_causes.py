"""The rules: validated at load, their worked cases, three-valued judging, and the physics that people get wrong."""

from __future__ import annotations

from importlib import resources

import pytest

from analyzer.causes import rules
from analyzer.causes.checks import _answers
from analyzer.causes.judge import judge
from analyzer.causes.rules import STANDINGS, causes, read_cause, rules_table
from analyzer.causes.score import all_scores, net_where, score_of
from analyzer.house.facts import check_facts, quantities, with_coarse_words
from tests.published_cases import causes_map

# The catalogue of causes that the project works to: 21 ids, and those of our own.
CATALOGUE = {
    "erosion_corrosion", "cold_pitting_type_I", "hot_pitting_type_II", "soft_high_pH_pitting_type_III", "flux_pitting",
    "uniform_cuprosolvency", "galvanic_contact", "stray_current", "velocity_pressure_hammer", "MIC",
    "under_deposit_waterline", "chlorine_chloramine", "sulfide_attack", "external_soil_concrete", "formicary",
    "SCC_ammonia", "fatigue_fretting", "freeze_burst", "manufacture_carbon_film", "dezincification", "steel_galvanised",
}  # fmt: skip
OURS = {
    "mechanical_damage", "joint_defect", "stainless_pitting", "stainless_cracking", "heating_oxygen", "cast_iron_graphitisation",
    "lead_creep", "outside_chemical", "seal_or_foreign_matter", "cavitation", "over_pressure_burst", "wrong_part", "plastic_pipe_insert",
    "metal_sound",
}  # fmt: skip


def standing(cause_id, told, material="unknown"):
    return {f.cause: f for f in judge(told, material=material).findings}[cause_id]


def facts(**told):
    return with_coarse_words(check_facts(told))


def test_whole_catalogue_is_there():
    assert set(causes()) == CATALOGUE | OURS


@pytest.mark.parametrize(
    ("cause_id", "number"), [(cause.id, n) for cause in causes().values() for n in range(len(cause.cases))]
)
def test_worked_case(cause_id, number):
    """Each rule file's three worked cases: it fires, it is contradicted, it is not known."""
    case = causes()[cause_id].cases[number]
    told = {name: list(value) if isinstance(value, tuple) else value for name, value in case.told.items()}
    derived = {name: value for name, value in told.items() if not quantities()[name].told}
    known = {**facts(**{n: v for n, v in told.items() if n not in derived}), **derived}
    assert standing(cause_id, known).standing in case.standing


def test_every_topic_of_a_rule_can_be_asked_or_measured():
    for cause in causes().values():
        for item in (*cause.supports, *cause.contradicts):
            for condition in item.when:
                assert quantities()[condition.quantity].how


def test_every_verdict_word_and_pattern_maps_to_causes():
    mapped = [cause for ids in causes_map()["verdicts"].values() for cause in ids]
    assert sorted(mapped) == sorted(causes()), "each cause has exactly one verdict word"
    for pattern in causes_map()["patterns"].values():
        assert set(pattern["inside"]) | set(pattern["outside"]) <= set(causes())
    assert set(causes_map()["patterns"]) == set(quantities()["pit_pattern_class"].choices)


# ---------------------------------------------------------------- reading rule files


def _file(name):
    return resources.files("analyzer").joinpath(f"data/rules/{name}.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ('quantity = "side_attacked"', 'quantity = "side_attackd"', "supports[0].when[0]: no quantity 'side_attackd'"),
        ('value = "inside"', 'value = "within"', "supports[0].when[0]: side_attacked knows no 'within'"),
        ('weight = "moderate"', 'weight = "medium"', "supports[0].weight"),
        ('unit = "m/s"', 'unit = "ft/s"', None),
        ('source = "physics"', 'source = "hearsay"', "supports[0]: no source 'hearsay'"),
        ('name = "fires"', 'name = "burns"', "cases[0].name"),
        ('family = "flow"', 'famly = "flow"', "famly"),
        ('unit = "year"', 'unit = "month"', None),
        ('op = "=="', 'op = "is"', "supports[0].when[0].op"),
    ],
)
def test_a_wrong_rule_file_is_refused_with_its_path(old, new, path):
    text = _file("erosion_corrosion")
    if path is None:
        old, new, path = (
            'op = "<=", value = 150.0, unit = "mm"',
            f'op = "<=", value = 150.0, {new}',
            "is in 'mm', not in",
        )
    assert old in text
    with pytest.raises(ValueError, match="data/rules/erosion_corrosion.toml: ") as caught:
        read_cause(text.replace(old, new, 1), name="erosion_corrosion.toml")
    assert path in str(caught.value)


# ---------------------------------------------------------------- three-valued judging


def test_nothing_known_tells_nothing():
    judgement = judge({}, material="unknown")
    assert {f.standing for f in judgement.findings} == {"can't tell"}
    assert not judgement.not_explained
    assert "Too little is known" in judgement.summary


def test_an_unknown_fact_neither_supports_nor_contradicts():
    """Leaving a fact out never leaves its sentence in; a value of None counts as left out."""
    told = facts(side_attacked="inside", service="hot", observed_pit_shape=["undercut_horseshoe"])
    judgement = judge(told, material="unknown")
    assert judgement == judge({**told, "water_ph": None, "stagnation": None}, material="unknown")
    for finding in judgement.findings:
        for reason in (*finding.facts_for, *finding.facts_against):
            assert reason.quantity in told
        for reason in finding.facts_not_known:
            assert reason.quantity not in told and reason.value is None


def test_ranking_follows_standings_and_carries_no_figure():
    judgement = judge(facts(side_attacked="inside", service="cold", observed_colours=["green_mound"]))
    order = [STANDINGS.index(f.standing) for f in judgement.findings]
    assert order == sorted(order)
    for finding in judgement.findings:
        assert "%" not in finding.plain
        assert not hasattr(finding, "score") and not hasattr(finding, "probability")


def test_same_topic_counts_once():
    """Saying the same thing twice (fine and coarse word) does not lift a cause."""
    once = standing("erosion_corrosion", {"observed_shape_class": ("undercut_horseshoe",), "side_attacked": "inside"})
    twice = standing(
        "erosion_corrosion", facts(observed_pit_shape=["undercut_horseshoe", "undercut"], side_attacked="inside")
    )
    assert once.standing == twice.standing


def test_a_condition_has_three_answers():
    condition = rules.Condition(quantity="water_ph", op=">=", value=8.0, unit="pH")
    assert condition.holds({"water_ph": 8.5}) is True
    assert condition.holds({"water_ph": 7.5}) is False
    assert condition.holds({}) is None
    item = causes()["soft_high_pH_pitting_type_III"].supports[1]
    assert [c.quantity for c in item.when] == ["water_ph", "water_alkalinity_mg_per_l_caco3"]
    assert item.holds({"water_ph": 9.0}) is None
    assert item.holds({"water_ph": 7.0}) is False, "one that does not hold settles it, whatever the other"
    assert any(f.facts_not_known for f in judge({}, material="unknown").findings)


def test_many_hints_of_one_topic_stay_one_topic():
    """Four electrical hints without a measurement do not add up to a fit."""
    told = facts(dc_source_near=True, bonding_fault_told=True, bonding_clamp_near=True, ac_current_a=3.0)
    assert standing("stray_current", told).standing == "possible"


def test_a_lower_standing_never_ranks_higher():
    """A crack in a wet floor: much speaks for the surroundings, yet they make no cracks."""
    told = facts(
        material="copper", side_attacked="outside", surroundings_wet=True, positions=["under_floor"], salt_source=True,
        observed_colours=["even_film_inside", "run_off_traces"], observed_pit_shape=["crack"],
    )  # fmt: skip
    findings = judge(told).findings
    assert findings[0].cause == "SCC_ammonia"
    order = [STANDINGS.index(f.standing) for f in findings]
    assert order == sorted(order)


def test_a_lookalike_holds_the_best_standing_back():
    """Type I and microbial pits look alike (Burleigh 2014): without a laboratory neither fits well."""
    told = facts(
        material="copper", side_attacked="inside", service="cold", observed_pit_shape=["hemispherical"],
        observed_colours=["pustule"], observed_pattern=["clustered"],
    )  # fmt: skip
    assert standing("cold_pitting_type_I", told, "copper").standing == "fits"
    section = {**told, **facts(lab_pit_structure="cap_membrane_chloride", lab_organisms=False)}
    assert standing("cold_pitting_type_I", section, "copper").standing == "fits well"
    assert standing("MIC", section, "copper").standing == "ruled out"


def test_reasons_are_not_said_twice():
    told = facts(contact_metal="galvanised_steel", surroundings_wet=True, observed_pit_shape=["pinhole", "perforation"])
    for finding in judge({**told, "pits_lined_bottom": True, "pit_pattern_class": "bottom_line"}).findings:
        said = [reason.sentence for reason in finding.facts_for]
        assert len(said) == len(set(said))
    galvanic = [r.quantity for r in standing("galvanic_contact", told, "copper").facts_for]
    assert galvanic.count("contact_metal") == 1


# ---------------------------------------------------------------- physics that people get wrong


def test_copper_is_the_cathode_next_to_steel():
    """Copper against zinc or steel: the copper is protected (anodic-index tables), and the rule says so."""
    finding = standing(
        "galvanic_contact",
        {
            **facts(side_attacked="outside", contact_metal="galvanised_steel", surroundings_wet=True),
            "contact_copper_is_cathode": True,
        },
        material="copper",
    )
    assert any("protected" in reason.sentence for reason in finding.facts_against)
    assert finding.standing != "fits well"
    steel = standing(
        "galvanic_contact",
        facts(material="steel", joined_metals=["copper"], positions=["at_joint"], surroundings_wet=True),
    )
    assert STANDINGS.index(steel.standing) < STANDINGS.index("speaks against")
    assert any("steel is eaten" in reason.sentence for reason in steel.facts_for)


def test_galvanic_and_stray_current_are_not_separated_by_a_mark():
    told = {
        **facts(side_attacked="outside", contacts=["strap"], surroundings_wet=True),
        "contact_mark_seen": True,
        "contact_mark_pit_enrichment": 4.0,
        "pit_pattern_class": "localised_contact",
    }
    galvanic = standing("galvanic_contact", told, material="copper")
    assert "stray_current" in galvanic.cannot_be_told_from
    assert galvanic.standing != "fits well"


def test_alternating_current_alone_says_little():
    finding = standing("stray_current", facts(ac_current_a=5.0, bonding_clamp_near=True))
    assert finding.standing == "possible"
    assert all("disputed" in reason.sentence for reason in finding.facts_for)
    assert standing("stray_current", facts(ac_current_a=5.0, side_attacked="inside")).standing == "speaks against"


def test_high_ph_with_low_alkalinity_can_pit_and_low_ph_thins():
    """Lytle and Schock 2008: pits at pH 9 with little carbon, none at 6.5 and 7."""
    high = facts(water_ph=9.0, water_alkalinity_mg_per_l_caco3=20.0, side_attacked="inside", service="cold")
    low = facts(water_ph=6.3, side_attacked="inside", service="cold", fixture_stains=True)
    assert judge(high).findings[0].cause == "soft_high_pH_pitting_type_III"
    assert standing("uniform_cuprosolvency", high, "copper").standing == "speaks against"
    assert judge(low).findings[0].cause == "uniform_cuprosolvency"
    assert standing("soft_high_pH_pitting_type_III", low, "copper").standing in ("speaks against", "possible")


def test_calcium_carbonate_indices_decide_nothing_for_copper():
    """Standard Methods 2330 A and Edwards 1996: not for copper; no rule reads them."""
    read = {
        condition.quantity
        for cause in causes().values()
        for item in (*cause.supports, *cause.contradicts, *cause.excludes)
        for condition in item.when
    }
    assert not read & {"langelier_index", "ryznar_index"}
    base = facts(side_attacked="inside", service="cold")
    assert judge(base).findings == judge({**base, "langelier_index": -2.5, "ryznar_index": 11.0}).findings
    only_steel = [
        c.id for c in causes().values() for i in c.supports for w in i.when if w.quantity == "larson_skold_index"
    ]
    assert only_steel == ["steel_galvanised"]


def test_wall_within_the_tolerance_of_new_tube_proves_nothing():
    """ASTM B88: a new tube may be under its nominal wall; an even deficit within that is no dissolution."""
    within = {"wall_loss_even": True, "wall_loss_below_tolerance": True}
    beyond = {"wall_loss_even": True, "wall_loss_below_tolerance": False}
    assert standing("uniform_cuprosolvency", within).standing == "can't tell"
    assert standing("uniform_cuprosolvency", beyond).standing == "possible"


def test_horseshoe_direction_is_told():
    text = causes()["erosion_corrosion"].technical
    assert "toe upstream" in text and "legs downstream" in text


def test_bottom_line_needs_the_bottom():
    """The bottom of a riser does not exist; under-deposit attack is contradicted there."""
    told = facts(side_attacked="inside", observed_pattern=["lined_along_bottom"])
    lying = standing("under_deposit_waterline", {**told, "run": "horizontal"}, "copper")
    upright = standing("under_deposit_waterline", {**told, "run": "riser"}, "copper")
    assert STANDINGS.index(lying.standing) < STANDINGS.index(upright.standing)


@pytest.mark.parametrize(
    ("cause_id", "told", "proof"),
    [
        ("SCC_ammonia", dict(material="brass", component="nut", observed_pit_shape=["crack"], ammonia_source=True, side_attacked="outside"), dict(lab_crack="branched")),
        ("dezincification", dict(material="brass", component="valve", side_attacked="inside", observed_pit_shape=["dealloyed_plug"], observed_colours=["white_scale"]), dict(lab_dezincified=True)),
        ("MIC", dict(side_attacked="inside", stagnation=True, observed_colours=["slime"], observed_pattern=["clustered"], run="dead_leg"), dict(lab_organisms=True)),
        ("flux_pitting", dict(side_attacked="inside", flux_residue="yes", observed_pattern=["near_joint_same_angle"], positions=["near_joint"], observed_colours=["waxy_run"]), dict(lab_flux_residue=True)),
        ("formicary", dict(service="refrigerant", acid_vapour_source=True, observed_colours=["red_to_purple_at_leaks"], positions=["insulation"], component="exchanger_tube"), dict(lab_tunnels=True)),
        ("hot_pitting_type_II", dict(side_attacked="inside", service="hot", failed_side="only_hot", observed_shape_class=["narrow_deep"], observed_colours=["black_film"], water_ph=7.0), dict(lab_pit_structure="narrow_plug_sulfate_cap")),
        ("soft_high_pH_pitting_type_III", dict(side_attacked="inside", service="cold", water_ph=9.0, water_alkalinity_mg_per_l_caco3=20.0, neighbours_affected=True, observed_colours=["blue_water"]), dict(lab_pit_structure="wide_under_mound")),
    ],
)  # fmt: skip
def test_without_a_laboratory_it_fits_at_most(cause_id, told, proof):
    """Published verdicts of these causes rested on a laboratory fact in every case of the collection."""
    without = standing(cause_id, facts(**told))
    assert without.standing == "fits" and without.needs_laboratory
    proved = standing(cause_id, facts(**told, **proof))
    assert proved.standing == "fits well" and not proved.needs_laboratory


def test_laboratory_findings_rule_out():
    assert standing("formicary", facts(lab_tunnels=False, service="refrigerant")).standing == "ruled out"
    assert standing("SCC_ammonia", facts(material="brass", lab_crack="ductile_overload")).standing == "ruled out"
    assert standing("dezincification", facts(material="copper", component="tube")).standing == "ruled out"
    assert standing("steel_galvanised", {}, material="copper").standing == "ruled out"


def test_plastic_is_declined():
    judgement = judge({}, material="plastic")
    assert judgement.findings == () and "plastic" in judgement.summary and not judgement.not_explained


def test_damage_that_no_rule_explains_is_said():
    unheard = facts(
        material="cast_iron", side_attacked="inside", observed_pit_shape=["branching_tunnels"], service="gas_supply"
    )
    judgement = judge(unheard)
    assert judgement.not_explained and judgement.keep and "laboratory" in judgement.summary
    assert not any(f.standing in ("fits", "fits well") for f in judgement.findings)
    assert not judge(facts(material="copper", side_attacked="inside")).not_explained, "nothing seen is not unexplained"


def test_side_of_a_photo_without_pits_is_no_evidence():
    bare = {"side_attacked": "outside", "pit_count": 0.0}
    assert standing("external_soil_concrete", bare, "copper").standing == "can't tell"
    assert standing("external_soil_concrete", {**bare, "pit_count": 3.0}, "copper").standing == "possible"


def test_several_causes_together():
    told = {
        **facts(side_attacked="inside", observed_pit_shape=["undercut_horseshoe"], service="recirculated", unreamed_ends=True,
                observed_pattern=["downstream_of_fittings"], hammer_noise=True),
        "static_pressure_over_code": True,
        "velocity_over_limit": True,
    }  # fmt: skip
    roles = {f.cause: f.role for f in judge(told).findings if f.role}
    assert roles["erosion_corrosion"] == "main"
    assert roles.get("velocity_pressure_hammer", "contributing") == "contributing"


def test_the_same_fact_makes_no_helper():
    """A bottom line speaks for deposits and for flux: flux is a rival until something of its own speaks for it."""
    told = {
        **facts(side_attacked="inside", stagnation=True, service="cold", observed_colours=["iron_rich_deposit"],
                positions=["bottom_of_pipe"]),
        "pits_lined_bottom": True,
        "pit_pattern_class": "bottom_line",
        "pit_pattern_margin": 0.99,
    }  # fmt: skip
    roles = {f.cause: f.role for f in judge(told).findings}
    assert roles["under_deposit_waterline"] == "main" and roles["flux_pitting"] == ""
    roles = {f.cause: f.role for f in judge({**told, "flux_residue": "yes"}).findings}
    assert roles["flux_pitting"] == "contributing"


# ---------------------------------------------------------------- the next check


def test_check_is_the_fact_that_separates():
    """Galvanic against stray current: the check offered first is one that only one of the two reads the same way."""
    told = {
        **facts(material="copper", side_attacked="outside", observed_pattern=["near_contact"], surroundings_wet=True),
        "contact_mark_seen": True,
    }
    judgement = judge(told)
    assert judgement.checks
    leaders = [f.cause for f in judgement.findings if f.standing in ("fits", "fits well", "possible")][:5]
    for check in judgement.checks:
        assert check.quantity not in told
        assert set(check.separates) <= set(leaders)
        assert len(check.separates) >= 2
        assert check.how and check.question


def test_an_answer_to_the_first_check_changes_the_findings():
    told = facts(material="copper", side_attacked="inside", observed_pit_shape=["unspecified_pit"])
    judgement = judge(told)
    quantity = quantities()[judgement.checks[0].quantity]
    answers = [True, False] if quantity.kind == "flag" else list(quantity.choices)
    results = {
        tuple(
            (f.cause, f.standing)
            for f in judge({**told, **facts(**{quantity.id: [a] if quantity.multiple else a})}).findings
        )
        for a in answers
    }
    assert len(results) > 1


def test_checks_are_the_same_every_time():
    told = facts(material="copper", side_attacked="inside", service="cold", observed_colours=["corrosion_mound"])
    assert judge(told) == judge(told)


def test_cheap_checks_go_before_dear_ones():
    """Effort counts: what a person can ask or see is offered before a laboratory, where it tells about as much."""
    told = facts(material="copper", side_attacked="inside", observed_pit_shape=["pinhole"])
    assert judge(told).checks[0].effort in ("ask", "look")


# ---------------------------------------------------------------- the photo alone


# What the measured quantities of each rendered pattern say, as the pattern stage names them.
PHOTO = {
    "localised_contact": dict(
        pit_count=40.0, pit_density_per_cm2=1.2, contact_mark_seen=True, contact_mark_pit_enrichment=5.0,
        pits_in_contact_mark_share=0.8, pits_arrangement="clustered", pit_pattern_class="localised_contact",
        pit_pattern_margin=0.4, pits_lined_bottom=False, pits_one_end=False, pits_flow_directional=False,
    ),
    "erosion_at_fitting": dict(
        pit_count=12.0, pit_density_per_cm2=0.6, pits_one_end=True, pits_flow_directional=True, elongation_median=1.9,
        direction_agreement=0.9, pit_pattern_class="erosion_at_fitting", pit_pattern_margin=0.4, pits_lined_bottom=False,
    ),
    "uniform_attack": dict(pit_count=0.0, surface_even=True, pit_pattern_class="uniform_attack", pit_pattern_margin=0.3),
    "scattered_pitting": dict(
        pit_count=30.0, pit_density_per_cm2=1.5, pits_arrangement="random", pit_pattern_class="scattered_pitting",
        pit_pattern_margin=0.4, pits_lined_bottom=False, pits_one_end=False, pits_flow_directional=False, mound_count=4.0,
    ),
    "bottom_line": dict(
        pit_count=20.0, pit_density_per_cm2=1.0, pits_lined_bottom=True, around_concentration=0.9,
        pit_pattern_class="bottom_line", pit_pattern_margin=0.98, pits_one_end=False, pits_flow_directional=False,
    ),
}  # fmt: skip


@pytest.mark.parametrize("side", ["inside", "outside", None])
@pytest.mark.parametrize("pattern", sorted(PHOTO))
def test_photo_alone_puts_the_right_family_first(pattern, side):
    seen = PHOTO[pattern] if side is None else {**PHOTO[pattern], "side_attacked": side}  # an opened piece: no side
    judgement = judge(seen, material="copper")
    row = causes_map()["patterns"][pattern]
    standing_first = judgement.findings[0].standing
    if standing_first in ("fits well", "fits", "possible"):
        assert judgement.findings[0].cause in row[side or "inside"]
    else:
        assert not row["visible"] or side == "outside"
    assert not {"fits", "fits well"} & {f.standing for f in judgement.findings}, "a photo alone lifts no cause to fits"


def test_photo_alone_never_fits_however_much_it_shows():
    much = {
        **PHOTO["bottom_line"], "side_attacked": "inside", "water_line_seen": True, "pits_in_water_line_share": 0.9,
        "share_rust": 0.6,
    }  # fmt: skip
    alone = standing("under_deposit_waterline", much, "copper")
    told = standing("under_deposit_waterline", {**much, "run": "horizontal"}, "copper")
    assert (alone.standing, told.standing) == ("possible", "fits")


def test_trying_an_answer_the_quick_way_gives_what_judging_anew_gives():
    """For every question that is open and every answer to it, on what a usual case tells."""
    told = dict(facts(material="copper", service="cold", age_years=22.0, static_pressure_kpa=600.0, tube_type="M"))
    told |= {"pit_pattern_class": "scattered_pitting", "pit_count": 20.0}
    scores, tried = all_scores(told), 0
    for quantity in quantities().values():
        if quantity.id in told or quantity.kind not in ("flag", "choice", "number"):
            continue
        nets = [net_where(score, {quantity.id}) for score in scores]
        for answer in _answers(quantity, scores):
            trial = {**told, quantity.id: answer}
            anew = [score_of(score.cause, trial) for score in scores]
            assert [net(trial) for net in nets] == [None if s.excluding else s.net for s in anew], (quantity.id, answer)
            tried += 1
    assert tried > 100


def test_table_of_rules_holds_every_line():
    table = rules_table()
    for cause in causes().values():
        assert f"### {cause.name}" in table
        for item in (*cause.supports, *cause.contradicts, *cause.excludes, *cause.applies):
            assert item.says in table
    assert rules.cite("practice") == "common practice, no source"


def test_where_causes_are_only_possible_the_sentence_says_that_a_photo_proves_none():
    """The user's rule: a photo never proves a cause, said where it is read."""
    summary = judge({"pit_pattern_class": "scattered_pitting", "pit_count": 20.0}, material="copper").summary
    assert summary.startswith("Not enough is known") and "possible" in summary
    assert summary.endswith("A photo never proves a cause.")


def test_a_source_in_short_is_still_a_source():
    """The report names the work and whether it was read; the passage itself stands in the table of rules."""
    from analyzer.causes.rules import cite, sources
    from analyzer.show.phrases import source_in_short

    for key, source in sources().items():
        short = source_in_short(cite((key,)))
        assert short.startswith(source.text[:12]) and short.count("[") == (source.status != "practice")
        assert len(short) <= 160, short
        assert cite((key,)) in rules_table()
