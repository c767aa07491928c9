"""Published criteria, each at its value: what the rules make of it."""

import pytest

from analyzer.causes.judge import judge
from analyzer.causes.rules import causes, sources
from analyzer.house.derived import derive
from analyzer.house.facts import check_facts, with_coarse_words


def reasons(cause, **told):
    known = with_coarse_words(check_facts({"material": "copper", **told}))
    found = {f.cause: f for f in judge({**derive(known)[0], **known}).findings}[cause]
    return {r.quantity for r in found.facts_for}, {r.quantity for r in found.facts_against}


@pytest.mark.parametrize("sulfate, speaks_for", [(90.0, True), (110.0, True), (40.0, False)])
def test_bicarbonate_below_sulfate_goes_with_hot_pitting(sulfate, speaks_for):
    """Mattsson 1988 (abstract read): bicarbonate above sulfate, both in mg/L. 65.6 mg/L CaCO3 are 80 mg/L bicarbonate."""
    good, bad = reasons("hot_pitting_type_II", water_alkalinity_mg_per_l_caco3=65.6, water_sulfate_mg_per_l=sulfate)
    assert ("bicarbonate_to_sulfate_ratio" in good) is speaks_for
    assert ("bicarbonate_to_sulfate_ratio" in bad) is not speaks_for


@pytest.mark.parametrize("ph, alkalinity, strong", [(9.0, 25.0, True), (7.2, 25.0, False), (9.0, 200.0, False)])
def test_chlorine_pits_only_at_high_ph_and_low_alkalinity(ph, alkalinity, strong):
    """Sarver and Edwards 2012 (abstract read): high pH, free chlorine from about 0.4 mg/L, low alkalinity."""
    known = check_facts(
        {
            "material": "copper",
            "free_chlorine_mg_per_l": 0.6,
            "water_ph": ph,
            "water_alkalinity_mg_per_l_caco3": alkalinity,
        }
    )
    found = {f.cause: f for f in judge(dict(known)).findings}["chlorine_chloramine"]
    weights = {r.weight for r in found.facts_for if r.quantity == "free_chlorine_mg_per_l"}
    assert ("strong" in weights) is strong


@pytest.mark.parametrize("phosphorus, against", [(1.0, True), (0.3, False)])
def test_phosphate_from_1_mg_per_l_prevents_such_pits(phosphorus, against):
    """Sarver and Edwards 2012 (abstract read): 1 mg/L as P prevented pits, much lower doses did not."""
    bad = reasons("soft_high_pH_pitting_type_III", water_phosphate_mg_per_l_p=phosphorus)[1]
    assert ("water_phosphate_mg_per_l_p" in bad) is against


def test_copper_release_rises_with_bicarbonate():
    """Edwards, Schock and Meyer 1996 (abstract read): linear in bicarbonate at constant pH."""
    assert (
        "water_alkalinity_mg_per_l_caco3"
        in reasons("uniform_cuprosolvency", water_ph=7.2, water_alkalinity_mg_per_l_caco3=300.0)[0]
    )


def test_words_weigh_less_than_figures_and_once():
    """A word and a figure of one thing count once; no figure is invented from a word."""
    good, _ = reasons("cold_pitting_type_I", water_in_words=["hard"])
    assert "water_in_words" in good
    both, _ = reasons("cold_pitting_type_I", water_in_words=["hard"], water_hardness_mg_per_l_caco3=300.0)
    assert "water_hardness_mg_per_l_caco3" in both
    assert "water_hardness_mg_per_l_caco3" not in derive(dict(check_facts({"water_in_words": ["hard"]})))[0]


def test_stainless_steel_is_not_cracked_by_ammonia():
    found = judge({"material": "stainless_steel", "observed_shape_class": ("crack",), "ammonia_source": True}).findings
    standing = {f.cause: f.standing for f in found}
    assert standing["SCC_ammonia"] == "ruled out" and standing["stainless_cracking"] == "possible"


def test_manganese_pits_hot_pipe_at_its_top_at_a_high_ph_too():
    """Wait, Roy, Edwards 2023 (abstract read): hot loop, pits along the very top above sediment, worst at pH 8.2."""
    good, bad = reasons("hot_pitting_type_II", service="recirculated", positions=["top_of_pipe"], water_ph=8.2)
    assert "positions" in good and "water_ph" in bad
    known = with_coarse_words(check_facts({"material": "copper", "water_ph": 8.2}))
    found = {f.cause: f for f in judge(dict(known)).findings}["hot_pitting_type_II"]
    assert {r.weight for r in found.facts_against if r.quantity == "water_ph"} == {"weak"}
    assert "positions" not in reasons("hot_pitting_type_II", service="cold", positions=["top_of_pipe"])[0]


@pytest.mark.parametrize("oxygen, good, bad", [(0.5, True, False), (0.05, False, False), (0.005, False, True)])
def test_oxygen_in_heating_water(oxygen, good, bad):
    """VDI 2035 (0.1 mg/L from memory; 0.02 mg/L for sealed systems as quoted in an article that was read)."""
    told = dict(material="steel", service="heating", water_oxygen_mg_per_l=oxygen)
    known = with_coarse_words(check_facts(told))
    found = {f.cause: f for f in judge(dict(known)).findings}["heating_oxygen"]
    read = [r.sentence for r in found.facts_for if "oxygen in the heating water" in r.sentence]
    against = [r.sentence for r in found.facts_against if "oxygen in the heating water" in r.sentence]
    assert (bool(read), bool(against)) == (good, bad)


def test_nitrate_holds_cold_pitting_back():
    """Failure Analysis Case Studies II, page 311 (read): nitrate inhibits type I pitting."""
    assert "water_nitrate_mg_per_l" in reasons("cold_pitting_type_I", water_nitrate_mg_per_l=40.0)[1]
    assert "water_nitrate_mg_per_l" not in reasons("cold_pitting_type_I", water_nitrate_mg_per_l=5.0)[1]


@pytest.mark.parametrize("cause", ["MIC", "under_deposit_waterline"])
def test_where_nothing_ran_yet_no_attack_by_water_is_likelier(cause):
    assert "service" in reasons(cause, service="never_in_service")[1]


def test_standing_water_of_a_sprinkler_speaks_against_pitting_by_chlorine():
    """PM Engineer 2001 (read): residence uses the chlorine up; Sarver and Edwards 2012: this pitting needs it."""
    assert "service" in reasons("soft_high_pH_pitting_type_III", service="sprinkler_standing")[1]


def test_most_rules_rest_on_more_than_memory():
    """Of 333 items that rested on memory or an encyclopaedia at least half were to be replaced."""
    soft = [
        item
        for cause in causes().values()
        for item in (*cause.supports, *cause.contradicts, *cause.applies, *cause.excludes)
        if all(
            sources()[key].text.startswith("Encyclopaedia") or sources()[key].status == "memory"
            for key in item.source.split()
        )
    ]
    assert 0 < len(soft) <= 166, "textbook physics counted as memory too"
