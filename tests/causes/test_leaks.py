"""Leak history against the published power-law examples, its intervals against simulated histories, and costs.

Data sets in tests/data: NIST/SEMATECH handbook 8.4.5.2 case 1; MIL-HDBK-189 (1981) appendix C and its grouped example; the
Crow-AMSAA example of reliawiki.com; Modarres' example 5.11 (the one that gets worse).
"""

import csv
import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import beta as beta_distribution
from scipy.stats import chi2 as chi2_distribution

from analyzer.base.flags import InputError
from analyzer.causes import repair
from analyzer.causes.repair import Prices
from analyzer.causes.verdict import Finding, Judgement
from analyzer.house import leak_history, leak_law, leak_record
from analyzer.house.leak_record import LeakRecord
from tests.conftest import DATA


def _column(name):
    return [float(row[0]) for row in list(csv.reader((DATA / f"{name}.csv").read_text().splitlines()))[1:]]


def crow():
    return LeakRecord(start=0.0, end=620.0, times=tuple(_column("nhpp_reliawiki_crow")), ends_on_leak=True)


def nist():
    return LeakRecord(start=0.0, end=1500.0, times=tuple(_column("nhpp_nist_case1")))


def mil_189():
    return LeakRecord(start=0.0, end=300.0, times=tuple(_column("nhpp_milhdbk189_1981_appC")))


def grouped():
    rows = list(csv.reader((DATA / "nhpp_grouped_milhdbk189.csv").read_text().splitlines()))[1:]
    return LeakRecord(start=0.0, end=100.0, counts=tuple((float(a), float(b), int(k)) for a, b, k in rows))


def worsening():
    times = tuple(itertools.accumulate(_column("nhpp_rocof_interarrival")))
    return LeakRecord(start=0.0, end=times[-1], times=times, ends_on_leak=True)


# the published examples themselves are in test_worked_examples.py (rows L1 to L6); here is what those rows leave out


def expected_by(law, age):
    return law.scale * age**law.beta  # N(t) = lambda t^beta


def test_crow_example_in_full():
    law = leak_law.fit(crow())  # reliawiki.com; intensity, mtbf, U and C recomputed in the reference
    assert sum(math.log(t) for t in crow().times) == pytest.approx(105.6355, abs=1e-4)
    assert law.intensity(620.0) == pytest.approx(0.021795, abs=1e-6)
    assert leak_law.laplace_test(crow()).statistic == pytest.approx(-2.783, abs=1e-3)
    assert leak_law.cramer_von_mises(law) == pytest.approx(0.04928, abs=1e-5)


def test_nist_example_in_full():
    assert 1.0 - leak_law.fit(nist()).beta_unbiased == pytest.approx(0.516494, abs=1e-6)  # NIST's growth slope
    assert leak_law.laplace_test(nist()).statistic == pytest.approx(-1.327, abs=1e-3)
    assert leak_law.laplace_test(nist()).p_value == pytest.approx(2 * stats.norm.sf(1.327), abs=1e-3)


def test_grouped_example_in_full():
    law = leak_law.fit(grouped())  # MIL-HDBK-189, grouped example
    assert law.intensity(100.0) == pytest.approx(0.3688969345, abs=1e-7)
    assert (expected_by(law, 100.0) - expected_by(law, 80.0)) / 20.0 == pytest.approx(0.3788703065, abs=1e-7)


def test_worsening_example_is_called_worsening():
    assert leak_law.laplace_test(worsening()).says == "the leaks come faster with time, at 95 %"
    assert "rarely" in leak_law.laplace_test(crow()).says
    assert "steady" in leak_law.laplace_test(nist()).says


def test_the_trend_is_one_sentence_where_the_tests_agree():
    assert (
        "The leaks come faster with time, at 95 % (test: Laplace and MIL-HDBK-189)."
        in leak_history.read_history(MANY).says
    )
    assert "The tests differ" in leak_history.read_history(nist()).says  # Laplace p 0.18, MIL-HDBK-189 p 0.02


def test_mil_hdbk_test_by_its_definition():
    # 2 sum ln(T/t) is chi-square with 2n degrees without a trend (MIL-HDBK-189): NIST case 1, 20 degrees
    statistic = 2.0 * sum(math.log(1500.0 / t) for t in nist().times)
    test = leak_law.mil_hdbk_test(nist())
    assert test.statistic == pytest.approx(statistic)
    assert test.p_value == pytest.approx(2.0 * stats.chi2.sf(statistic, 20))


