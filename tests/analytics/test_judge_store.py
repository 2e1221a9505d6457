"""Judging against a real store file: facts in, findings and cases out, and again without change."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from coilbook.analytics.cases import update_cases
from coilbook.analytics.judge import judge_fleet, judge_sites
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.analytics.rules.shape import table_schema
from coilbook.ingest.store import Store

DENVER, KATHMANDU = "America/Denver", "Asia/Kathmandu"
FIRST, LAST = date(2026, 3, 1), date(2026, 3, 6)
HORIZON = datetime.fromisoformat("2026-03-06T13:00")  # 06:00 on 6 March in Denver, 18:45 in Kathmandu
SETTINGS = RuleSettings()


def put(store: Store, table: str, *rows: dict[str, Any]) -> None:
    with store.writing() as session:
        schema = table_schema(table)
        session.put(table, pl.DataFrame([{n: row.get(n) for n in schema} for row in rows], schema=schema))


def at(day: date, clock: str) -> datetime:
    return datetime.combine(day, time.fromisoformat(clock))


def days(first: date = FIRST, last: date = LAST) -> list[date]:
    return [first + timedelta(days=i) for i in range((last - first).days + 1)]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Two sites, a week: `a` in Denver, covered throughout; `b` in Kathmandu, without a row since 3 March."""
    with Store.open(tmp_path / "fleet.duckdb") as store:
        put(
            store,
            "site",
            {"site_id": "a", "timezone": DENVER, "area": "N", "tariff_id": "t"},
            {"site_id": "b", "timezone": KATHMANDU, "area": "S"},
        )
        put(
            store,
            "circuit",
            {
                "circuit_id": "a1",
                "site_id": "a",
                "controller_id": "ka",
                "appliance": "pool_pump",
                "min_run_s": 900.0,
                "mech_life_ops": 1e6,
            },
            {
                "circuit_id": "a1",
                "site_id": "a",
                "controller_id": "ka",
                "appliance": "pool_pump",
                "min_run_s": 1800.0,
                "mech_life_ops": 1e6,
                "valid_from": date(2026, 3, 3),
            },
            {
                "circuit_id": "b1",
                "site_id": "b",
                "controller_id": "kb",
                "appliance": "spa",
                "mech_life_ops": 1e6,
            },
        )
        tariff = {"tariff_id": "t", "days": "daily", "export_per_kwh": 0.05, "currency": "EUR"}
        put(
            store,
            "tariff",
            tariff | {"start": time(0), "end": time(17), "import_per_kwh": 0.2},
            tariff | {"start": time(17), "end": time(0), "import_per_kwh": 0.4},
        )
        seen = [("a", day) for day in days()] + [("b", day) for day in days(last=date(2026, 3, 3))]
        put(store, "coverage", *(coverage(site, day) for site, day in seen))
        put(
            store,
            "circuit_day",
            *({"site_id": s, "circuit_id": f"{s}1", "local_date": d, "starts": 1} for s, d in seen),
        )
        yield store


def coverage(site: str, day: date) -> dict[str, Any]:
    return {
        "site_id": site,
        "local_date": day,
        "day_s": 86400.0,
        "samples": 1440,
        "covered_s": 86400.0,
        "first_ts": at(day, "07:00"),
        "last_ts": at(day, "07:00") + timedelta(days=1),
    }


def review(store: Store, horizon: datetime = HORIZON) -> None:
    with store.writing() as session:
        judge_sites(session, ["a", "b"], FIRST, LAST, horizon, SETTINGS)
        judge_fleet(session, FIRST, LAST, horizon, SETTINGS)
        update_cases(session, ["a", "b"], horizon, SETTINGS)


def rows(store: Store, sql: str) -> list[tuple[Any, ...]]:
    with store.reading() as session:
        return session.rows(sql)


def test_a_silent_site_is_judged_through_the_horizon_of_the_fleet(store: Store) -> None:
    review(store)
    found = rows(store, "SELECT rule, subject, local_date FROM finding ORDER BY ALL")
    assert found == [("silent", "b", date(2026, 3, day)) for day in (4, 5, 6)]
    left_open = rows(
        store,
        "SELECT DISTINCT subject, local_date, reason FROM not_judged WHERE rule = 'chatter' ORDER BY ALL",
    )
    assert left_open == [("b1", date(2026, 3, day), "silent") for day in (4, 5, 6)]
    cases = rows(store, "SELECT case_id, state, days, first_finding_on, last_finding_on FROM service_case")
    assert cases == [("silent:b:2026-03-04", "continuing", 3, date(2026, 3, 4), date(2026, 3, 6))]


