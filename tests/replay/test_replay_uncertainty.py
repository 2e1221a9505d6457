"""Resampling of sites, and the decision that may say it cannot tell."""

from __future__ import annotations

import numpy as np
import pytest
from coilbook.analytics.replay.uncertainty import NONE, best, decide, draws, interval, weighted_medians

ONES = np.ones((1, 4))


def test_draws_are_whole_repeatable_and_of_sites() -> None:
    counts = draws(7, 500, 3)
    assert counts.shape == (500, 7)
    assert (counts.sum(axis=1) == 7).all()
    assert (counts == draws(7, 500, 3)).all()
    assert (counts != draws(7, 500, 4)).any()
    assert counts.mean() == 1.0
    assert counts.var() == pytest.approx(6 / 7, rel=0.1)  # binomial(7, 1/7)


def test_weighted_medians_are_those_of_repeated_values() -> None:
    generator = np.random.default_rng(5)
    values = generator.integers(0, 9, size=(8, 3)).astype(float)
    weights = generator.integers(0, 4, size=(50, 8)).astype(float)
    weights[:, 0] += 1
    found = weighted_medians(weights, values)
    for r, row in enumerate(weights):
        assert found[r] == pytest.approx(np.median(np.repeat(values, row.astype(int), axis=0), axis=0))


def test_best_is_the_cheapest_that_keeps_the_limit() -> None:
    cost = np.array([[1.0, 2.0, 2.0], [1.0, 2.0, 2.0], [1.0, 2.0, 2.0], [1.0, 2.0, 2.0]])
    within = np.ones((4, 3), bool)
    assert best(ONES, cost, within).tolist() == [0]
    within[0, 0] = False
    assert best(ONES, cost, within).tolist() == [1]
    assert best(ONES, cost, within, keep=0.75).tolist() == [0]
    assert best(ONES, cost, np.zeros((4, 3), bool)).tolist() == [NONE]
    nineteen = np.ones((20, 1), bool)
    nineteen[0] = False
    assert best(np.ones((1, 20)), np.ones((20, 1)), nineteen).tolist() == [0]  # 95 % exactly


def fleet(sites: int, spread: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    cost = np.array([[100.0, 99.0]]) + spread * np.random.default_rng(1).standard_normal((sites, 2))
    return cost, np.ones((sites, 2), bool), np.arange(sites)


def test_enough_to_tell() -> None:
    cost, within, site = fleet(12, 0.1)
    decision = decide(cost, within, site, np.full(12, 60.0), draws(12, 1000, 1))
    assert (decision.choice, decision.agreement, decision.reasons) == (1, 1.0, ())


def test_not_enough_to_tell_says_why() -> None:
    cost, within, site = fleet(7, 0.1)
    few = decide(cost, within, site, np.full(7, 27.0), draws(7, 1000, 1))
    assert [r.split(" ")[1] for r in few.reasons] == ["7", "27"]
    even = np.array([[1.0, 2.0], [2.0, 1.0]] * 6)
    split = decide(even, np.ones((12, 2), bool), np.arange(12), np.full(12, 60.0), draws(12, 1000, 1))
    assert not split.enough
    assert "resamples agree" in split.reasons[0]
    never = decide(cost, ~within, site, np.full(7, 60.0), draws(7, 100, 1))
    assert never.choice == NONE
    assert "starts limit" in never.reasons[0]


def test_two_circuits_of_one_site_are_drawn_together() -> None:
    """Circuits doubled within their sites leave the interval as it was;

    as sites of their own they narrow it.
    """
    values = np.random.default_rng(2).standard_normal(30)
    once = draws(30, 2000, 9)

    def width(site: np.ndarray, counts: np.ndarray, column: np.ndarray) -> float:
        weights = counts[:, site].astype(float)
        low, high = interval((weights @ column[:, None]) / weights.sum(axis=1, keepdims=True))
        return float(high[0] - low[0])

    single = width(np.arange(30), once, values)
    doubled = width(np.repeat(np.arange(30), 2), once, np.repeat(values, 2))
    apart = width(np.arange(60), draws(60, 2000, 9), np.repeat(values, 2))
    assert doubled == pytest.approx(single)
    assert apart == pytest.approx(single / np.sqrt(2), rel=0.1)