def test_exact_interval_of_the_exponent():
    # chi-square pivot: 2 n beta / beta_hat has 2n degrees (end by date), 2(n-1) (end on a failure)
    law = leak_law.fit(mil_189())
    low, high = law.beta_interval()
    assert 2 * 27 * low / law.beta == pytest.approx(stats.chi2.ppf(0.025, 54))
    assert 2 * 27 * high / law.beta == pytest.approx(stats.chi2.ppf(0.975, 54))
    law = leak_law.fit(crow())
    assert 2 * 22 * law.beta_interval()[0] / law.beta == pytest.approx(stats.chi2.ppf(0.025, 42))


def test_counts_in_fine_cells_come_to_the_same_as_dates():
    dated = leak_law.fit(mil_189())
    edges = np.linspace(0.0, 300.0, 30001)
    number, _ = np.histogram(mil_189().times, edges)
    fine = leak_law.fit(
        LeakRecord(
            start=0.0,
            end=300.0,
            counts=tuple((float(a), float(b), int(k)) for a, b, k in zip(edges[:-1], edges[1:], number, strict=True)),
        )
    )
    assert fine.beta == pytest.approx(dated.beta, rel=1e-4)
    one, other = leak_law.forecast(dated, 3), leak_law.forecast(fine, 3)
    assert other.low == pytest.approx(one.low, rel=1e-3) and other.high == pytest.approx(one.high, rel=1e-3)
    coarse = leak_law.laplace_test(fine.record)
    assert coarse.statistic == pytest.approx(leak_law.laplace_test(mil_189()).statistic, abs=1e-3)


def test_a_late_window_uses_the_age_of_the_pipe():
    """A window that begins late: maximum of the truncated likelihood, found here by plain search."""
    times = (15.5, 17.0, 21.0, 23.5, 24.0, 27.0, 28.0, 28.5, 29.0)
    law = leak_law.fit(LeakRecord(start=15.0, end=30.0, times=times))

    def minus(beta):
        return -(9 * math.log(beta) + (beta - 1) * sum(map(math.log, times)) - 9 * math.log(30.0**beta - 15.0**beta))

    best = minimize_scalar(minus, bounds=(0.05, 20.0), method="bounded", options={"xatol": 1e-9}).x
    assert law.beta == pytest.approx(best, abs=1e-5)
    assert expected_by(law, 30.0) - expected_by(law, 15.0) == pytest.approx(9.0)


def test_profile_interval_against_plain_optimisation():
    """Profile likelihood of the leaks of the next 5 years: the bound where no beta reaches within 1.92 of the maximum."""
    record = LeakRecord(start=0.0, end=20.0, times=(8.0, 13.0, 14.5, 17.0, 18.0, 19.5))
    law = leak_law.fit(record)
    n, sum_log = 6, sum(math.log(20.0 / t) for t in record.times)
    factor = lambda beta: 1.25**beta - 1.0

    def log_likelihood(mu, beta):
        return n * math.log(mu) - mu + n * math.log(beta) - beta * sum_log

    top = log_likelihood(n, law.beta)

    def profile(psi):
        found = minimize_scalar(
            lambda b: -log_likelihood(psi / factor(b), b),
            bounds=(0.05, 30.0),
            method="bounded",
            options={"xatol": 1e-10},
        )
        return 2.0 * (top + found.fun)

    ahead = leak_law.forecast(law, 5)
    for bound in (ahead.low[-1], ahead.high[-1]):
        assert profile(bound) == pytest.approx(stats.chi2.ppf(0.95, 1), abs=2e-3)
    assert ahead.expected[-1] == pytest.approx(expected_by(law, 25.0) - expected_by(law, 20.0), rel=1e-9)


