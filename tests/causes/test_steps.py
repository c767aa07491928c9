"""The plan: reachable steps, cautions, order, and figures that agree with the tables they come from."""

import re

import pytest

from analyzer.causes import steps
from analyzer.causes.judge import judge
from analyzer.causes.rules import causes
from analyzer.causes.steps import PHASES, WHO, homeowner_page, plan
from analyzer.causes.verdict import Check, Finding, Judgement
from analyzer.house import flow
from analyzer.house.derived import derive

RECORDS = steps._book().step


def finding(cause, standing="fits well", **more):
    return Finding(
        **{
            "cause": cause, "name": causes()[cause].name, "standing": standing, "plain": causes()[cause].plain, "technical": "",
            "facts_for": (), "facts_against": (), "facts_not_known": (), "role": "", "cannot_be_told_from": (), "sources": (), **more,
        }
    )  # fmt: skip


def judgement(*findings, checks=(), **more):
    return Judgement(**{"findings": findings, "checks": checks, "summary": "", "not_explained": False, **more})


CHECK = Check(
    quantity="dc_current_ma", question="Is there direct current on the pipe?", how="Clamp meter.", effort="measure",
    separates=("galvanic_contact", "stray_current"),
)  # fmt: skip


@pytest.mark.parametrize("cause", list(causes()))
def test_every_cause_of_the_catalogue_has_a_remedy_of_its_own(cause):
    made = plan({}, judgement(finding(cause)))
    own = [s for s in made if s.phase == "remedy" and cause in s.causes]
    assert own, cause
    assert all(f"{causes()[cause].name}: fits well" in s.why for s in own)


@pytest.mark.parametrize("record", RECORDS, ids=[r.id for r in RECORDS])
def test_every_step_can_be_reached_and_says_what_it_must(record):
    assert record.title and record.what and record.why and record.effort and record.source and record.who in WHO
    served = {"service": record.only_for[0]} if record.only_for else {}
    found = plan(served, judgement(*(finding(c) for c in record.causes)))
    if record.causes or not record.when_any:
        assert record.id in [s.id for s in found]
    for group in record.when_any:
        told = {c.quantity: _satisfying(c) for c in group}
        assert record.id in [s.id for s in plan(told, judgement())], told
        assert record.id not in [s.id for s in plan({}, judgement())]
    for group in record.unless_any:
        told = {c.quantity: _satisfying(c) for c in group}
        assert record.id not in [s.id for s in plan(told, judgement(*(finding(c) for c in record.causes)))]


def _satisfying(condition):
    if condition.op == "includes":
        return (condition.value[0],)
    if condition.op == "in":
        return condition.value[0]
    return condition.value + {"==": 0, ">": 1, ">=": 0, "<": -1}[condition.op] if condition.unit else condition.value


def test_phases_come_in_order():
    made = plan({"static_pressure_over_code": True}, judgement(*(finding(c) for c in causes()), checks=(CHECK,)))
    places = [PHASES.index(s.phase) for s in made]
    assert places == sorted(places) and set(places) == set(range(len(PHASES)))
    ids = [s.id for s in made]
    assert len(ids) == len(set(ids)) and ids[0] == "stop_water"


def test_the_better_cause_comes_first_within_a_phase():
    one = plan({}, judgement(finding("flux_pitting", "fits"), finding("erosion_corrosion", "fits")))
    two = plan({}, judgement(finding("erosion_corrosion", "fits"), finding("flux_pitting", "fits")))
    order = [[s.id for s in made if s.id in ("flush_flux", "reduce_velocity")] for made in (one, two)]
    assert order == [["flush_flux", "reduce_velocity"], ["reduce_velocity", "flush_flux"]]


@pytest.mark.parametrize(
    "standing, there",
    [("fits well", True), ("fits", True), ("possible", False), ("can't tell", False), ("ruled out", False)],
)
def test_work_on_the_house_waits_until_its_cause_fits(standing, there):
    made = [s.id for s in plan({}, judgement(finding("stray_current", standing)))]
    assert ("bonding_by_electrician" in made) is there
    # the check is cheap: it comes in while the cause is possible
    assert ("electrical_check" in made) is (standing in ("fits well", "fits", "possible"))


def test_a_plan_does_not_follow_every_possibility():
    possible = [finding(c, "possible") for c in ("erosion_corrosion", "flux_pitting", "MIC", "stray_current")]
    made = [s.id for s in plan({}, judgement(*possible))]
    assert "open_upstream_fitting" in made and "keep_wet_for_microbes" in made
    assert "electrical_check" not in made  # the fourth
    well = finding("erosion_corrosion", cannot_be_told_from=("MIC",))
    made = [s.id for s in plan({}, judgement(well, *possible[1:]))]
    assert "keep_wet_for_microbes" in made  # MIC, which nothing known separates from it
    assert "section_in_laboratory" in made and "electrical_check" not in made
    made = [s.id for s in plan({}, judgement(finding("erosion_corrosion"), *possible[1:]))]
    assert "keep_wet_for_microbes" not in made


