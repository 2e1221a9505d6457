"""The table of the evaluation: its numbers, its intervals, and that DEVELOPERS.md holds the newest one."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from coilbook.analytics.rules import BY_NAME
from coilbook.fixtures.trials import TRIALS
from statsmodels.stats.proportion import proportion_confint

from evaluation import measured
from evaluation.measured import Measured
from evaluation.score import FOLLOWS, Scores
from evaluation.strengths import NEIGHBOURS, SLOW, WAITING, WEAK
from evaluation.table import (
    BEGIN,
    END,
    delays,
    false_cases,
    in_place,
    put_in_place,
    quantile,
    recall,
    render,
    share,
    short_of,
)


def scores() -> Scores:
    return Scores(
        days=Counter(
            {
                ("stuck_closed", 60, "110 min", "found"): 90,
                ("stuck_closed", 60, FOLLOWS, "found"): 5,
                ("stuck_closed", 60, "110 min", "missed"): 5,
                ("stuck_closed", 900, "110 min", "no_response"): 40,
                ("stuck_closed", 60, "20 min", "missed"): 60,
            }
        ),
        findings=Counter({("stuck_closed", 60, "right"): 95, ("stuck_closed", 60, "false"): 5}),
        faults=Counter({("stuck_closed", 60, "20 min", "missed"): 7}),
        delays=Counter({("stuck_closed", 60, "110 min", 0): 18, ("stuck_closed", 60, "110 min", 4): 2}),
        cases=Counter(
            {("no_load_on_close", 60, "data", "healthy"): 2, ("chatter", 60, "danger", "faulty"): 1}
        ),
        healthy_days=Counter({(60,): 700}),
    )


def test_weak_strengths_and_days_without_response_stay_out_of_recall() -> None:
    assert recall(scores(), "stuck_closed") == (95, 5, 40)
    assert recall(scores(), "stuck_closed", 900) == (0, 0, 40)


def test_targets_are_met_at_the_limit_and_a_late_tail_is_told() -> None:
    assert short_of(scores(), "stuck_closed") == ["delay (95 % within 4 d, asked 2 d)"]
    worse = scores()
    worse.findings["stuck_closed", 60, "false"] += 1
    worse.days["stuck_closed", 60, "40 min", "missed"] += 1
    assert short_of(worse, "stuck_closed")[:2] == ["precision", "recall"]


@pytest.mark.parametrize(("share_of", "expected"), [(0.5, 2), (0.95, 9), (1.0, 9), (0.01, 1)])
def test_quantiles(share_of: float, expected: int) -> None:
    assert quantile([1, 2, 2, 9], share_of) == expected
    assert quantile([], share_of) is None


def test_delays_count_each_fault() -> None:
    assert delays(scores(), "stuck_closed") == [0] * 18 + [4] * 2


@pytest.mark.parametrize(("k", "n"), [(95, 100), (0, 20), (20, 20), (81, 263)])
def test_shares_carry_wilson_s_interval_as_statsmodels_has_it(k: int, n: int) -> None:
    low, high = proportion_confint(k, n, method="wilson")
    assert share(k, n) == f"{k / n:.3f} ({abs(low):.3f} to {high:.3f})"


def test_false_cases_by_severity_and_place() -> None:
    assert false_cases(scores(), severity="danger") == 1
    assert false_cases(scores(), place="healthy") == 2
    text = render(Measured(scores(), (7001, 7002), 60, 28))
    assert "2 in 100 site-weeks, **2.00 per 100**" in text
    assert "severity danger: **1**" in text


def test_every_name_in_the_lists_of_strengths_is_a_rule_and_a_strength_that_is_planted() -> None:
    planted = {trial.grade for trial in TRIALS}
    assert {strength for _, strength in WEAK} <= planted
    assert {rule for rule, _ in WEAK} | SLOW | WAITING | set(NEIGHBOURS) <= set(BY_NAME)


def test_counts_survive_the_file(tmp_path: Path) -> None:
    one = Measured(scores(), (1, 2), 60, 28)
    measured.write(one, tmp_path / "counts.json")
    assert measured.read(tmp_path / "counts.json") == one


def test_the_table_goes_between_the_markers_and_nowhere_else(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text(f"before\n{BEGIN}\nold\n{END}\nafter\n")
    put_in_place("new", page)
    assert page.read_text() == f"before\n{BEGIN}\nnew\n{END}\nafter\n"
    page.write_text("no markers")
    with pytest.raises(ValueError, match="expected one"):
        put_in_place("new", page)


def test_the_table_in_the_documentation_is_that_of_the_newest_counts_and_has_every_rule() -> None:
    assert in_place() == render(measured.read())
    assert all(f"| `{name}` |" in in_place() for name in BY_NAME)


def test_at_least_twenty_seeds_stand_behind_the_table() -> None:
    assert len(set(measured.read().seeds)) >= 20
