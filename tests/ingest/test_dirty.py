"""Which site-days a load marks for the next review."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from coilbook.ingest.store import Store
from little_fleet import POWER, SWITCH, load, one, put, query


def marked(store: Store) -> list[tuple[str, date]]:
    found = query(store, "SELECT site_id, local_date FROM dirty_day ORDER BY ALL")
    with store.writing() as session:
        session.run("DELETE FROM dirty_day")
    assert len(set(found)) == len(found)
    return found


@pytest.fixture
def logged(known: Store, tmp_path: Path) -> Store:
    """Site H1 from 28 February to 3 March, H2 on 1 March, in local dates."""
    lines = "2026-03-01T06:59:00Z,H1,1,2,3\n2026-03-01T07:00:00Z,H1,1,2,3\n2026-03-03T12:00:00Z,H1,1,2,3\n"
    load(known, put(tmp_path / "p.csv", POWER + lines + "2026-03-01T00:00:00Z,H2,1,2,3\n"))
    return known


def test_days_are_the_sites_own(logged: Store) -> None:
    # Midnight in Denver is 07:00 UTC in winter; Lord Howe is 11 hours ahead in summer.
    assert marked(logged) == [
        ("H1", date(2026, 2, 28)),
        ("H1", date(2026, 3, 1)),
        ("H1", date(2026, 3, 3)),
        ("H2", date(2026, 3, 1)),
    ]


def test_only_rows_that_change_something_mark_their_day(logged: Store, tmp_path: Path) -> None:
    marked(logged)
    one(logged, tmp_path / "p.csv")
    assert marked(logged) == []
    lines = "2026-03-01T06:59:00Z,H1,1,2,3\n2026-03-01T07:00:00Z,H1,9,2,3\n"
    one(logged, put(tmp_path / "q.csv", POWER + lines))
    assert marked(logged) == [("H1", date(2026, 3, 1))]


def test_a_service_row_marks_every_day_from_there_on(logged: Store, tmp_path: Path) -> None:
    marked(logged)
    load(logged, put(tmp_path / "v.csv", "date,circuit_id,action\n2026-03-02,H1-a,contactor_replaced\n"))
    assert marked(logged) == [("H1", date(2026, 3, 2)), ("H1", date(2026, 3, 3))]


H1 = [("H1", date(2026, 2, 28)), *(("H1", date(2026, 3, day)) for day in (1, 2, 3))]
H2 = [("H2", date(2026, 3, 1))]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("circuit_id,site_id,appliance\nH1-a,H1,spa\n", H1),
        ("circuit_id,window_id,kind,days,start,end\nH2-a,w,run,daily,10:00,12:00\n", H2),
        ("tariff_id,days,start,end,import_per_kwh\nT1,daily,00:00,24:00,0.4\n", H1 + H2),
        ("tariff_id,days,start,end,import_per_kwh\nT2,daily,00:00,24:00,0.4\n", []),
        ("site_id,timezone\nH2,Australia/Lord_Howe\n", H2),
        ("site_id,timezone\nH3,Australia/Lord_Howe\n", []),
    ],
)
def test_a_registry_change_marks_all_days_of_its_sites(
    logged: Store, tmp_path: Path, text: str, expected: list[tuple[str, date]]
) -> None:
    marked(logged)
    load(logged, put(tmp_path / "r.csv", text))
    assert marked(logged) == expected
    load(logged, tmp_path / "r.csv")
    assert marked(logged) == []


def test_rows_follow_a_circuit_that_moves(logged: Store, tmp_path: Path) -> None:
    load(logged, put(tmp_path / "s.csv", SWITCH + "2026-03-01T12:00:00Z,H1-a,on,clock,1\n"))
    marked(logged)
    load(logged, put(tmp_path / "c.csv", "circuit_id,site_id,controller_id,appliance\nH1-a,H2,K2,spa\n"))
    assert query(logged, "SELECT site_id FROM switch_log") == [("H2",)]
    assert {site for site, _ in marked(logged)} == {"H1", "H2"}
