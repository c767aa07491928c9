"""What runs through the pipe decides the emergency page; a danger that was told is told on the first and the plain page."""

import pytest

from analyzer.causes import steps
from analyzer.causes.judge import judge
from analyzer.causes.steps import dangers, homeowner_page, plan
from analyzer.house.derived import derive
from analyzer.house.facts import check_facts, quantities


def pages(**told):
    known = dict(check_facts({"material": "copper", **told}))
    known = {**derive(known)[0], **known}
    verdict = judge(known)
    made = plan(known, verdict)
    return verdict, made, homeowner_page(known, verdict, made)


def test_gas_gets_no_advice_for_water_and_nothing_beyond_getting_out():
    """Common practice of gas utilities and fire services: no switch, out, call from outside; licensed people do the rest."""
    verdict, made, page = pages(service="gas_supply", observed_pit_shape=["pinhole"], surroundings_wet=True)
    assert {s.id for s in made} == {"gas_leave", "gas_fitter"}
    words = " ".join((*page.dangers, *page.first_three, *page.whom_to_call, *page.what_not_to_do, verdict.summary))
    for said in ("no switch", "leave", "from outside", "licensed gas fitter"):
        assert said in words
    for water in ("tap", "Stop the water", "plumber", "bore", "What would tell most"):
        assert water not in words, water
    assert not verdict.checks


def test_sprinkler_is_an_impairment_with_a_fire_watch():
    """NFPA 25 chapter 15: emergency impairment, tag, notice, more than 10 hours in 24 a fire watch."""
    _, made, page = pages(service="sprinkler_standing", observed_pit_shape=["pinhole"])
    step = next(s for s in made if s.id == "sprinkler_impairment")
    assert "10 hours" in step.what and "fire watch" in step.what and "NFPA 25" in step.source
    assert "fire department" in page.dangers[0]
    ids = {s.id for s in made}
    assert not ids & {"stop_water", "leak_alarm", "call_plumber"}
    assert any("Licensed sprinkler contractor" in line for line in page.whom_to_call)


@pytest.mark.parametrize(
    "service, step, who",
    [
        ("cold", "stop_water", "call_plumber"),
        ("hot", "stop_water", "call_plumber"),
        ("recirculated", "recirculation_stop", "call_plumber"),
        ("heating", "heating_stop", "heating_engineer"),
        ("heating_cooling_riser", "heating_stop", "heating_engineer"),
        ("sprinkler_standing", "sprinkler_impairment", "sprinkler_contractor"),
        ("refrigerant", "refrigerant_leave", "refrigeration_technician"),
        ("compressor_oil", "refrigerant_leave", "refrigeration_technician"),
        ("gas_supply", "gas_leave", "gas_fitter"),
        ("condensate_drain", "drain_stop", None),
        ("drain", "drain_stop", None),
    ],
)
def test_each_service_has_its_first_step_and_its_trade(service, step, who):
    _, made, page = pages(service=service)
    ids = [s.id for s in made]
    assert ids[0] == step and page.first_three[0].startswith(made[0].title)
    assert who is None or who in ids
    others = {"stop_water", "recirculation_stop", "heating_stop", "sprinkler_impairment", "refrigerant_leave", "gas_leave", "drain_stop"}  # fmt: skip
    assert not (others - {step}) & set(ids)


def test_every_service_of_the_vocabulary_is_placed():
    book = steps._book()
    named = {word for record in book.step for word in record.only_for} | set(book.not_drinking_water)
    assert named <= set(quantities()["service"].choices)
    assert set(quantities()["service"].choices) - named == {
        "cold", "hot", "hot_and_cold", "softened_feed_to_heater",
    }  # fmt: skip