@pytest.mark.parametrize(
    "beta, start, counts", [(2.0, 0.0, False), (1.0, 0.0, True), (3.0, 12.0, False), (1.5, 15.0, True)]
)
def test_stated_intervals_hold_in_simulated_histories(beta, start, counts):
    """120 simulated houses of known law, about 8 leaks in the window to age 20, outlook 5 years.

    95 % intervals: of 120 at least 106 must hold (below that has a chance of 1 in 1000 for a true 95 %). With 400 houses
    in each of ten settings the expected number was covered in 93 to 97 % of them.
    """
    random = np.random.default_rng(20)
    end, ahead, mu = 20.0, 5, 8.0
    scale = mu / (end**beta - start**beta)
    truth = scale * ((end + ahead) ** beta - end**beta)
    held = held_number = tried = 0
    while tried < 120:
        n = random.poisson(mu)
        if n < 3:
            continue
        tried += 1
        times = np.sort((start**beta + random.random(n) * (end**beta - start**beta)) ** (1.0 / beta))
        if counts:
            edges = np.arange(start, end + 1.0)
            number, _ = np.histogram(times, edges)
            rows = tuple((float(a), float(b), int(k)) for a, b, k in zip(edges[:-1], edges[1:], number, strict=True))
            record = LeakRecord(start=start, end=end, counts=rows)
        else:
            record = LeakRecord(start=start, end=end, times=tuple(map(float, times)))
        outlook = leak_law.forecast(leak_law.fit(record), ahead)
        held += outlook.low[-1] <= truth <= outlook.high[-1]
        held_number += outlook.number_low[-1] <= random.poisson(truth) <= outlook.number_high[-1]
    assert held >= 106
    assert held_number >= 106


# ---------------------------------------------------------------- records from facts


def test_dates_and_age_make_a_record():
    record = leak_record.read_record(
        {
            "leak_dates": ("2015-07-01", "2019-01-01", "2021-03-01"),
            "history_from": "2010-01-01",
            "history_to": "2022-01-01",
            "age_years": 40.0,
        }
    )
    assert (record.start, record.end) == pytest.approx((28.0, 40.0))
    assert record.times == pytest.approx((33.4959, 37.0, 39.1616), abs=1e-3)
    assert not record.ends_on_leak and record.notes == ()


def test_counts_make_a_record_with_the_years_between_as_none():
    record = leak_record.read_record(
        {"leaks_by_year": ((2018, 1), (2021, 3)), "history_from": "2016-01-01", "history_to": "2022-07-02"}
    )
    assert [k for *_, k in record.counts] == [0, 0, 1, 0, 0, 3, 0]
    assert record.end == pytest.approx(6.5, abs=0.01)
    assert any("2019, 2020" in note for note in record.notes)


def test_a_record_that_begins_with_its_first_leak_does_not_count_it():
    record = leak_record.read_record(
        {"leak_dates": ("2015-01-01", "2018-01-01"), "history_from": "2015-01-01", "history_to": "2020-01-01"}
    )
    assert record.number == 1 and record.times == pytest.approx((3.0,))


def test_a_record_without_a_beginning_begins_with_its_first_leak():
    record = leak_record.read_record(
        {"leak_dates": ("2015-01-01", "2018-01-01", "2019-01-01"), "history_to": "2020-01-01"}
    )
    assert record.times == pytest.approx((3.0, 4.0)) and record.end == pytest.approx(5.0)
    assert any("since when" in note for note in record.notes)
    assert "since when" in leak_history.read_history(record).says
    assert leak_record.read_record({"leak_dates": ("2015-01-01",)}) is None


def test_no_leaks_told_is_no_record():
    assert leak_record.read_record({}) is None
    assert repair.repair_or_replace({}, _judgement()) is None


@pytest.mark.parametrize(
    "facts, words",
    [
        ({"leak_dates": ("2015-01-01",), "history_from": "2016-01-01", "history_to": "2020-01-01"}, "outside"),
        ({"leak_dates": ("2021-01-01",), "history_from": "2016-01-01", "history_to": "2020-01-01"}, "outside"),
        ({"leak_dates": ("2018-01-01",), "history_from": "2021-01-01", "history_to": "2020-01-01"}, "must end after"),
        ({"leaks_by_year": ((2015, 2),), "history_from": "2017-01-01", "history_to": "2020-01-01"}, "outside"),
    ],
)
def test_contradictions_are_refused_in_one_sentence(facts, words):
    with pytest.raises(InputError, match=words) as caught:
        leak_record.read_record(facts)
    assert "\n" not in str(caught.value)


# ---------------------------------------------------------------- thin records