def test_a_costly_remedy_asks_for_the_telling_check_first_unless_its_cause_fits_well():
    unsure = plan({}, judgement(finding("stray_current", "fits"), checks=(CHECK,)))
    sure = plan({}, judgement(finding("stray_current", "fits well"), checks=(CHECK,)))
    caution = [next(s for s in made if s.id == "bonding_by_electrician").caution for made in (unsure, sure)]
    assert CHECK.question in caution[0] and CHECK.question not in caution[1]


def test_computed_checks_become_steps_with_the_right_person_and_caution():
    step = next(
        s
        for s in plan({}, judgement(finding("stray_current"), finding("galvanic_contact"), checks=(CHECK,)))
        if s.id == "check_dc_current_ma"
    )
    assert step.who == "licensed electrician"
    assert "never loosen or disconnect a bonding conductor" in step.caution
    assert causes()["stray_current"].name in step.why and causes()["galvanic_contact"].name in step.why


def test_an_unknown_fact_changes_nothing():
    assert plan({}, judgement()) == plan({"water_source": None}, judgement())
    assert "call_utility" in [s.id for s in plan({}, judgement())]
    assert "call_utility" not in [s.id for s in plan({"water_source": "private_well"}, judgement())]


def test_nobody_is_told_to_touch_a_bonding_conductor():
    for record in RECORDS:
        words = f"{record.title} {record.what}".lower()
        assert not re.search(r"\b(disconnect|loosen|remove|unscrew)\b[^.]*\b(bond|clamp|ground)", words), record.id
    made = plan({"bonding_clamp_near": True}, judgement(finding("stray_current")))
    assert {"electrical_check", "call_electrician"} <= {s.id for s in made}
    assert (
        "Never disconnect a bonding conductor yourself" in next(s for s in made if s.id == "electrical_check").caution
    )


@pytest.mark.parametrize(
    "step, words",
    [
        ("stop_water", "Hot water scalds"),
        ("mark_and_cut_wide", "sharp"),
        ("replace_failed_length", "lead-free"),
        ("flush_flux", "Scalding"),
        ("pressure_reducing_valve", "relief valve"),
        ("nitric_ring", "Acid"),
        ("frozen_line", "No open flame"),
        ("reduce_velocity", "legionella"),
        ("keep_dry", "asbestos"),
        ("sulfide_treatment", "poisonous"),
    ],
)
def test_cautions_stand_where_someone_could_get_hurt(step, words):
    assert words in next(r for r in RECORDS if r.id == step).caution


@pytest.mark.parametrize(
    "step, rule",
    # rules of the trade, carried as such
    [
        ("isolate_contacts", "rubber"),
        ("pressure_reducing_valve", "40 to 60 psi"),
        ("high_ph_note", "above 8"),
        ("open_upstream_fitting", "many fittings"),
        ("look_near_water_heater", ""),
        ("look_for_printed_marks", ""),
        ("leak_alarm", ""),
    ],
)
def test_rules_of_the_trade_are_marked(step, rule):
    record = next(r for r in RECORDS if r.id == step)
    assert "common practice, no source" in record.source
    assert rule.lower() in f"{record.what} {record.why} {record.source}".lower()


def test_figures_in_the_text_agree_with_the_tables():
    said = {r.id: f"{r.what} {r.why}" for r in RECORDS}
    assert "80 psi (552 kPa)" in said["lower_pressure_now"]
    assert flow.static_pressure(1.0).code_limit_kpa == pytest.approx(552.0, abs=0.5)  # UPC 608.2
    low, high = flow.static_pressure(1.0).trade_range_kpa
    assert f"40 to 60 psi ({low:.0f} to {high:.0f} kPa)" in said["pressure_reducing_valve"]
    cold, hot, hotter = (
        next(e for e in flow.velocity_limits(*at) if e.decides) for at in (("cold", None), ("hot", 55.0), ("hot", 70.0))
    )
    speeds = f"({cold.upper_m_per_s:.1f}, {hot.upper_m_per_s:.1f}, {hotter.lower_m_per_s:.1f} to {hotter.upper_m_per_s:.1f} m/s)"
    assert speeds in said["reduce_velocity"]
    # 8 ft/s stopped at once, three-quarter type M and half-inch type L
    peaks = [flow.hammer_kpa(8 * flow.M_PER_FT, *tube) for tube in ((20.599, 0.8128), (13.843, 1.016))]
    low, high = (round(peak / flow.KPA_PER_PSI, -1) for peak in peaks)
    assert (
        f"{low:.0f} to {high:.0f} psi ({peaks[0] / 1000:.1f} to {peaks[1] / 1000:.1f} MPa)" in said["hammer_and_clips"]
    )


def test_copper_is_not_called_the_victim_of_steel():
    record = next(r for r in RECORDS if r.id == "isolate_contacts")
    assert "copper is the protected side" in record.why
    told = {"material": "copper", "contact_metal": "galvanised_steel", "sleeve_between": False}
    made = plan({**told, **derive(told)[0]}, judgement())
    assert "isolate_contacts" in [s.id for s in made]
    assert "isolate_contacts" not in [
        s.id for s in plan({**told, "sleeve_between": True, **derive(told)[0]}, judgement())
    ]


