"""Gumbel extremes against published fits, and against scipy as an independent library."""

import csv
import doctest
import math

import numpy as np
import pytest
from scipy import stats

from analyzer.base.flags import InputError
from analyzer.wall import extremes
from analyzer.wall.extremes import (
    TooFewMaxima,
    block_maxima,
    deepest_to_expect,
    fit,
    plotting_positions,
    predicted_largest,
    probability_plot,
    reduced_variate,
)
from tests import simulate_deepest
from tests.conftest import DATA


def column(name):
    with (DATA / name).open(newline="") as file:
        return [float(row[0]) for row in list(csv.reader(file))[1:]]


PORT_PIRIE = column("portpirie_annual_max_sea_level_m.csv")  # Coles 2001, annual maximum sea levels
TEN = column("gumbel_ten_value_flood.csv")  # a public lesson on Gumbel's law (math-for-sustainability.com 2017/07)


def likelihood_standard_error(made, period):
    """scale * sqrt((1.1087 + 0.5140 y + 0.6079 y^2) / n): of a maximum-likelihood return level, from Fisher's information; ASTM
    E2283 prints 1.109, 0.514, 0.608 (from memory)."""
    y = reduced_variate(period)
    return made.scale * math.sqrt((1.1087 + 0.5140 * y + 0.6079 * y * y) / made.count)


def test_docstrings_hold():
    assert doctest.testmod(extremes).failed == 0


def test_port_pirie_maximum_likelihood():
    # published: mu 3.869, sigma 0.195, standard errors 0.0255 and 0.0189, nllh -4.22 (public R notes on ismev's gum.fit)
    made = fit(PORT_PIRIE)
    assert made.location == pytest.approx(3.869, abs=5e-4) and made.scale == pytest.approx(0.195, abs=5e-4)
    assert -stats.gumbel_r.logpdf(PORT_PIRIE, made.location, made.scale).sum() == pytest.approx(-4.22, abs=5e-3)
    # Fisher's information at period 1 / (1 - exp(-1)), where the return level is the location itself
    assert likelihood_standard_error(made, 1 / (1 - math.exp(-1))) == pytest.approx(0.0255, abs=2e-4)
    independent = stats.gumbel_r.fit(PORT_PIRIE)
    assert (made.location, made.scale) == pytest.approx(independent, rel=1e-6)


def test_ten_values_by_an_independent_library():
    made = fit(TEN)
    assert (made.location, made.scale) == pytest.approx(stats.gumbel_r.fit(TEN), rel=1e-6)


@pytest.mark.parametrize(("count", "further"), [(4, 16), (10, 190)])
def test_prediction_holds_the_largest_of_many(count, further):
    """Under Gumbel's law the interval is exact (Antle and Rademaker 1972, from memory); samples by numpy's own generator."""
    generator = np.random.default_rng(3)
    held, exceeded = [], []
    for _ in range(400):
        low, middle, high = predicted_largest(generator.gumbel(1.0, 0.2, count), further)
        largest = generator.gumbel(1.0, 0.2, further).max()
        held.append(low <= largest <= high)
        exceeded.append(largest > middle)
    assert 0.92 <= np.mean(held) <= 0.975
    assert 0.43 <= np.mean(exceeded) <= 0.57


def test_prediction_is_wider_than_the_parameter_and_repeats():
    low, middle, high = predicted_largest(TEN, 90)
    assert (low, middle, high) == predicted_largest(TEN, 90)
    made = fit(TEN)
    assert high - low > 2 * 1.96 * likelihood_standard_error(made, 100)


def test_scaling_the_depths_scales_the_estimate():
    made, doubled = predicted_largest(TEN, 40), predicted_largest([2 * x + 1 for x in TEN], 40)
    assert doubled == pytest.approx([2 * level + 1 for level in made], rel=1e-6)