@pytest.mark.parametrize("dates", [("2015-07-01",), ("2015-07-01", "2019-01-01")])
def test_a_thin_record_recommends_nothing_and_says_what_would_be_enough(dates):
    facts = {"leak_dates": dates, "history_from": "2010-01-01", "history_to": "2022-01-01"}
    answer = repair.repair_or_replace(facts, _judgement(), _prices())
    assert answer.costs is None and answer.history.law is None and answer.history.thin
    assert "Nothing is recommended" in answer.recommendation
    assert f"{3 - len(dates)} more dated leak" in answer.enough
    low, high = answer.history.rate_per_year[1:]
    assert (low * 12.0, high * 12.0) == pytest.approx(
        {1: (0.02532, 5.57164), 2: (0.24221, 7.22469)}[len(dates)], abs=1e-4
    )  # exact Poisson 95 % limits of counts 1 and 2, standard tables


def test_leaks_all_in_the_last_year_give_no_trend():
    facts = {"leaks_by_year": ((2015, 0), (2021, 4)), "history_from": "2015-01-01", "history_to": "2022-01-01"}
    answer = repair.repair_or_replace(facts, _judgement(), _prices())
    assert answer.history.law is None and answer.history.thin and "Dates" in answer.enough


def test_a_record_that_does_not_decide_says_how_many_leaks_would():
    record = LeakRecord(start=0.0, end=20.0, times=(6.0, 12.0, 16.0, 19.0))
    history = leak_history.read_history(record, 15)
    costs = repair.compare_costs(history, _prices(replace_all=3000.0, horizon_years=15))
    assert costs.cheaper is None and "does not decide" in costs.says
    assert "dated leaks of the same pattern would decide" in costs.enough
    told = int(costs.enough.split("About ")[1].split()[0])
    # with that many leaks of the same pattern (here each leak repeated) the record does decide
    repeated = tuple(sorted(t + 1e-6 * i for i in range(math.ceil(told / 4)) for t in record.times))
    longer = leak_history.read_history(LeakRecord(start=0.0, end=20.0, times=repeated), 15)
    assert longer.law.beta == pytest.approx(history.law.beta, rel=1e-3)


def test_dates_that_do_not_follow_the_model_recommend_nothing():
    # two bursts of leaks with a long calm between: no power law
    times = tuple(np.concatenate([np.linspace(2.0, 2.5, 8), np.linspace(29.0, 29.5, 8)]).tolist())
    history = leak_history.read_history(LeakRecord(start=0.0, end=30.0, times=times), 10)
    assert history.fits_model is False
    costs = repair.compare_costs(history, _prices(replace_all=1.0, horizon_years=10))
    assert costs.cheaper is None and "changed on the way" in costs.enough


# ---------------------------------------------------------------- costs


def _prices(**changes):
    return Prices(
        **{"repair_per_leak": 500.0, "damage_per_leak": 1000.0, "replace_all": 9000.0, "discount_rate": 0.05, **changes}
    )


def _judgement(*causes):
    return Judgement(
        findings=tuple(
            Finding(
                cause=c,
                name=c,
                standing="fits",
                plain="",
                technical="",
                facts_for=(),
                facts_against=(),
                facts_not_known=(),
                role="",
                cannot_be_told_from=(),
                sources=(),
            )  # fmt: skip
            for c in causes
        ),
        checks=(),
        summary="",
        not_explained=False,
    )


MANY = LeakRecord(start=0.0, end=25.0, times=(9.0, 14.0, 16.0, 18.0, 19.5, 20.5, 21.5, 22.0, 23.0, 23.5, 24.0, 24.5))


def test_present_value_is_the_integral_of_the_discounted_intensity():
    """By scipy.integrate.quad of cost x lambda beta t^(beta-1) (1+R)^-(t-T) over the horizon."""
    history = leak_history.read_history(MANY, 15)
    costs = repair.compare_costs(history, _prices(horizon_years=15))
    law = history.law
    value, _ = quad(lambda x: 1500.0 * law.intensity(25.0 + x) * 1.05**-x, 0.0, 15.0)
    going_on, all_new = costs.options
    assert going_on.present_value == pytest.approx(value, rel=1e-9)
    assert going_on.by_year[0] == 0.0 and going_on.by_year[-1] == going_on.present_value
    assert all_new.present_value == 9000.0
    assert costs.break_even_price["all"] == pytest.approx(value, rel=1e-9)
    partial, _ = quad(lambda x: 1500.0 * law.intensity(25.0 + x) * 1.05**-x, 0.0, costs.break_even_year["all"])
    assert partial == pytest.approx(9000.0, rel=0.01)  # the year is interpolated within a year


