"""The scorer on fleets small enough to count by hand."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from evaluation.fleets import Observed
from evaluation.score import FOLLOWS, score

DAY1 = date(2026, 3, 1)
KEY = {"rule": pl.String, "subject": pl.String, "local_date": pl.Date}
SITES = ("S1", "S2", "S3")


def day(number: int) -> date:
    return DAY1 + timedelta(days=number - 1)


def days(*rows: tuple[str, str, int], **more: Any) -> pl.DataFrame:
    frame = pl.DataFrame([(r, s, day(n)) for r, s, n in rows], schema=KEY, orient="row")
    return frame.with_columns(pl.lit(value, pl.String).alias(name) for name, value in more.items())


def fleet(
    planted: list[tuple[str, str, int, int, str]] = [],  # noqa: B006 - never changed
    shown: pl.DataFrame | None = None,
    findings: pl.DataFrame | None = None,
    not_judged: pl.DataFrame | None = None,
    cases: list[tuple[str, str, str, int, int, int]] = [],  # noqa: B006 - never changed
) -> Observed:
    """Three sites over ten days, by samples of 1 min."""
    faults = [(r, s, s.split("-")[0], day(a), day(b), grade) for r, s, a, b, grade in planted]
    opened = [(r, s, s.split("-")[0], sev, day(a), day(b), day(c)) for r, s, sev, a, b, c in cases]
    text = pl.String
    return Observed(
        interval_s=60,
        first=DAY1,
        last=day(10),
        sites=SITES,
        planted=pl.DataFrame(
            faults,
            schema={"rule": text, "subject": text, "site_id": text, "first": pl.Date, "last": pl.Date,
                    "strength": text},
            orient="row",
        ),
        shown=days() if shown is None else shown,
        findings=days(explained_by=None) if findings is None else findings,
        not_judged=days() if not_judged is None else not_judged,
        cases=pl.DataFrame(
            opened,
            schema={"rule": text, "subject": text, "site_id": text, "severity": text,
                    "first_finding_on": pl.Date, "opened_on": pl.Date, "last_finding_on": pl.Date},
            orient="row",
        ),
    )  # fmt: skip


CHATTER = ("chatter", "S1-a", 3, 8, "often")


def test_days_found_missed_and_without_response_are_three_things() -> None:
    seen = fleet(
        [CHATTER],
        shown=days(*(("chatter", "S1-a", n) for n in (3, 4, 5))),
        findings=days(("chatter", "S1-a", 3), explained_by=None),
        not_judged=days(("chatter", "S1-a", 5)),
    )
    assert dict(score(seen).days) == {
        ("chatter", 60, "often", "found"): 1,
        ("chatter", 60, "often", "missed"): 1,
        ("chatter", 60, "often", "no_response"): 1,
    }


def test_a_finding_is_right_where_shown_or_planted_and_else_false() -> None:
    seen = fleet(
        [CHATTER],
        shown=days(("silent", "S2", 4)),
        findings=days(
            ("chatter", "S1-a", 7), ("chatter", "S1-a", 9), ("chatter", "S2-a", 7), ("silent", "S2", 4),
            explained_by=None,
        ),
    )  # fmt: skip
    assert dict(score(seen).findings) == {
        ("chatter", 60, "right"): 1,
        ("chatter", 60, "false"): 2,
        ("silent", 60, "right"): 1,
    }


@pytest.mark.parametrize(("rule", "outcome"), [("no_load_on_close", "right"), ("chatter", "false")])
def test_the_neighbouring_day_is_right_only_for_rules_of_several_days(rule: str, outcome: str) -> None:
    seen = fleet([(rule, "S1-a", 3, 8, "all")], findings=days((rule, "S1-a", 9), explained_by=None))
    assert dict(score(seen).findings) == {(rule, 60, outcome): 1}


def test_an_explained_finding_claims_nothing_of_its_own_but_counts_as_found() -> None:
    seen = fleet(
        shown=days(("missed_window", "S1-a", 4)),
        findings=pl.concat(
            [
                days(("missed_window", "S1-a", 4), explained_by="clock_offset"),
                days(("missed_window", "S2-a", 4), explained_by="clock_offset"),
            ]
        ),
    )
    made = score(seen)
    assert not made.findings
    assert dict(made.days) == {("missed_window", 60, FOLLOWS, "found"): 1}


def test_days_before_and_after_the_fleet_s_whole_days_are_left_out() -> None:
    seen = fleet(findings=days(("chatter", "S1-a", 0), ("chatter", "S1-a", 11), explained_by=None))
    assert not score(seen).findings


def test_delay_counts_from_the_fault_s_first_day_to_the_case() -> None:
    seen = fleet(
        [CHATTER],
        shown=days(("chatter", "S1-a", 5)),
        findings=days(("chatter", "S1-a", 5), explained_by=None),
        cases=[("chatter", "S1-a", "danger", 5, 6, 6)],
    )
    assert dict(score(seen).delays) == {("chatter", 60, "often", 3): 1}


def test_delay_of_a_fault_that_waits_for_weather_counts_from_the_first_day_that_shows_it() -> None:
    seen = fleet(
        [("cloud_starts", "S1-a", 1, 10, "broken days")],
        shown=days(("cloud_starts", "S1-a", 4), ("cloud_starts", "S1-a", 6)),
        findings=days(("cloud_starts", "S1-a", 4), ("cloud_starts", "S1-a", 6), explained_by=None),
        cases=[("cloud_starts", "S1-a", "cost", 4, 6, 6)],
    )
    assert dict(score(seen).delays) == {("cloud_starts", 60, "broken days", 2): 1}


def test_faults_found_missed_and_not_shown() -> None:
    seen = fleet(
        [CHATTER, ("chatter", "S2-a", 3, 8, "often"), ("chatter", "S3-a", 3, 8, "often")],
        shown=days(("chatter", "S1-a", 4), ("chatter", "S2-a", 4)),
        findings=days(("chatter", "S1-a", 4), explained_by=None),
    )
    assert dict(score(seen).faults) == {
        ("chatter", 60, "often", "found"): 1,
        ("chatter", 60, "often", "missed"): 1,
        ("chatter", 60, "often", "no_response"): 1,
    }


def test_every_case_on_a_healthy_site_is_false_and_elsewhere_those_that_nothing_bears_out() -> None:
    seen = fleet(
        [CHATTER],
        shown=days(("silent", "S2", 4)),
        cases=[
            ("silent", "S2", "data", 4, 4, 5),  # shown, but the site is healthy
            ("chatter", "S1-a", "danger", 8, 8, 9),  # begins while the fault stands
            ("chatter", "S1-b", "danger", 8, 8, 9),  # another circuit
            ("chatter", "S1-c", "danger", 11, 11, 11),  # after the last whole day
        ],
    )
    made = score(seen)
    assert dict(made.cases) == {("silent", 60, "data", "healthy"): 1, ("chatter", 60, "danger", "faulty"): 1}
    assert dict(made.healthy_days) == {(60,): 20}


def test_scores_add_up() -> None:
    one = score(fleet(findings=days(("chatter", "S1-a", 2), explained_by=None)))
    both = one + one
    assert dict(both.findings) == {("chatter", 60, "false"): 2}
    assert dict(one.findings) == {("chatter", 60, "false"): 1}
    assert dict(both.healthy_days) == {(60,): 60}
