"""Gumbel extremes against published fits, and against scipy as an independent library."""

import csv
import doctest
import math

import numpy as np
import pytest
from scipy import integrate, stats

from analyzer.base.flags import InputError
from analyzer.wall import extremes
from analyzer.wall.extremes import (
    BLUE,
    TooFewMaxima,
    block_maxima,
    bootstrap_interval,
    deepest_to_expect,
    finite_sample_level,
    fit,
    fits,
    likelihood_standard_error,
    plotting_positions,
    probability_plot,
    profile_interval,
)
from tests.conftest import DATA


def column(name):
    with (DATA / name).open(newline="") as file:
        return [float(row[0]) for row in list(csv.reader(file))[1:]]


PORT_PIRIE = column("portpirie_annual_max_sea_level_m.csv")  # Coles 2001, annual maximum sea levels
TEN = column("gumbel_ten_value_flood.csv")  # a public lesson on Gumbel's law (math-for-sustainability.com 2017/07)


def test_docstrings_hold():
    assert doctest.testmod(extremes).failed == 0


def test_port_pirie_maximum_likelihood():
    # published: mu 3.869, sigma 0.195, standard errors 0.0255 and 0.0189, nllh -4.22 (public R notes on ismev's gum.fit)
    made = fit(PORT_PIRIE, "maximum likelihood")
    assert made.location == pytest.approx(3.869, abs=5e-4) and made.scale == pytest.approx(0.195, abs=5e-4)
    assert -stats.gumbel_r.logpdf(PORT_PIRIE, made.location, made.scale).sum() == pytest.approx(-4.22, abs=5e-3)
    # Fisher's information at period 1 / (1 - exp(-1)), where the return level is the location itself
    assert likelihood_standard_error(made, 1 / (1 - math.exp(-1))) == pytest.approx(0.0255, abs=2e-4)
    independent = stats.gumbel_r.fit(PORT_PIRIE)
    assert (made.location, made.scale) == pytest.approx(independent, rel=1e-6)
    assert made.return_level(100) == pytest.approx(stats.gumbel_r.ppf(0.99, *independent), rel=1e-7)


def test_ten_values_printed_and_by_every_estimator():
    # printed: T25 21, T50 25, T100 28 by the finite-sample method
    for period, printed in ((25, 21), (50, 25), (100, 28)):
        assert finite_sample_level(TEN, period) == pytest.approx(printed, abs=0.5)
    levels = {made.method: made.return_level(100) for made in fits(TEN)}
    assert levels["maximum likelihood"] == pytest.approx(stats.gumbel_r.ppf(0.99, *stats.gumbel_r.fit(TEN)), rel=1e-6)
    # moments and L-moments recomputed from their textbook definitions by other means
    assert levels["moments"] == pytest.approx(22.584, abs=5e-3)
    pairs = [abs(a - b) for i, a in enumerate(TEN) for b in TEN[i + 1 :]]
    scale = np.mean(pairs) / 2 / math.log(2)  # the second L-moment is half of Gini's mean difference
    expected = np.mean(TEN) - 0.5772156649 * scale + scale * -math.log(-math.log(0.99))
    assert levels["L-moments"] == pytest.approx(expected, rel=1e-9)
    assert set(levels) == {"moments", "maximum likelihood", "L-moments", "Lieblein BLUE"}


@pytest.mark.parametrize("n", BLUE)
def test_blue_weights_are_the_best_linear_unbiased_ones(n):
    """Generalised least squares on the order statistics' moments, integrated by scipy: nothing shared with the table."""

    def density(i, x):  # of the i-th of n ordered standard Gumbel values
        cdf = stats.gumbel_r.cdf(x)
        return math.exp(math.lgamma(n + 1) - math.lgamma(i) - math.lgamma(n - i + 1)) * cdf ** (i - 1) * (1 - cdf) ** (n - i) * stats.gumbel_r.pdf(x)  # fmt: skip

    mean = np.array([integrate.quad(lambda x, i=i: x * density(i, x), -6, 25)[0] for i in range(1, n + 1)])
    a, b = (np.array(weights) for weights in BLUE[n])
    assert a.sum() == pytest.approx(1, abs=1e-5) and b.sum() == pytest.approx(0, abs=1e-5)
    assert a @ mean == pytest.approx(0, abs=2e-5) and b @ mean == pytest.approx(1, abs=2e-5)
    if n == 5:  # Lieblein's printed weights, from memory
        assert a == pytest.approx([0.418934, 0.246282, 0.167609, 0.108824, 0.058350], abs=5e-5)
    # best: no other unbiased weights have a smaller spread; the tabled ones scatter less than moments do
    generator = np.random.default_rng(7)
    samples = np.sort(generator.gumbel(size=(20000, n)), axis=1)
    by_moments = samples.std(axis=1, ddof=1) * math.sqrt(6) / math.pi
    unbiased = by_moments / by_moments.mean()
    assert (samples @ b).std() < unbiased.std()