def test_part_and_moving_out_and_leaks_in_new_pipe_are_counted():
    history = leak_history.read_history(MANY, 10)
    costs = repair.compare_costs(
        history,
        _prices(
            horizon_years=10,
            replace_part=3000.0,
            part_share_of_leaks=0.6,
            moving_out=2000.0,
            leaks_after_replacement_per_year=0.1,
        ),
    )
    going_on, part, all_new = costs.options
    assert part.present_value == pytest.approx(3000.0 + 0.4 * going_on.present_value)
    annuity = (1 - 1.05**-10) / math.log(1.05)
    assert all_new.present_value == pytest.approx(11000.0 + 150.0 * annuity)
    assert costs.break_even_price["part"] == pytest.approx(0.6 * going_on.present_value)


def test_many_worsening_leaks_and_dear_damage_decide_for_replacing():
    costs = repair.compare_costs(leak_history.read_history(MANY, 20), _prices(horizon_years=20))
    assert costs.cheaper == "all" and costs.enough == ""
    assert costs.years_to_threshold == 0.0
    assert "arithmetic on the owner's own record" in costs.says


def test_cheap_leaks_and_dear_replacement_decide_for_repairing():
    costs = repair.compare_costs(
        leak_history.read_history(MANY, 5),
        _prices(horizon_years=5, repair_per_leak=50.0, damage_per_leak=0.0, replace_all=80000.0),
    )
    assert costs.cheaper == "repair"
    assert costs.break_even_year["all"] is None


def test_shamir_and_howard_optimum_is_the_numerical_minimum():
    """Computed examples of the reference; the closed form of the optimum checked by scipy's minimum of the cost."""

    def cost(wait):
        growth, force = 0.1, math.log(1.05)
        return 1500.0 * 0.1 * math.expm1((growth - force) * wait) / (growth - force) + 9000.0 * math.exp(-force * wait)

    threshold = repair.replacement_threshold_per_year(1500.0, 9000.0, 0.05)
    assert threshold == pytest.approx(0.292741, abs=1e-6)
    wait = repair.years_to_threshold(lambda t: 0.1 * math.exp(0.1 * t), threshold)
    assert wait == pytest.approx(
        minimize_scalar(cost, bounds=(0.0, 60.0), method="bounded", options={"xatol": 1e-9}).x, abs=1e-4
    )
    # the other computed example is past its optimum of -2.14128 years: replace now
    assert repair.years_to_threshold(lambda t: 0.5 * math.exp(0.25 * t), threshold) == 0.0
    assert 0.5 * math.exp(0.25 * -2.14128) == pytest.approx(threshold, abs=1e-6)


def test_a_falling_leak_rate_never_reaches_the_threshold():
    assert repair.years_to_threshold(lambda t: 0.2 / (1 + t), 0.3) is None


@pytest.mark.parametrize(
    "changes",
    [
        {"repair_per_leak": -1.0},
        {"repair_per_leak": 0.0, "damage_per_leak": 0.0},
        {"discount_rate": 5.0},
        {"horizon_years": 0},
        {"horizon_years": 80},
        {"replace_part": 100.0},
        {"replace_part": 100.0, "part_share_of_leaks": 60.0},
        {"replace_all": math.nan},
    ],
)
def test_impossible_prices_are_refused(changes):
    with pytest.raises(InputError):
        _prices(**changes)


def test_a_horizon_kept_as_a_float_is_the_same_count_of_years():
    # a kept case holds every price as a float; at no discount the horizon is a count of years itself
    history = leak_history.read_history(MANY)
    whole, kept = (
        repair.compare_costs(history, _prices(horizon_years=years, discount_rate=0.0)) for years in (20, 20.0)
    )
    assert kept.says == whole.says and "over 20 years" in kept.says
    assert [option.by_year for option in kept.options] == [option.by_year for option in whole.options]


def test_a_thin_record_has_no_comparison():
    thin = leak_history.read_history(LeakRecord(start=0.0, end=20.0, times=(6.0,)))
    assert repair.compare_costs(thin, _prices()) is None


def test_no_replacement_price_is_asked_for():
    with pytest.raises(InputError, match="price"):
        repair.compare_costs(leak_history.read_history(MANY), Prices(repair_per_leak=500.0))