# ---------------------------------------------------------------- with the real rules


HOUSE = {
    "material": "copper", "service": "recirculated", "side_attacked": "inside", "unreamed_ends": True, "fitting_upstream": "elbow",
    "distance_from_fitting_upstream_mm": 30.0, "observed_shape_class": ("undercut_horseshoe",), "flow_directional_told": True,
    "tube_size": "1/2", "tube_type": "M", "flow_l_per_min": 20.0, "service_temperature_c": 58.0,
}  # fmt: skip


def test_a_worn_elbow_end_to_end():
    known = {**HOUSE, **derive(HOUSE)[0]}
    assert known["velocity_over_limit"] is True  # 2.03 m/s against 1.52 (CDA handbook, hot to 60 C)
    verdict = judge(known)
    assert verdict.findings[0].cause == "erosion_corrosion" and verdict.findings[0].standing in ("fits", "fits well")
    made = plan(known, verdict)
    assert {"reduce_velocity", "open_upstream_fitting", "look_downstream_fittings"} <= {s.id for s in made}
    page = homeowner_page(known, verdict, made)
    assert page.what_happened[0] == causes()["erosion_corrosion"].plain
    assert page.first_three[0].startswith("Hot-water loop: pump off") and page.first_three[1].startswith(
        "Keep both halves"
    )
    assert len(page.first_three) == 3
    assert any("Plumber" in line for line in page.whom_to_call)
    assert any("grounding or bonding clamp" in line for line in page.what_not_to_do)
    assert "proves neither a cause" in page.limits
    assert not any("%" in line or "probab" in line for line in (*page.what_happened, *page.how_sure))


def test_nothing_known_gives_a_plan_that_names_no_cause():
    verdict = judge({})
    made = plan({}, verdict)
    assert not [s for s in made if s.phase == "remedy" and s.causes]
    page = homeowner_page({}, verdict, made)
    assert "does not say why" in page.what_happened[0]
    assert len(page.first_three) == 3 and page.whom_to_call


def test_unexplained_damage_is_kept_for_a_laboratory():
    made = plan(
        {},
        judgement(
            finding("freeze_burst", "ruled out"),
            not_explained=True,
            keep=("the uncleaned halves", "a litre of the water"),
        ),
    )
    step = next(s for s in made if s.id == "keep_unexplained")
    assert step.what == "Keep the uncleaned halves and a litre of the water." and step.phase == "before cleaning"
    page = homeowner_page({}, judgement(not_explained=True), made)
    assert "No cause fits" in page.how_sure[0]


def test_plastic_is_declined_politely():
    told = {"material": "plastic"}
    verdict = judge(told)
    made = plan(told, verdict)
    assert "plastic_repair" in [s.id for s in made] and "replace_failed_length" not in [s.id for s in made]
    assert homeowner_page(told, verdict, made).what_happened == (verdict.summary,)


def test_two_causes_that_fit_are_both_named():
    both = judgement(
        finding("galvanic_contact", "fits", cannot_be_told_from=("stray_current",), tied_with=("stray_current",)),
        finding("stray_current", "fits"),
        checks=(CHECK,),
    )
    page = homeowner_page({}, both, plan({}, both))
    assert "both fit" in page.how_sure[0] and "No photo can tell" in page.how_sure[1]
    assert page.how_sure[-1].endswith(CHECK.question)


def test_a_cause_that_fits_well_is_not_drowned_by_one_that_fits():
    page = homeowner_page(
        {}, made := judgement(finding("erosion_corrosion"), finding("flux_pitting", "fits")), plan({}, made)
    )
    main, other = (causes()[c].name for c in ("erosion_corrosion", "flux_pitting"))
    assert (
        page.how_sure[0] == f"{main} fits well what is known. Not ruled out beside it, and it may have helped: {other}."
    )


def test_a_wrong_word_in_the_data_is_found_at_load():
    row = {
        "id": "x",
        "phase": "now",
        "title": "t",
        "what": "w",
        "why": "y",
        "who": "plumber",
        "effort": "e",
        "source": "s",
    }
    steps._Record.model_validate(row)
    for bad in ({"who": "wizard"}, {"phase": "later"}, {"causes": ("bad_luck",)}, {"colour": "red"},
                {"when_any": [[{"quantity": "water_ph", "op": ">", "value": 8.0, "unit": "psi"}]]},
                {"when_any": [[{"quantity": "moon", "op": "==", "value": True}]]}):  # fmt: skip
        with pytest.raises(ValueError):
            steps._Record.model_validate({**row, **bad})


def test_a_name_starts_small_within_a_sentence_and_doubt_is_said_once():
    made = judgement(finding("steel_galvanised", "fits"), finding("MIC", "fits"))
    said = homeowner_page({}, made, plan({}, made)).how_sure[0]
    assert said.startswith(
        "It looks most like zinc used up and steel rusting in mounds; other causes are not ruled out."
    )
    assert said.count("ruled out") == 1 and said.endswith(" It may also be microbes in standing water.")