def test_plotting_positions_and_straight_line():
    assert plotting_positions(4) == pytest.approx([0.2, 0.4, 0.6, 0.8])
    # Gringorten 1963 (i - 0.44) / (n + 0.12) and Hazen 1914 (i - 0.5) / n, from memory
    assert plotting_positions(4, "gringorten") == pytest.approx([0.56 / 4.12, 1.56 / 4.12, 2.56 / 4.12, 3.56 / 4.12])
    assert plotting_positions(4, "hazen") == pytest.approx([0.125, 0.375, 0.625, 0.875])
    reduced, ordered = probability_plot(TEN)
    assert list(ordered) == sorted(TEN)
    assert reduced[0] == pytest.approx(-math.log(-math.log(1 / 11)))
    assert reduced.mean() == pytest.approx(0.4952, abs=1e-4)  # textbook yn for ten values (from memory)
    assert reduced.std() == pytest.approx(0.9496, abs=2e-4)  # textbook sn


def test_refusals_say_why():
    with pytest.raises(TooFewMaxima, match="at least 4"):
        fit([0.3, 0.4, 0.5])
    with pytest.raises(TooFewMaxima, match="same deepest"):
        fit([0.3] * 6)
    with pytest.raises(InputError, match="not a number"):
        fit([0.1, 0.2, math.nan, 0.4])
    few = deepest_to_expect([0.3, 0.4], block_area_mm2=100, whole_area_mm2=5000)
    assert few.estimates == () and "at least 4" in few.refusal
    far = deepest_to_expect([0.3, 0.4, 0.35, 0.5, 0.41], block_area_mm2=100, whole_area_mm2=100_000)
    assert far.estimates == () and "beyond the 500" in far.refusal
    empty = deepest_to_expect([0.3, 0.4, 0.35, 0.5], block_area_mm2=100, whole_area_mm2=5000, blocks_without_pit=2)
    assert empty.estimates == () and "2 of 6 areas" in empty.refusal
    with pytest.raises(InputError, match="not larger"):
        deepest_to_expect([0.3, 0.4, 0.35, 0.5], block_area_mm2=100, whole_area_mm2=90)


def test_the_prediction_names_its_method_and_stays_within_the_wall():
    made = deepest_to_expect(
        [0.31, 0.36, 0.28, 0.42, 0.35, 0.33, 0.39, 0.30, 0.37, 0.34], block_area_mm2=200, whole_area_mm2=80_000
    )
    assert made.refusal is None and made.area_ratio == 400
    (estimate,) = made.estimates
    low, high = estimate.interval_95
    assert low < estimate.value < high and "prediction" in estimate.interval_method
    thin = deepest_to_expect(made.maxima_mm, block_area_mm2=200, whole_area_mm2=80_000, thickest_mm=0.5)
    assert thin.estimates[0].interval_95[1] == 0.5 and "go through" in thin.cautions[0]
    assert estimate.value > 0.42  # deeper than any that was seen
    assert any("3 %" in caution for caution in made.cautions)


def test_block_maxima():
    maxima, empty = block_maxima([1, 9, 11, 35, 40], [0.1, 0.3, 0.2, 0.5, 0.6], length_mm=40, blocks=4)
    assert maxima == (0.3, 0.2, 0.6) and empty == 1
    assert block_maxima([1, 35], [0.1, 0.5], length_mm=40, blocks=1) == ((0.5,), 0)
    with pytest.raises(InputError):
        block_maxima([1], [0.1], length_mm=0, blocks=4)


def test_the_deepest_of_a_run_is_held_where_depths_follow_other_laws():
    """``python -m tests.simulate_deepest`` with fewer runs; its sources stand there."""
    made = simulate_deepest.simulate(45, seed=2)
    cases = [case for group in made.values() for case in group]
    assert len(cases) == 45 * len(made)
    assert 0.92 <= simulate_deepest.share(cases, "held") <= 0.985
    assert simulate_deepest.share(cases, "above") <= 0.05
    assert 0.25 <= simulate_deepest.share(cases, "beyond_value") <= 0.6
