"""The largest pit: the law of the largest of independent values, a design drawn many times, and what a person says of pits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from analyzer.base.measured import Measure
from analyzer.marks.catalogue import Pit
from analyzer.marks.largest import largest_opening, predicted_largest
from tests.marks_of import marks_of


def a_pit(number: int, mm: float, confidence: float = 1.0, *, spread: float = 0.1, scale: float = 0.0) -> Pit:
    size = Measure.by_shares(mm, {"scale": scale}, {"outline of the mouth": spread}, positive=True)
    return Pit(
        id=number, x_px=10.0 * number, y_px=0.0, opening_area_px=80.0, equivalent_diameter_px=mm / 0.1, confidence=confidence,
        through=None, obliquity_deg=0.0, contrast=9.0, equivalent_diameter_mm=size,
    )  # fmt: skip


@pytest.mark.parametrize("n", [1, 5, 40])
def test_the_largest_of_n_alike_is_the_nth_power_of_the_law_of_one(n):
    """F_max = F^n (any text on order statistics, such as David and Nagaraja, chapter 2; from memory), lognormal with 0.12."""
    ends = predicted_largest(np.ones(n), np.full(n, 1.5), np.full(n, 0.12), np.zeros(n))
    expected = [1.5 * np.exp(0.12 * special.ndtri(p ** (1 / n))) for p in (0.025, 0.975)]
    assert ends == pytest.approx(expected, rel=2e-3)


def test_those_unseen_fall_by_chance():
    """One sure pit of 1 mm and 0.05 unseen of 2 mm, both without error: none of 2 mm with exp(-0.05) = 95.1 %, so one of 100 is not held
    but the upper end, at 97.5 %, is 2 mm; with 0.02 unseen (98.0 %) it is 1 mm."""

    def high(unseen: float) -> float:
        return predicted_largest(
            np.array([1.0, 1e-9]), np.array([1.0, 2.0]), np.full(2, 0.001), np.array([0.0, unseen * 1e9])
        )[1]

    assert high(0.05) == pytest.approx(2.0, rel=0.02) and high(0.02) == pytest.approx(1.0, rel=0.02)


def test_the_interval_holds_the_largest_of_a_known_design():
    """30 marks, each a pit by its confidence, its width off by its scatter, beside it by chance others that nobody saw: drawn 1,500 times."""
    generator = np.random.default_rng(3)
    held = []
    for _ in range(1500):
        sure = generator.uniform(0.3, 1.0, 30)
        wide, spread = generator.uniform(0.4, 3.0, 30), generator.uniform(0.05, 0.3, 30)
        unseen = generator.uniform(0.0, 0.5, 30)
        low, high = predicted_largest(sure, wide, spread, unseen)
        number = (generator.random(30) < sure) + generator.poisson(sure * unseen)
        true = [wide[k] * np.exp(spread[k] * generator.standard_normal(number[k])) for k in range(30)]
        held.append(low <= np.concatenate(true).max() <= high)
    assert 0.935 <= np.mean(held) <= 0.965


def test_a_doubtful_mark_at_the_top_lets_the_next_one_be_the_largest():
    pits = (a_pit(1, 3.0, 0.9), a_pit(2, 1.2), a_pit(3, 1.1))
    doubtful = largest_opening(pits, None, 0.1)
    sure = largest_opening((replace(pits[0], confidence=1.0), *pits[1:]), None, 0.1)
    assert doubtful.value == sure.value == 3.0  # the one that the list shows
    assert doubtful.interval_95[0] < 1.3 and sure.interval_95[0] > 2.4


def test_a_mark_too_doubtful_for_the_list_may_be_the_largest_until_a_person_takes_it_out():
    pits = (a_pit(1, 1.0), a_pit(2, 2.5, 0.3))
    alone = largest_opening(pits[:1], None, 0.1)
    marks = replace(marks_of(pits, unseen=0.0), pit=np.array([1, 0]))
    beside = largest_opening(pits[:1], marks, 0.1)
    assert beside.value == alone.value and beside.interval_95[1] > 2.2 > alone.interval_95[1]
    taken_out = largest_opening(pits[:1], replace(marks, pit=np.array([1, 2])), 0.1)
    assert taken_out.interval_95 == pytest.approx(alone.interval_95)
    # by another scale the mark is as much wider as the pits are
    assert largest_opening(pits[:1], marks, 0.2).interval_95[1] > 4.4


def test_the_scale_that_all_share_is_in_it_once():
    """Of one sure pit the interval is its own: 5 % of its edge and 4 % of the scale, 6.4 % in quadrature (GUM 5.1.6)."""
    low, high = largest_opening((a_pit(1, 2.0, spread=0.05, scale=0.04),), None, 0.1).interval_95
    assert [low, high] == pytest.approx([2.0 * np.exp(-1.96 * 0.0640), 2.0 * np.exp(1.96 * 0.0640)], rel=2e-3)
    assert largest_opening((), None, 0.1) is None