@pytest.mark.parametrize(
    "told, word",
    [
        ({"water_copper_mg_per_l": 1.8}, "Copper"),  # 40 CFR 141.80: action level 1.3 mg/L
        ({"water_lead_mg_per_l": 0.02}, "Lead"),
        ({"water_ph": 6.4}, "acid"),
        ({"static_pressure_kpa": 655.0}, "80 psi"),  # 95 psi; UPC 608.2
        ({"service": "hot", "service_temperature_c": 65.0}, "scald"),
        ({"run": "dead_leg"}, "spray"),
        ({"wet_electrics": True}, "electrical"),
        ({"bonding_clamp_near": True}, "jumper"),
        ({"old_solder": True}, "soldered with lead"),
        ({"asbestos_lagging": True}, "asbestos"),
    ],
)
def test_a_danger_that_was_told_reaches_the_first_and_the_plain_page(told, word):
    _, made, page = pages(**told)
    assert any(word in line for line in page.dangers)
    assert page.dangers == dangers(made)
    assert not any(word in line for line in pages()[2].dangers), "nothing told, no alarm"


def test_over_pressure_is_not_met_with_a_throttled_valve():
    """Hydrostatics: with no flow there is no loss at a throttled valve, so the static pressure stays."""
    _, made, _ = pages(static_pressure_kpa=655.0)
    step = next(s for s in made if s.id == "lower_pressure_now")
    assert "does not help" in step.what and "pressure-reducing valve" in step.what
    for record in steps._book().step:
        assert not record.what.startswith("Throttle")


def test_whether_it_was_wet_before_the_leak_is_asked():
    assert "before the leak" in quantities()["surroundings_wet"].question


@pytest.mark.parametrize(
    "service, trade",
    [
        ("sprinkler_standing", "licensed sprinkler contractor"),
        ("refrigerant", "certified refrigeration technician"),
        ("refrigerant_cold", "certified refrigeration technician"),
        ("heating", "heating engineer"),
        ("cold", "plumber"),
    ],
)
def test_a_line_that_is_no_plumbers_is_not_given_to_one(service, trade):
    """NFPA 25 names qualified sprinkler people; EPA section 608 certified technicians (both from memory)."""
    told = dict(service=service, observed_pit_shape=["pinhole"], observed_colours=["tubercle"], stagnation=True)
    _, made, page = pages(**told)
    hands = {s.who for s in made if s.phase in ("before cleaning", "remedy")}
    assert trade in hands and (trade == "plumber" or "plumber" not in hands)
    if service != "cold":
        assert not any("plumber" in line for line in page.what_not_to_do)


def test_standing_sprinkler_water_is_not_told_to_keep_moving():
    """NFPA 25 chapter 14 (from memory): the inside is assessed; flushing through use is for drinking water."""
    told = dict(material="steel", observed_pit_shape=["pinhole"], observed_colours=["tubercle"])
    ids = {s.id for s in pages(**told, service="sprinkler_standing")[1]}
    assert "sprinkler_inside" in ids and "filter_and_flush_deposit" not in ids
    assert "sprinkler_inside" not in {s.id for s in pages(**told, service="cold", stagnation=True)[1]}


def test_every_service_that_is_no_drinking_water_has_warnings_of_its_own():
    for service in ("heating", "heating_cooling_riser", "refrigerant", "refrigerant_cold", "compressor_oil"):
        said = " ".join(pages(service=service)[2].what_not_to_do)
        assert "drink" not in said, service


def test_no_cause_that_is_ruled_out_is_called_alike():
    """Type I belongs to copper: of a steel pipe the page does not say that no photo tells it from microbes."""
    verdict, _, page = pages(material="steel", service="sprinkler_standing", observed_colours=["tubercle"])
    by_id = {f.cause: f for f in verdict.findings}
    assert by_id["cold_pitting_type_I"].standing == "ruled out"
    assert "cold_pitting_type_I" not in by_id["MIC"].cannot_be_told_from
    assert not any("type I" in line for line in page.how_sure)
    assert "cold_pitting_type_I" in {f.cause: f for f in pages()[0].findings}["MIC"].cannot_be_told_from


def test_the_plain_page_leaves_sawing_to_the_plumber():
    made = pages(service="cold", observed_pit_shape=["pinhole"], side_attacked="inside", water_ph=7.2)[1]
    step = next(s for s in made if s.id == "check_one_length_only")
    assert "Cut a ring" in step.what and step.who == "plumber"
