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