def test_prices_and_the_days_own_settings_reach_the_rules(store: Store) -> None:
    starts = [
        {
            "site_id": "a",
            "circuit_id": "a1",
            "local_date": date(2026, 3, day),
            "start": at(date(2026, 3, day), clock),
            "why": "cloud",
            "grid_wh": 1000.0,
        }
        for day in (2, 5)
        for clock in ("18:00", "19:00", "20:00")
    ]
    put(store, "surplus_start", *starts)
    review(store)
    found = rows(
        store,
        "SELECT local_date, currency, cost_per_year, sentence"
        " FROM finding WHERE rule = 'cloud_starts' ORDER BY local_date",
    )
    assert [row[:3] for row in found] == [
        (date(2026, 3, 2), "EUR", pytest.approx(365 / 7 * 3 * 0.15, abs=0.01)),
        (date(2026, 3, 5), "EUR", pytest.approx(365 / 7 * 6 * 0.15, abs=0.01)),
    ]
    assert "within the 15 min least run time" in found[0][3]
    assert "within the 30 min least run time" in found[1][3]


def test_judging_again_changes_nothing_and_a_part_replaces_only_itself(store: Store) -> None:
    put(
        store,
        "controller_day",
        *(
            {"site_id": "a", "controller_id": "ka", "local_date": d, "lost_events": 1, "events": 9}
            for d in days()
        ),
    )
    review(store)
    everything = (
        "SELECT * FROM finding ORDER BY ALL",
        "SELECT * FROM not_judged ORDER BY ALL",
        "SELECT * FROM service_case",
    )
    before = [rows(store, sql) for sql in everything]
    review(store)
    assert [rows(store, sql) for sql in everything] == before
    with store.writing() as session:
        session.run("DELETE FROM controller_day WHERE local_date = DATE '2026-03-02'")
        judge_sites(session, ["a"], date(2026, 3, 2), date(2026, 3, 2), HORIZON, SETTINGS)
    assert len(rows(store, everything[0])) == len(before[0]) - 1
    assert rows(store, "SELECT count(*) FROM finding WHERE subject = 'b'") == [(3,)]


def test_day_by_day_gives_the_same_as_all_days_at_once(store: Store) -> None:
    key = {"site_id": "a", "circuit_id": "a1"}
    lockout = key | {"window_id": "k1", "on_s": 900.0, "own_wh": 500.0, "excess_cost": 0.1}
    put(
        store,
        "lockout_result",
        *(lockout | {"local_date": d, "start_ts": at(d, "23:00"), "end_ts": at(d, "23:30")} for d in days()),
    )
    runs = [(d, at(d, "16:00") + timedelta(minutes=7 * i)) for d in days() for i in range(9)]
    run = key | {"cause_on": "clock", "cause_off": "clock", "duration_s": 240.0}
    put(
        store, "run", *(run | {"local_date": d, "start": t, "end": t + timedelta(minutes=4)} for d, t in runs)
    )
    with store.writing() as session:
        session.run(
            "UPDATE circuit_day SET starts = 9, short_runs = 9, max_starts_1h = 9 WHERE site_id = 'a'"
        )
    review(store)
    tables = ("SELECT * FROM finding ORDER BY ALL", "SELECT * FROM not_judged ORDER BY ALL")
    at_once = [rows(store, sql) for sql in tables]
    assert {row[0] for row in at_once[0]} == {"silent", "ran_in_lockout", "short_cycling"}
    with store.writing() as session:
        session.run("DELETE FROM finding")
        session.run("DELETE FROM not_judged")
        for day in reversed(days()):
            judge_sites(session, ["b"], day, day, HORIZON, SETTINGS)
            judge_sites(session, ["a"], day, day, HORIZON, SETTINGS)
            judge_fleet(session, day, day, HORIZON, SETTINGS)
    assert [rows(store, sql) for sql in tables] == at_once