def test_the_whole_answer_has_pictures_causes_and_evidence():
    facts = {
        "leaks_by_year": ((2012, 1), (2015, 1), (2018, 2), (2020, 2), (2021, 3)),
        "history_from": "2008-01-01",
        "history_to": "2022-01-01",
        "age_years": 30.0,
        "remaining_wall_share": 0.62,
    }
    answer = repair.repair_or_replace(facts, _judgement("cold_pitting_type_I", "freeze_burst"), _prices())
    assert answer.observed[0] == (16.0, 0) and answer.observed[-1] == (30.0, 9)
    assert len(answer.persisting) == 1 and "cold_pitting_type_I" in answer.persisting[0]
    assert any("62 %" in line for line in answer.evidence)
    assert len(answer.history.forecast.expected) == 20
    assert all(a <= b <= c for a, b, c in zip(answer.history.forecast.low, answer.history.forecast.expected,
                                              answer.history.forecast.high, strict=True))  # fmt: skip
    assert all(len(o.by_year) == 21 for o in answer.costs.options)
    assert answer == repair.repair_or_replace(facts, _judgement("cold_pitting_type_I", "freeze_burst"), _prices())
    kept = repair.repair_or_replace(facts, _judgement(), _prices(horizon_years=20.0))  # as a kept case holds it
    assert kept.history == answer.history


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.5, 29.5), min_size=3, max_size=15, unique=True), st.floats(1.5, 20.0))
def test_the_unit_of_time_does_not_matter(times, factor):
    record = LeakRecord(start=0.0, end=30.0, times=tuple(sorted(times)))
    other = LeakRecord(start=0.0, end=30.0 * factor, times=tuple(t * factor for t in sorted(times)))
    one, two = leak_law.fit(record), leak_law.fit(other)
    assert two.beta == pytest.approx(one.beta, rel=1e-9)
    assert expected_by(two, 45.0 * factor) == pytest.approx(expected_by(one, 45.0), rel=1e-7)
    assert leak_law.laplace_test(other).statistic == pytest.approx(leak_law.laplace_test(record).statistic, abs=1e-9)


@pytest.mark.parametrize(
    "times, ends_on_leak, p",
    [((82.0, 90.0, 100.0), True, 0.18**2), ((82.0, 90.0, 95.0), False, 0.18**3), ((10.0, 50.0, 90.0), False, 0.9**3)],
)
def test_exact_clustering_from_three_dates(times, ends_on_leak, p):
    """Order statistics: P(the least of n uniform draws is above u) = (1 - u)^n, by scipy's beta distribution of it."""
    record = LeakRecord(start=0.0, end=100.0, times=times, ends_on_leak=ends_on_leak)
    test = leak_law.late_clustering_test(record)
    n = len(times) - ends_on_leak
    assert test.p_value == pytest.approx(p, rel=1e-12)
    assert test.p_value == pytest.approx(beta_distribution(1, n).sf(min(times) / 100.0), rel=1e-9)


def test_leaks_in_the_last_part_of_a_life_are_never_called_steady():
    """Three leaks in the last 18 % of 33 years, the record ending on the third."""
    record = LeakRecord(start=0.0, end=33.0, times=(33.0 * 0.82, 30.0, 33.0), ends_on_leak=True)
    history = leak_history.read_history(record)
    assert "steady rate" in history.says and "they do not come at a steady rate" in history.says
    assert "P = 0.032" in history.says and "As if steady" not in history.says


def test_prices_on_a_thin_record_give_a_range_and_no_advice():
    """Exact Poisson limits of two leaks (Garwood 1936): half the chi-square of 4 and 6 degrees."""
    told = {
        "leak_dates": ("2023-03-01", "2024-02-01"),
        "history_from": "2004-01-01",
        "history_to": "2024-06-01",
        "made_year": 2004.0,
    }
    answer = repair.repair_or_replace(told, _judgement(), _prices())
    low, high = (chi2_distribution(f).ppf(q) / 2 / answer.history.record.years for f, q in ((4, 0.025), (6, 0.975)))
    years, cost = _prices().horizon_years, _prices().cost_of_leak
    assert f"{low * years * cost:,.0f} to {high * years * cost:,.0f}" in answer.recommendation
    assert "Nothing is recommended" in answer.recommendation and answer.costs is None
