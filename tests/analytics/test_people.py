"""How cases stand by what people did: the fold of acts, and when a case that was put aside comes back."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from coilbook.analytics.standing import STANDING, listed, standing

MORNING = datetime.fromisoformat("2026-03-10T13:30")  # 07:30 in Denver
DAY = date(2026, 3, 10)
ACT: dict[str, Any] = {
    "case_id": pl.String,
    "act_id": pl.Int64,
    "kind": pl.String,
    "who": pl.String,
    "at": pl.Datetime("us"),
    "to_person": pl.String,
    "until": pl.Date,
    "text": pl.String,
    "outcome": pl.String,
    "undoes": pl.Int64,
}


def acts(*told: dict[str, Any]) -> pl.DataFrame:
    """Acts 1, 2, ... of case `k`, one an hour from `MORNING` on, by `Ada`."""
    rows = [
        {"case_id": "k", "act_id": i, "who": "Ada", "at": MORNING + timedelta(hours=i - 1)} | one
        for i, one in enumerate(told, start=1)
    ]
    return pl.DataFrame([{name: row.get(name) for name in ACT} for row in rows], schema=ACT)


def assign(name: str | None) -> dict[str, Any]:
    return {"kind": "assign", "to_person": name}


def snooze(days: int) -> dict[str, Any]:
    return {"kind": "snooze", "until": DAY + timedelta(days=days)}


def note(text: str) -> dict[str, Any]:
    return {"kind": "note", "text": text}


def close(outcome: str, **more: Any) -> dict[str, Any]:
    return {"kind": "close", "outcome": outcome} | more


def undo(act_id: int) -> dict[str, Any]:
    return {"kind": "undo", "undoes": act_id}


REOPEN = {"kind": "reopen"}


def folded(*told: dict[str, Any]) -> dict[str, Any]:
    return standing(acts(*told)).row(0, named=True)


def test_without_acts_nothing_stands() -> None:
    assert standing(acts()).schema == pl.Schema(STANDING)
    assert standing(acts()).is_empty()


def test_the_newest_of_each_kind_stands() -> None:
    row = folded(assign("Sam"), note("rang"), assign("Ola"), close("confirmed", text="welded"))
    assert row == {
        "case_id": "k",
        "assigned_to": "Ola",
        "snoozed_until": None,
        "snoozed_at": None,
        "outcome": "confirmed",
        "closed_at": MORNING + timedelta(hours=3),
        "closed_by": "Ada",
        "note": "welded",
        "note_at": MORNING + timedelta(hours=3),
        "note_by": "Ada",
        "version": 4,
    }


@pytest.mark.parametrize(
    ("told", "name", "value"),
    [
        pytest.param([assign("Sam"), assign(None)], "assigned_to", None, id="assigned to nobody"),
        pytest.param([assign("Sam"), assign("Ola"), undo(2)], "assigned_to", "Sam", id="the one before"),
        pytest.param([assign("Sam"), undo(1)], "assigned_to", None, id="as if it had not been"),
        pytest.param([assign("Sam"), undo(1)], "version", 2, id="yet it was: an undo is an act"),
        pytest.param([note("a"), note("b"), undo(2)], "note", "a", id="note taken back"),
        pytest.param([note("a"), note("b"), undo(2), undo(1)], "note", None, id="and the one before"),
        pytest.param([snooze(3), snooze(9), undo(2)], "snoozed_until", date(2026, 3, 13), id="nap before"),
        pytest.param([snooze(3), REOPEN], "snoozed_until", None, id="woken"),
        pytest.param([snooze(3), REOPEN, undo(2)], "snoozed_until", date(2026, 3, 13), id="sleeps on"),
        pytest.param([snooze(3), close("no_access")], "snoozed_until", None, id="closing ends a nap"),
        pytest.param([close("confirmed"), REOPEN], "outcome", None, id="open again"),
        pytest.param([close("confirmed"), REOPEN], "closed_by", None, id="closed by nobody"),
        pytest.param([close("confirmed"), REOPEN, undo(2)], "outcome", "confirmed", id="closed after all"),
        pytest.param([close("confirmed"), undo(1)], "outcome", None, id="not closed"),
        pytest.param([close("confirmed"), close("not_found")], "outcome", "not_found", id="corrected"),
        pytest.param([close("confirmed"), close("not_found"), undo(2)], "outcome", "confirmed", id="or not"),
    ],
)
def test_one_act_after_the_other(told: list[dict[str, Any]], name: str, value: object) -> None:
    assert folded(*told)[name] == value


def test_cases_do_not_mix() -> None:
    other = acts(assign("Sam"), close("confirmed")).with_columns(
        case_id=pl.lit("other"), act_id=pl.col("act_id") + 10
    )
    both = standing(pl.concat([other, acts(note("mine"))]))
    assert both["case_id"].to_list() == ["k", "other"]
    assert both["version"].to_list() == [1, 12]
    assert both["assigned_to"].to_list() == [None, "Sam"]


def shown(
    told: list[dict[str, Any]],
    *,
    severity: str = "service",
    rule: str = "missed_window",
    state: str = "continuing",
    found: int = 0,
    later: int = 0,
    zone: str = "America/Denver",
) -> tuple[str, date | None]:
    """State and waking day `later` days after `DAY` at 07:30, the newest finding `found` days after it."""
    case = {"case_id": "k", "rule": rule, "severity": severity, "state": state, "zone": zone}
    cases = pl.DataFrame([case | {"last_finding_on": DAY + timedelta(days=found)}])
    row = listed(cases, standing(acts(*told)), MORNING + timedelta(days=later)).row(0, named=True)
    return row["state"], row["snoozed_until"]


def test_a_snoozed_case_comes_back_on_its_date() -> None:
    assert shown([snooze(5)], later=4) == ("snoozed", date(2026, 3, 15))
    assert shown([snooze(5)], later=5) == ("continuing", None)


def test_danger_comes_back_next_morning_however_long_it_was_snoozed() -> None:
    assert shown([snooze(30)], severity="danger") == ("snoozed", date(2026, 3, 11))
    assert shown([snooze(30)], severity="danger", later=1) == ("continuing", None)
    assert shown([snooze(30)], severity="danger", later=1, state="new") == ("new", None)


def test_what_becomes_danger_while_it_sleeps_is_back_at_once() -> None:
    assert shown([snooze(30)], later=10)[0] == "snoozed"
    assert shown([snooze(30)], severity="danger", later=10)[0] == "continuing"


def test_the_date_is_that_of_the_site() -> None:
    """At 13:30 UTC on the 10th it is the 11th in Auckland (02:30), where a snooze until the 11th is over."""
    assert shown([snooze(1)], zone="Pacific/Auckland")[0] == "continuing"
    assert shown([snooze(1)], zone="Pacific/Honolulu")[0] == "snoozed"


@pytest.mark.parametrize(
    ("outcome", "severity", "rule", "last_quiet"),
    [
        ("confirmed", "service", "missed_window", 2),
        ("setting_changed", "cost", "cloud_starts", 2),
        ("setting_changed", "service", "clock_offset", 7),
        ("confirmed", "service", "no_load_on_close", 7),
        ("confirmed", "wear", "contactor_wear", 14),
        ("setting_changed", "wear", "wearing_fast", 28),
        ("not_found", "service", "missed_window", 7),
        ("not_found", "wear", "wearing_fast", 28),
        ("no_access", "service", "missed_window", -1),
        ("no_access", "wear", "wearing_fast", -1),
        ("no_access", "danger", "chatter", -1),
        ("not_found", "danger", "stuck_closed", -1),
        ("confirmed", "danger", "stuck_closed", 0),
        ("setting_changed", "danger", "not_shed", 0),
    ],
)
def test_a_closed_case_comes_back_when_its_rule_finds_again(
    outcome: str, severity: str, rule: str, last_quiet: int
) -> None:
    def state(found: int) -> str:
        return shown([close(outcome)], severity=severity, rule=rule, found=found, later=40)[0]

    assert (state(last_quiet), state(last_quiet + 1)) == ("closed", "back")


def test_a_closed_case_that_cleared_stays_cleared() -> None:
    assert shown([close("confirmed")], state="cleared", found=5)[0] == "cleared"
    assert shown([close("confirmed")], state="withdrawn", found=5)[0] == "withdrawn"


def test_a_case_that_came_back_can_be_snoozed_and_closed_again() -> None:
    told = [close("no_access"), snooze(4)]
    assert shown(told, found=1, later=2)[0] == "snoozed"
    assert shown(told, found=1, later=4)[0] == "back"
    assert shown([*told, close("confirmed")], found=1, later=2)[0] == "closed"


def test_an_untouched_case_is_left_as_it_is() -> None:
    rows = listed(
        pl.DataFrame(
            {"case_id": ["x"], "rule": ["chatter"], "severity": ["danger"], "state": ["new"]}
            | {"zone": ["America/Denver"], "last_finding_on": [DAY]}
        ),
        standing(acts()),
        MORNING,
    ).row(0, named=True)
    assert (rows["state"], rows["version"], rows["assigned_to"]) == ("new", 0, None)
