"""Rules measured on a few small fleets, as CI can: the targets that so few can bear out.

Seeds of their own, none of them among those of the table. Few faults of each kind fall to so few sites, so
the shares asked are those of all rules together; what is asked of each rule is in the table.
"""

from __future__ import annotations

import pytest

from evaluation.fleets import Plan, observe
from evaluation.measured import read
from evaluation.score import Scores, score
from evaluation.table import false_cases, precision, recall, total

PLANS = (Plan(3, 60, sites=24, days=21), Plan(2, 300, sites=48, days=21), Plan(4, 900, sites=36, days=21))


@pytest.fixture(scope="module")
def scores() -> Scores:
    total_scores = Scores()
    for plan in PLANS:
        total_scores = total_scores + score(observe(plan))
    return total_scores


def test_no_danger_is_raised_where_there_is_none(scores: Scores) -> None:
    assert false_cases(scores, severity="danger") == 0


def test_what_is_found_is_right(scores: Scores) -> None:
    rules = {key[0] for key in scores.findings}
    counted = [precision(scores, rule) for rule in rules]
    right, false = (sum(column) for column in zip(*counted, strict=True))
    assert right >= 500
    assert right / (right + false) >= 0.98


def test_what_the_logs_show_is_found(scores: Scores) -> None:
    counted = [recall(scores, rule) for rule in {key[0] for key in scores.days}]
    found, missed, _ = (sum(column) for column in zip(*counted, strict=True))
    assert found >= 500
    assert found / (found + missed) >= 0.97


def test_most_kinds_of_fault_are_found_at_all(scores: Scores) -> None:
    found = {key[0] for key in scores.faults if key[3] == "found"}
    assert len(found) >= 14, found


def test_healthy_homes_are_left_in_peace(scores: Scores) -> None:
    healthy = total(scores.cases, lambda key: key[3] == "healthy" and key[2] != "data")
    assert sum(scores.healthy_days.values()) >= 500
    assert healthy == 0


def test_seeds_of_the_table_are_not_those_of_ci() -> None:
    assert not {plan.seed for plan in PLANS} & set(read().seeds)