def test_profile_interval_holds_its_promise():
    generator = np.random.default_rng(3)
    truth = stats.gumbel_r.ppf(1 - 1 / 50, 1.0, 0.2)
    held = [
        low <= truth <= high for low, high in (profile_interval(generator.gumbel(1.0, 0.2, 20), 50) for _ in range(150))
    ]
    assert 0.88 <= np.mean(held) <= 0.995


@pytest.mark.parametrize("method", ["moments", "L-moments", "Lieblein BLUE"])
def test_bootstrap_interval_holds_its_promise_and_repeats(method):
    generator = np.random.default_rng(5)
    truth = stats.gumbel_r.ppf(1 - 1 / 50, 1.0, 0.2)
    samples = generator.gumbel(1.0, 0.2, (60, 10))
    held = [low <= truth <= high for low, high in (bootstrap_interval(s, 50, method, draws=250) for s in samples)]
    assert 0.85 <= np.mean(held) <= 1.0
    assert bootstrap_interval(samples[0], 50, method, draws=99) == bootstrap_interval(samples[0], 50, method, draws=99)


def test_scaling_the_depths_scales_the_estimate():
    for made, doubled in zip(fits(TEN), fits([2 * x + 1 for x in TEN]), strict=True):
        assert doubled.return_level(40) == pytest.approx(
            2 * made.return_level(40) + 1, rel=1e-6
        )  # the tabled weights have six decimals


def test_plotting_positions_and_straight_line():
    assert plotting_positions(4) == pytest.approx([0.2, 0.4, 0.6, 0.8])
    reduced, ordered = probability_plot(TEN)
    assert list(ordered) == sorted(TEN)
    assert reduced[0] == pytest.approx(-math.log(-math.log(1 / 11)))
    assert reduced.mean() == pytest.approx(0.4952, abs=1e-4)  # textbook yn for ten values (from memory)
    assert reduced.std() == pytest.approx(0.9496, abs=2e-4)  # textbook sn


def test_refusals_say_why():
    with pytest.raises(TooFewMaxima, match="at least 4"):
        fit([0.3, 0.4, 0.5], "moments")
    with pytest.raises(TooFewMaxima, match="same deepest"):
        fit([0.3] * 6, "moments")
    with pytest.raises(InputError, match="tabled for 4, 5, 6, 10"):
        fit(TEN[:7], "Lieblein BLUE")
    with pytest.raises(InputError, match="not a number"):
        fit([0.1, 0.2, math.nan, 0.4], "moments")
    with pytest.raises(InputError, match="estimator"):
        fit(TEN, "eye")
    few = deepest_to_expect([0.3, 0.4], block_area_mm2=100, whole_area_mm2=5000)
    assert few.estimates == () and "at least 4" in few.refusal
    far = deepest_to_expect([0.3, 0.4, 0.35, 0.5, 0.41], block_area_mm2=100, whole_area_mm2=100_000)
    assert far.estimates == () and "beyond the 500" in far.refusal
    empty = deepest_to_expect([0.3, 0.4, 0.35, 0.5], block_area_mm2=100, whole_area_mm2=5000, blocks_without_pit=2)
    assert empty.estimates == () and "2 of 6 areas" in empty.refusal
    with pytest.raises(InputError, match="not larger"):
        deepest_to_expect([0.3, 0.4, 0.35, 0.5], block_area_mm2=100, whole_area_mm2=90)


def test_each_estimate_names_its_method():
    made = deepest_to_expect(
        [0.31, 0.36, 0.28, 0.42, 0.35, 0.33, 0.39, 0.30, 0.37, 0.34], block_area_mm2=200, whole_area_mm2=80_000
    )
    assert made.refusal is None and made.area_ratio == 400
    assert [e.method for e in made.estimates] == list(extremes.ESTIMATORS)
    for estimate in made.estimates:
        low, high = estimate.interval_95
        assert low < estimate.value < high and estimate.interval_method
        assert estimate.value > 0.42  # deeper than any that was seen
    assert any("3 %" in caution for caution in made.cautions)


def test_block_maxima():
    maxima, empty = block_maxima([1, 9, 11, 35, 40], [0.1, 0.3, 0.2, 0.5, 0.6], length_mm=40, blocks=4)
    assert maxima == (0.3, 0.2, 0.6) and empty == 1
    with pytest.raises(InputError):
        block_maxima([1], [0.1], length_mm=0, blocks=4)
