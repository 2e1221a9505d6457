"""The fleet's queries on stores small enough to count by hand."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from coilbook.analytics.queries import fleet
from coilbook.analytics.queries.contactors import contactor_plan
from coilbook.analytics.queries.firmware import firmware_cohorts
from coilbook.analytics.rules.shape import table_schema
from coilbook.ingest.store import Store
from small_store import fill
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

HORIZON = datetime.fromisoformat("2026-03-11T08:00")  # a Wednesday


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.duckdb") as store:
        yield store


def put(store: Store, table: str, *rows: dict[str, Any]) -> None:
    with store.writing() as session:
        schema = table_schema(table)
        session.put(table, pl.DataFrame([{n: row.get(n) for n in schema} for row in rows], schema=schema))


def reviewed(store: Store, horizon: datetime = HORIZON) -> None:
    put(store, "review", {"review_id": 1, "horizon": horizon})


def site(number: int, area: str = "N") -> dict[str, Any]:
    return {"site_id": f"s{number}", "name": f"Home {number}", "area": area, "timezone": "UTC"}


def case(
    rule: str, opened: date, cleared: date | None = None, subject: str = "c1", **more: Any
) -> dict[str, Any]:
    row = {"case_id": f"{rule}:{subject}:{opened}", "rule": rule, "subject": subject, "site_id": "s1"}
    row |= {"subject_kind": "circuit", "severity": "service", "first_finding_on": opened, "opened_on": opened}
    row |= {"last_finding_on": opened, "cleared_on": cleared, "state": "cleared" if cleared else "continuing"}
    return row | {"sentence": "It was so."} | more


def march(day: int) -> date:
    return date(2026, 3, day)


# cases by week


def test_cases_are_counted_by_week(store: Store) -> None:
    put(store, "site", site(1), site(2, "S"))
    put(
        store,
        "service_case",
        case("chatter", march(1), march(2)),  # Sunday to Monday: two weeks touch it
        case("chatter", march(4)),  # stands
        case("chatter", march(9), site_id="s2", subject="c2"),
        case("silent", date(2026, 1, 5), date(2026, 1, 20)),  # long over
        case("settings", march(3), march(5), state="withdrawn"),
    )
    reviewed(store)
    with store.reading() as session:
        found = fleet.cases_by_week(session, weeks=3)
    assert found.columns == ["week", "whole", "rule", "area", "opened", "cleared", "standing"]
    assert found.rows() == [
        (date(2026, 2, 23), True, "chatter", "N", 1, 0, 1),
        (march(2), True, "chatter", "N", 1, 1, 1),
        (march(9), False, "chatter", "N", 0, 0, 1),
        (march(9), False, "chatter", "S", 1, 0, 1),
    ]


def test_before_any_review_there_are_no_weeks(store: Store) -> None:
    with store.reading() as session:
        assert fleet.cases_by_week(session).is_empty()
        assert fleet.measured_precision(session).is_empty()
        assert fleet.worst_circuits(session).is_empty()
        assert firmware_cohorts(session).is_empty()
        plan = contactor_plan(session)
    assert (plan.due.height, plan.parts.height, plan.later, plan.unknown) == (0, 0, 0, 0)


# precision


def closing(act_id: int, rule: str, subject: str, outcome: str | None, **more: Any) -> dict[str, Any]:
    row = {"act_id": act_id, "case_id": f"{rule}:{subject}:2026-03-01", "rule": rule, "subject": subject}
    row |= {"seen_on": march(1), "kind": "close", "who": "Ada", "at": HORIZON, "outcome": outcome}
    return row | more


def test_precision_is_confirmed_among_confirmed_and_not_found(store: Store) -> None:
    outcomes = ["confirmed"] * 8 + ["not_found"] * 2 + ["no_access"] * 3 + ["setting_changed"]
    put(
        store, "case_act", *(closing(i, "chatter", f"c{i}", o) for i, o in enumerate(outcomes, start=1)),
        closing(20, "silent", "s1", "no_access"),
    )  # fmt: skip
    with store.reading() as session:
        chatter, silent = fleet.measured_precision(session).iter_rows(named=True)
    low, high = proportion_confint(8, 10, method="wilson")
    assert chatter == {
        "rule": "chatter", "confirmed": 8, "not_found": 2, "no_access": 3, "setting_changed": 1,
        "precision": 0.8, "low": pytest.approx(low), "high": pytest.approx(high),
    }  # fmt: skip
    assert (silent["rule"], silent["no_access"]) == ("silent", 1)
    assert (silent["precision"], silent["low"], silent["high"]) == (None, None, None)


def test_a_case_counts_once_by_the_outcome_that_stands(store: Store) -> None:
    put(
        store,
        "case_act",
        closing(1, "chatter", "c1", "not_found"),
        closing(2, "chatter", "c1", "confirmed"),  # corrected
        closing(3, "chatter", "c2", "not_found"),
        closing(4, "chatter", "c2", None, kind="undo", undoes=3),
        closing(5, "chatter", "c3", "not_found"),
        closing(6, "chatter", "c3", None, kind="reopen"),
    )
    with store.reading() as session:
        row = fleet.measured_precision(session).row(0, named=True)
    assert (row["confirmed"], row["not_found"], row["precision"]) == (1, 0, 1.0)


# worst circuits


@pytest.fixture
def busy(store: Store) -> Store:
    """Three circuits: `c1` with two cases, `c2` with a dear one, `c3` with starts only, `c4` with nothing."""
    put(store, "site", site(1))
    kit = {"site_id": "s1", "appliance": "spa"}
    put(store, "circuit", *({"circuit_id": f"c{i}"} | kit for i in range(1, 5)))
    put(
        store,
        "service_case",
        case("chatter", march(1), march(8), cost_per_year=900.0),
        case("short_cycling", march(5), cost_per_year=20.0, currency="EUR"),
        case("missed_window", date(2026, 1, 1), date(2026, 1, 9)),
        case("cloud_starts", march(5), subject="c2", cost_per_year=70.0, currency="EUR"),
        case("chatter", march(5), subject="c2", state="withdrawn"),
    )
    starts = {"c1": 3, "c2": 1, "c3": 9}
    days = [{"local_date": march(10) - timedelta(days=i), "site_id": "s1"} for i in range(40)]
    put(
        store, "circuit_day",
        *({"circuit_id": c, "starts": n, "short_runs": 1, "max_starts_1h": n} | d
          for c, n in starts.items() for d in days),
    )  # fmt: skip
    reviewed(store)
    return store


@pytest.mark.parametrize(
    ("order", "circuits"),
    [("cases", ["c1", "c2", "c3"]), ("cost", ["c2", "c1", "c3"]), ("starts", ["c3", "c1", "c2"])],
)
def test_the_worst_circuits(busy: Store, order: fleet.Order, circuits: list[str]) -> None:
    with busy.reading() as session:
        found = fleet.worst_circuits(session, order=order)
        assert found["circuit_id"].to_list() == circuits
        assert fleet.worst_circuits(session, order=order, limit=2)["circuit_id"].to_list() == circuits[:2]
    row = found.filter(pl.col("circuit_id") == "c1").row(0, named=True)
    told = (row["cases"], row["open_cases"], row["cost_per_year"], row["currency"])
    assert told == (2, 1, 20.0, "EUR"), "the case of January is too old, the cleared one costs no more"
    assert (row["days"], row["starts"], row["short_runs"], row["max_starts_1h"]) == (28, 84, 28, 3)


# contactors


def contactor(name: str, **more: Any) -> dict[str, Any]:
    row = {"circuit_id": name, "site_id": "s1", "appliance": "spa", "contactor": "K40", "poles": 2}
    return row | {"load_a": 20.0, "coil_v": 24.0} | more


def worn(name: str, used: float | None, date_80: date | None, **more: Any) -> dict[str, Any]:
    row = {"circuit_id": name, "site_id": "s1", "local_date": march(10), "ops": 1e5, "used": used}
    return row | {"date_80": date_80} | more


def test_contactors_are_due_by_quarter_with_their_parts(store: Store) -> None:
    put(store, "site", site(1))
    put(
        store,
        "circuit",
        contactor("past", load_a=12.0),
        contactor("spent"),
        contactor("june", poles=4),
        contactor("july-a", contactor=None, load_a=9.0),
        contactor("july-b", contactor=None, load_a=30.0),
        contactor("far"),
        contactor("idle"),
        contactor("unrated"),
        contactor("unlogged"),
        contactor("gone", valid_to=march(1)),
    )
    put(
        store,
        "wear",
        worn("past", 0.7, date(2026, 2, 1), local_date=date(2026, 1, 1)),  # older than the next row
        worn("past", 0.9, march(10)),
        worn("spent", 1.1, march(10), date_100=march(10)),
        worn("june", 0.5, date(2026, 6, 30)),
        worn("july-a", 0.5, date(2026, 7, 1)),
        worn("july-b", 0.5, date(2026, 9, 30)),
        worn("far", 0.1, date(2030, 1, 1)),
        worn("idle", 0.1, None),
        worn("unrated", None, None),
        worn("gone", 0.9, march(10)),
    )
    reviewed(store)
    with store.reading() as session:
        plan = contactor_plan(session, quarters=3)
    assert plan.due.select("quarter", "circuit_id", "used", "overdue").rows() == [
        (date(2026, 1, 1), "past", 0.9, False),
        (date(2026, 1, 1), "spent", 1.1, True),
        (date(2026, 4, 1), "june", 0.5, False),
        (date(2026, 7, 1), "july-a", 0.5, False),
        (date(2026, 7, 1), "july-b", 0.5, False),
    ]
    assert plan.parts.columns == ["quarter", "contactor", "poles", "load_a", "coil_v", "number"]
    assert plan.parts.rows() == [
        (date(2026, 1, 1), "K40", 2, 20.0, 24.0, 2),
        (date(2026, 4, 1), "K40", 4, 20.0, 24.0, 1),
        (date(2026, 7, 1), None, 2, 9.0, 24.0, 1),
        (date(2026, 7, 1), None, 2, 30.0, 24.0, 1),
    ]
    assert (plan.later, plan.unknown) == (2, 2)


# firmware


def test_firmware_compares_the_same_controllers_before_and_after(store: Store) -> None:
    """`k1` gets 2.0 on 3 March, `k2` never, `k3` has it from the first day, `k4` got it this morning."""
    put(store, "site", *(site(i) for i in (1, 2, 3, 4)))
    put(
        store, "circuit",
        *({"circuit_id": c, "controller_id": k, "site_id": f"s{k[1]}"}
          for c, k in (("c1", "k1"), ("c1b", "k1"), ("c2", "k2"), ("c3", "k3"), ("c4", "k4"))),
    )  # fmt: skip
    came = {"k1": march(3), "k2": date(2027, 1, 1), "k3": date(2025, 1, 1), "k4": march(10)}
    days = [march(10) - timedelta(days=i) for i in range(14)]  # 25 February to 10 March
    for k, since in came.items():
        row = {"controller_id": k, "site_id": f"s{k[1]}"}
        put(
            store, "controller_day",
            *(row | {"local_date": d, "firmware": "2.0" if d >= since else "1.9"} for d in days),
        )  # fmt: skip
    put(
        store, "coverage",
        *({"site_id": f"s{i}", "local_date": d, "day_s": 86400.0}
          | {"covered_s": 3600.0 if (i, d) == (1, march(5)) else 86400.0}
          for i in (1, 2, 3, 4) for d in days),
    )  # fmt: skip
    put(
        store, "circuit_day",
        *({"circuit_id": c, "local_date": d, "starts": 5 if d < march(3) else 2, "short_runs": 1}
          for c in ("c1", "c1b", "c2", "c3", "c4") for d in days),
    )  # fmt: skip
    finding = {"rule": "short_cycling", "site_id": "s1"}
    put(
        store,
        "finding",
        finding | {"subject": "c1", "local_date": march(2)},
        finding | {"subject": "c1b", "local_date": march(2)},
        finding | {"subject": "k1", "local_date": march(6)},
        finding | {"subject": "c1", "local_date": march(3)},  # the day of the change
        finding | {"subject": "c1", "local_date": march(5)},  # hardly covered
        finding | {"subject": "c1", "local_date": march(7), "explained_by": "cloud_starts"},
        finding | {"subject": "c2", "local_date": march(7)},
    )
    reviewed(store)
    with store.reading() as session:
        found = firmware_cohorts(session, days=7)
    before, after = 2 * 6 / 7, 2 * 6 / 7  # 25 February to 2 March; 4 to 10 March without the 5th
    counts = {
        ("before", "starts"): (60, before),
        ("before", "short_runs"): (12, before),
        ("before", "findings"): (2, before),
        ("after", "starts"): (24, after),
        ("after", "short_runs"): (12, after),
        ("after", "findings"): (1, after),
    }
    assert [(row["period"], row["measure"]) for row in found.iter_rows(named=True)] == list(counts)
    for row in found.iter_rows(named=True):
        count, weeks = counts[row["period"], row["measure"]]
        assert (row["firmware"], row["controllers"], row["circuits"]) == ("2.0", 1, 2)
        assert (row["count"], row["circuit_weeks"]) == (count, pytest.approx(weeks))
        low, high = confint_poisson(count, weeks, method="exact-c")
        told = (row["per_circuit_week"], row["low"], row["high"])
        assert told == pytest.approx((count / weeks, low, high))


def test_the_queries_agree_with_the_small_store(tmp_path: Path) -> None:
    with Store.open(tmp_path / "small.duckdb") as store:
        fill(store)
        with store.reading() as session:
            week = fleet.cases_by_week(session, weeks=1)
            worst = fleet.worst_circuits(session, order="starts").row(0, named=True)
            plan = contactor_plan(session, quarters=4)
    assert int(week["standing"].sum()) == 9, "the open cases of the header"
    assert (worst["circuit_id"], worst["starts"], worst["short_runs"]) == ("fen-a", 5, 2)
    assert plan.due.select("circuit_id", "quarter").rows() == [("fen-a", date(2026, 10, 1))]
    assert plan.unknown == 2
