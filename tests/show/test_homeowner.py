"""The homeowner's page: what it may cost, and who does the work, as told and by what runs through the pipe."""

import pytest

from analyzer import check_facts
from analyzer.causes.repair import Prices
from analyzer.result.examination import conclude
from analyzer.show import report

PRICES = Prices(repair_per_leak=450, damage_per_leak=2000, replace_all=9000, moving_out=800)
CROWDED = {"material": "copper", "age_years": 22.0, "leak_dates": ["2024-06-01", "2025-03-02", "2026-01-10"]}


def cost(examination):
    told = report.section(examination, "homeowner").blocks
    place = [i for i, b in enumerate(told) if getattr(b, "text", "") == "What it may cost"]
    return " ".join(told[place[0] + 1].items) if place else None


def concluded(demo_examination, prices=None, **facts):
    return conclude(demo_examination.look, facts=check_facts(facts), prices=prices)


def test_four_prices_and_three_leaks_give_a_sum_on_the_plain_page(demo_examination):
    """What was entered is answered: 2,450 a leak by the record's limits, against 9,000 and 800 for moving out."""
    told = cost(concluded(demo_examination, PRICES, **CROWDED))
    assert "9,800" in told and "no prices" not in told
    low, high = (float(word.replace(",", "")) for word in told.split("cost ")[1].split(" before")[0].split(" to "))
    assert low < high and low == pytest.approx(2450 * 0.56, rel=0.02)


def test_prices_without_dates_are_not_said_to_be_missing(demo_examination):
    told = cost(concluded(demo_examination, PRICES, material="copper"))
    assert "dates of earlier leaks are not known" in told and "no prices" not in told
    assert "no prices were entered" in cost(concluded(demo_examination, material="copper"))


@pytest.mark.parametrize(
    "service, who",
    [("cold", "two plumbers"), ("sprinkler_standing", "two licensed sprinkler contractors"), ("heating", "two heating engineers")],
)  # fmt: skip
def test_the_price_is_asked_of_those_who_do_the_work(service, who, demo_examination):
    assert who in cost(concluded(demo_examination, material="steel", service=service))


def test_gas_has_no_word_on_cost(demo_examination):
    assert cost(concluded(demo_examination, service="gas_supply")) is None