def test_a_judgement_that_fails_leaves_the_verdicts_as_they_were(store: Store) -> None:
    review(store)
    before = rows(store, "SELECT * FROM finding ORDER BY ALL")

    def judge_and_fail() -> None:
        with store.writing() as session:
            judge_sites(session, ["b"], FIRST, LAST, at(FIRST, "12:00"), SETTINGS)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        judge_and_fail()
    assert rows(store, "SELECT * FROM finding ORDER BY ALL") == before


def test_the_running_day_does_not_clear_a_case(store: Store) -> None:
    put(
        store,
        "circuit_day",
        {"site_id": "a", "circuit_id": "a1", "local_date": date(2026, 3, 4), "starts": 3, "chatter": 1},
    )
    review(store)
    state = "SELECT state, cleared_on FROM service_case WHERE rule = 'chatter'"
    assert rows(store, state) == [("continuing", None)], "5 March was clean, 6 March is not over"
    review(store, datetime.fromisoformat("2026-03-07T07:00"))
    assert rows(store, state) == [("cleared", date(2026, 3, 6))]


def test_a_site_without_a_place_is_judged_by_the_balance_and_its_case_clears(store: Store) -> None:
    with store.writing() as session:
        session.run(
            "UPDATE coverage SET residual_samples = 1440, residual_bad = 900 "
            "WHERE site_id = 'a' AND local_date = '2026-03-02'"
        )
    review(store)
    doubt = "FROM not_judged WHERE rule = 'meter_doubt' AND site_id = 'a' ORDER BY ALL"
    left_open = [(day, "place") for day in days(last=date(2026, 3, 5)) if day != date(2026, 3, 2)]
    assert rows(store, f"SELECT local_date, reason {doubt}") == left_open
    state = "SELECT state, last_finding_on, cleared_on FROM service_case WHERE rule = 'meter_doubt'"
    assert rows(store, state) == [("cleared", date(2026, 3, 2), date(2026, 3, 4))]
    with store.writing() as session:
        session.run("UPDATE site SET latitude = 39.7, longitude = -105.0 WHERE site_id = 'a'")
    review(store)
    assert rows(store, f"SELECT local_date, reason {doubt}") == []


def test_a_finding_of_yesterday_is_new_this_morning(store: Store) -> None:
    put(
        store,
        "circuit_day",
        {"site_id": "a", "circuit_id": "a1", "local_date": date(2026, 3, 5), "starts": 3, "chatter": 1},
    )
    review(store)
    assert rows(store, "SELECT state FROM service_case WHERE rule = 'chatter'") == [("new",)]


def test_the_fleets_rule_compares_circuits_of_all_sites(store: Store) -> None:
    for number in range(2, 9):
        put(store, "circuit", {"circuit_id": f"a{number}", "site_id": "a", "appliance": "pool_pump"})
    worn = [(f"a{n}", 30.0 if n == 1 else 4.0) for n in range(1, 9)]
    put(
        store,
        "wear",
        *(
            {"site_id": "a", "circuit_id": c, "local_date": FIRST, "ops_per_day": r, "rate_days": 28}
            for c, r in worn
        ),
    )
    review(store)
    assert rows(store, "SELECT subject, measure, \"limit\" FROM finding WHERE rule = 'wearing_fast'") == [
        ("a1", 30.0, 12.0)
    ]


def test_a_circuit_that_switched_while_no_registry_row_held_is_not_judged(store: Store) -> None:
    put(
        store,
        "circuit",
        {
            "circuit_id": "a9",
            "site_id": "a",
            "appliance": "spa",
            "mech_life_ops": 1e6,
            "valid_from": date(2026, 3, 5),
        },
    )
    put(
        store,
        "circuit_day",
        {"site_id": "a", "circuit_id": "a9", "local_date": date(2026, 3, 4), "starts": 3, "chatter": 1},
    )
    review(store)
    assert rows(store, "SELECT * FROM finding WHERE subject = 'a9'") == []
    reasons = rows(store, "SELECT DISTINCT local_date, reason FROM not_judged WHERE subject = 'a9'")
    assert reasons == [(date(2026, 3, 4), "settings")]
