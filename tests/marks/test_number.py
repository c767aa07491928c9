"""The number of pits against a sampling design whose answer is known, and against figures computed by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analyzer.marks.number import Marks, marks_by_learning, number_of_pits, seen_share

TABLE = {
    "intercept": -1.0,
    "oblique": -2.0,
    "ln_pixels": 1.5,
    "constant": 1.0,
    "scatter": 0.25,
    "covariance": np.eye(3) * 0.01,
}


def marks(confidence, unseen=0.0, **others) -> Marks:
    n = len(confidence)
    made = Marks(
        x_px=np.arange(n, dtype=float), y_px=np.zeros(n), confidence=np.array(confidence, float), pit=np.zeros(n, int),
        oblique_deg=np.zeros(n), pixels=np.full(n, 10.0), spread=np.full(n, 0.1), unseen=np.full(n, float(unseen)), slopes=np.zeros((n, 3)), covariance=np.zeros((3, 3)), scatter=0.0, constant=1.0,
    )  # fmt: skip
    return replace(made, **others)


def test_estimate_by_hand():
    """31 marks, each as likely a pit as not, five of six seen: N = 15.5 * 1.2 = 18.6; variance 31 * .25 * 1.44 + 15.5 * .2 * 1.2 = 14.88;
    with a scatter of a quarter ln(N + 1) has 0.3182, so 19.6 / 1.866 - 1 = 9.5 to 19.6 * 1.866 - 1 = 35.6, outwards."""
    made = number_of_pits(marks([0.5] * 31, 0.2, scatter=0.25), {}, (), 0)
    assert made.value == pytest.approx(18.6)
    assert made.budget["pits missed or taken by mistake"] == pytest.approx(math.sqrt(14.88))
    assert made.interval_95 == (9.0, 36.0)


def test_sure_pits_that_all_are_seen_leave_nothing_open():
    made = number_of_pits(marks([1.0] * 8), {}, (), 0)
    assert made.value == 8 and made.interval_95 == (8.0, 8.0) and made.standard_uncertainty == 0


def test_no_mark_is_no_pit_and_doubtful_ones_take_in_none():
    assert number_of_pits(marks([], scatter=0.25), {}, (), 0).interval_95[0] == 0
    assert number_of_pits(marks([]), {}, (), 0).interval_95 == (0.0, 0.0)
    assert number_of_pits(marks([0.05] * 20, scatter=0.25), {}, (), 0).interval_95[0] == 0


def test_interval_holds_a_known_number_that_is_sampled():
    """Horvitz and Thompson's design (1952): 60 places, each a pit by its confidence, each pit seen by its share. Drawn 800 times."""
    generator = np.random.default_rng(5)
    held = []
    for _ in range(800):
        chance = generator.uniform(0.1, 1.0, 60)
        share = generator.uniform(0.5, 0.95, 60)
        true = generator.random(60) < chance
        seen = ~true | (generator.random(60) < share)  # a mark that is none is seen always; a pit by its share
        # what is known of a mark that is seen: how likely it is one, given that it is seen
        sure = chance * share / (chance * share + 1 - chance)
        made = number_of_pits(replace(marks(sure[seen]), unseen=(1 / share - 1)[seen]), {}, (), 0)
        low, high = made.interval_95
        held.append(low <= true.sum() <= high)
    assert 0.93 <= np.mean(held) <= 0.995


def test_corrections_by_a_person():
    found = marks([0.5] * 4, 0.2, pit=np.array([1, 2, 3, 0]), scatter=0.25)
    listed = {1: 0.5, 2: 0.5, 3: 0.5}
    assert number_of_pits(found, listed, (), 0).value == pytest.approx(2.4)
    taken_out = number_of_pits(found, {1: 0.5, 2: 0.5}, (), 0)
    assert taken_out.value == pytest.approx(1.8)
    confirmed = number_of_pits(found, {**listed, 1: 1.0, 2: 1.0}, (1, 2), 0)
    assert confirmed.value == pytest.approx(3.6) and confirmed.interval_95[0] >= 2
    # one that a person added is one of those that were not seen: 0.4 of a pit was reckoned for them already
    added = number_of_pits(found, listed, (), 1)
    assert added.value == pytest.approx(2.0 + 1.0) and added.interval_95[0] >= 1


def test_marks_on_metal_seen_aslant_are_left_out_and_the_share_falls_with_obliquity_and_size():
    share, _ = seen_share(TABLE, np.array([0.0, 50.0, 0.0]), np.array([12.0, 12.0, 4.0]))
    assert share[0] > share[1] and share[0] > share[2]
    assert share[0] == pytest.approx(1 / (1 + math.exp(1.0 - 1.5 * math.log(12.0))))
    two = np.array([0.9, 0.9])
    made = marks_by_learning(
        TABLE,
        x_px=two,
        y_px=two,
        confidence=two,
        pit=np.array([1, 2]),
        oblique_deg=np.array([10.0, 65.0]),
        pixels=two * 10,
        spread=two * 0.1,
    )
    squarely = number_of_pits(made.at(np.array([True, False])), {1: 0.9}, (), 0)
    assert number_of_pits(made, {1: 0.9, 2: 0.9}, (), 0) == squarely
    # slopes: change of 1 / share with each coefficient, against a step of it
    step = 1e-5
    moved = marks_by_learning(
        {**TABLE, "ln_pixels": 1.5 + step}, x_px=two, y_px=two, confidence=two, pit=np.array([1, 2]),
        oblique_deg=np.array([10.0, 65.0]), pixels=two * 10, spread=two * 0.1,
    )  # fmt: skip
    assert (moved.unseen - made.unseen)[0] / step == pytest.approx(made.slopes[0, 2], rel=1e-3)
