"""Acts in a real store: what is refused, who comes second, and acts that outlive what late logs do to cases.

A week is a string as in `test_cases_from.py`: a character a day from 1 March on, F a finding, . a clean day.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from coilbook.analytics.cases import update_cases
from coilbook.analytics.people import ConflictError, UnknownCase, Wanted, act
from coilbook.analytics.queries.acts import acts, newest_act_id, people
from coilbook.analytics.queries.morning import facets, morning, morning_list, one_case
from coilbook.analytics.queries.site import past_cases
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.analytics.rules.shape import table_schema
from coilbook.ingest.errors import InputError
from coilbook.ingest.store import Store

NOW = datetime.fromisoformat("2026-03-08T14:00")  # 08:00 on 8 March in Denver
TODAY = date(2026, 3, 8)
CASE = "chatter:c1:2026-03-03"


def day(number: int) -> date:
    return date(2026, 3, 1) + timedelta(days=number - 1)


def put(store: Store, table: str, *rows: dict[str, Any]) -> None:
    with store.writing() as session:
        schema = table_schema(table)
        session.put(table, pl.DataFrame([{n: row.get(n) for n in schema} for row in rows], schema=schema))


def review(store: Store, week: str, severity: str = "service") -> None:
    """The logs are as `week` says now: findings and cases anew."""
    horizon = datetime.combine(day(len(week) + 1), datetime.min.time()) + timedelta(hours=12)
    with store.writing() as session:
        for table in ("finding", "coverage", "circuit_day", "review"):
            session.run(f"DELETE FROM {table}")  # noqa: S608 - names
    days = [day(i) for i in range(1, len(week) + 1)]
    put(store, "coverage", *({"site_id": "s1", "local_date": d} for d in days))
    put(store, "circuit_day", *({"circuit_id": "c1", "local_date": d, "starts": 1} for d in days))
    finding = {"rule": "chatter", "subject": "c1", "subject_kind": "circuit", "site_id": "s1"}
    finding |= {"severity": severity, "sentence": "Chattered."}
    put(store, "finding", *(finding | {"local_date": d} for d, k in zip(days, week, strict=True) if k == "F"))
    put(store, "review", {"review_id": 1, "horizon": horizon})
    with store.writing() as session:
        update_cases(session, ["s1"], horizon, RuleSettings())


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.duckdb") as store:
        put(store, "site", {"site_id": "s1", "name": "Fen", "area": "N", "timezone": "America/Denver"})
        put(store, "circuit", {"circuit_id": "c1", "site_id": "s1", "appliance": "spa"})
        review(store, "..F.F.F")
        yield store


def do(store: Store, kind: str, version: int, case_id: str = CASE, now: datetime = NOW, **more: Any) -> int:
    with store.noting() as session:
        return act(session, case_id, Wanted(kind, "Ada", version, **more), now)


def the_case(store: Store, case_id: str = CASE, now: datetime = NOW) -> dict[str, Any]:
    with store.reading() as session:
        return one_case(session, case_id, now=now).row(0, named=True)


def texts(store: Store, case_id: str) -> list[str]:
    with store.reading() as session:
        return acts(session, [case_id])["text"].to_list()


def test_an_act_is_kept_with_who_and_when(store: Store) -> None:
    assert do(store, "assign", 0, to_person="  Sam   Okoro ", text=" today ") == 1
    with store.reading() as session:
        row = acts(session, [CASE]).row(0, named=True)
    assert row == {
        "case_id": CASE, "act_id": 1, "kind": "assign", "who": "Ada", "at": NOW, "to_person": "Sam Okoro",
        "until": None, "text": "today", "outcome": None, "undoes": None, "rule": "chatter", "subject": "c1",
        "seen_on": day(7),
    }  # fmt: skip
    case = the_case(store)
    assert (case["assigned_to"], case["note"], case["version"]) == ("Sam Okoro", "today", 1)


def test_numbers_rise_over_all_cases(store: Store) -> None:
    review(store, "F....FF")  # two cases now, one of them cleared
    with store.reading() as session:
        first, second = session.frame(
            "SELECT case_id FROM service_case WHERE state <> 'withdrawn' ORDER BY first_finding_on"
        )["case_id"]
    assert do(store, "note", 0, first, text="a") == 1
    assert do(store, "note", 0, second, text="b") == 2
    assert do(store, "note", 1, first, text="c") == 3
    assert texts(store, first) == ["a", "c"]


@pytest.mark.parametrize(
    ("kind", "more", "said"),
    [
        ("dance", {}, "kind: got 'dance', expected one of assign"),
        ("note", {}, "a note says something"),
        ("note", {"text": " \n "}, "a note says something"),
        ("note", {"text": "x" * 2001}, "text: got 2001 characters"),
        ("snooze", {}, "until: snooze needs it"),
        ("snooze", {"until": TODAY}, "expected a date after 2026-03-08"),
        ("snooze", {"until": TODAY + timedelta(days=367)}, "not after 2027-03-09"),
        ("close", {}, "outcome: close needs it"),
        ("close", {"outcome": "fine"}, "outcome: got 'fine'"),
        ("note", {"text": "x", "outcome": "confirmed"}, "outcome: belongs to close"),
        ("assign", {"until": TODAY}, "until: belongs to snooze"),
        ("assign", {"to_person": "x" * 81}, "to_person: got 81 characters"),
        ("undo", {}, "nothing on this case is left"),
        ("reopen", {}, "neither closed nor snoozed"),
    ],
)
def test_what_cannot_be_done_is_said_and_leaves_no_row(
    store: Store, kind: str, more: dict[str, Any], said: str
) -> None:
    with pytest.raises(InputError, match=said):
        do(store, kind, 0, **more)
    with store.reading() as session:
        assert newest_act_id(session) == 0


def test_nobody_acts_without_a_name_or_on_a_case_that_is_not_there(store: Store) -> None:
    with store.noting() as session, pytest.raises(InputError, match="name of whoever acts"):
        act(session, CASE, Wanted("note", "  ", 0, text="x"), NOW)
    with pytest.raises(UnknownCase, match="no case 'chatter:c9'"):
        do(store, "note", 0, "chatter:c9", text="x")


def test_a_closed_case_is_not_snoozed_and_a_cleared_one_neither(store: Store) -> None:
    do(store, "close", 0, outcome="confirmed")
    with pytest.raises(InputError, match="reopen it first"):
        do(store, "snooze", 1, until=day(20))
    do(store, "reopen", 1)
    do(store, "snooze", 2, until=day(20))
    do(store, "reopen", 3)
    review(store, "..F.F.F...")
    with pytest.raises(InputError, match="the case is cleared"):
        do(store, "snooze", 4, until=day(20))
    assert do(store, "close", 4, outcome="not_found") == 5, "what was found can still be told"


def test_undo_goes_back_act_by_act(store: Store) -> None:
    do(store, "assign", 0, to_person="Sam")
    do(store, "close", 1, outcome="confirmed")
    do(store, "undo", 2)
    assert the_case(store)["outcome"] is None
    assert the_case(store)["assigned_to"] == "Sam"
    do(store, "undo", 3)
    assert the_case(store)["assigned_to"] is None
    with pytest.raises(InputError, match="nothing on this case is left"):
        do(store, "undo", 4)
    with store.reading() as session:
        assert acts(session, [CASE])["undoes"].to_list() == [None, None, 2, 1]


def test_who_comes_second_is_told_what_came_between(store: Store) -> None:
    do(store, "assign", 0, to_person="Sam")
    do(store, "note", 1, text="rang")
    with pytest.raises(ConflictError, match="at version 2, not 0") as told:
        do(store, "close", 0, outcome="confirmed")
    assert told.value.version == 2
    assert told.value.newer["kind"].to_list() == ["assign", "note"]
    with pytest.raises(ConflictError) as told:
        do(store, "close", 1, outcome="confirmed")
    assert told.value.newer["text"].to_list() == ["rang"]
    with pytest.raises(ConflictError) as told:
        do(store, "note", 9, text="from a version that never was")
    assert told.value.newer.is_empty()
    assert do(store, "close", 2, outcome="confirmed") == 3


def test_of_many_at_once_one_acts_at_a_time_and_nothing_is_lost(store: Store) -> None:
    """Eight people add five notes each, each looking again when told to."""
    conflicts = 0

    def write(name: str) -> None:
        nonlocal conflicts
        for number in range(5):
            version = the_case(store)["version"]
            while True:
                try:
                    do(store, "note", version, text=f"{name}{number}")
                    break
                except ConflictError as told:
                    conflicts += 1
                    version = told.version

    threads = [threading.Thread(target=write, args=[name]) for name in "abcdefgh"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    said = texts(store, CASE)
    assert sorted(said) == sorted(f"{name}{number}" for name in "abcdefgh" for number in range(5))
    assert [text for text in said if text[0] == "a"] == [f"a{number}" for number in range(5)]
    assert conflicts > 0


def test_an_act_waits_for_no_load(store: Store) -> None:
    with store.writing() as session:
        session.run("INSERT INTO power_log (site_id) SELECT 's1' FROM range(1000)")
        do(store, "note", 0, text="meanwhile")
    assert texts(store, CASE) == ["meanwhile"]


def listed(store: Store, now: datetime = NOW, **choice: Any) -> list[tuple[str, str]]:
    with store.reading() as session:
        return list(morning(session, now=now, **choice).select("case_id", "state").iter_rows())


def test_the_list_leaves_out_what_is_put_aside_and_counts_it(store: Store) -> None:
    assert listed(store) == [(CASE, "continuing")]
    do(store, "snooze", 0, until=day(12))
    with store.reading() as session:
        found = morning_list(session, now=NOW)
        assert (found.cases.height, found.snoozed, found.closed) == (0, 1, 0)
        assert facets(session, now=NOW)["state"].to_list() == ["snoozed"]
    assert listed(store, state="snoozed") == listed(store, include_snoozed=True) == [(CASE, "snoozed")]
    assert listed(store, now=NOW + timedelta(days=4)) == [(CASE, "continuing")]
    do(store, "close", 1, outcome="confirmed")
    with store.reading() as session:
        found = morning_list(session, now=NOW)
        assert (found.cases.height, found.snoozed, found.closed) == (0, 0, 1)
    assert listed(store, state="closed") == listed(store, include_closed=True) == [(CASE, "closed")]
    review(store, "..F.F.FFFF")
    assert listed(store) == [], "the closing's day and two days of grace"
    review(store, "..F.F.FFFFF")
    assert listed(store) == listed(store, state="back") == [(CASE, "back")]


def test_without_a_clock_the_list_is_that_of_the_logs(store: Store) -> None:
    do(store, "snooze", 0, until=day(9))
    with store.reading() as session:
        assert morning(session).is_empty()
    review(store, "..F.F.F.")  # the horizon is noon UTC on the 9th now
    with store.reading() as session:
        assert morning(session)["case_id"].to_list() == [CASE]


def test_the_list_of_one_person(store: Store) -> None:
    assert listed(store, unassigned=True) == [(CASE, "continuing")]
    do(store, "assign", 0, to_person="Sam Okoro")
    assert listed(store, person=" sam  okoro") == [(CASE, "continuing")]
    assert listed(store, person="Ola") == listed(store, unassigned=True) == []
    with store.reading() as session:
        assert people(session) == ["Ada", "Sam Okoro"]


def test_danger_comes_back_next_morning(store: Store) -> None:
    review(store, "..F.F.F", severity="danger")
    do(store, "snooze", 0, until=day(30))
    assert listed(store) == []
    assert the_case(store)["snoozed_until"] == day(9)
    assert listed(store, now=NOW + timedelta(days=1)) == [(CASE, "continuing")]


def test_a_past_case_tells_its_outcome(store: Store) -> None:
    do(store, "close", 0, outcome="confirmed", text="welded")
    review(store, "..F.F.F...")
    with store.reading() as session:
        past = past_cases(session, "s1").row(0, named=True)
    assert (past["state"], past["outcome"], past["closed_by"]) == ("cleared", "confirmed", "Ada")


# late logs


def test_acts_outlive_a_review_that_changes_nothing(store: Store) -> None:
    do(store, "assign", 0, to_person="Sam")
    before = the_case(store)
    review(store, "..F.F.F")
    assert the_case(store) == before


def test_two_cases_that_become_one_bring_their_acts_together(store: Store) -> None:
    review(store, "F...FFF")
    first, second = "chatter:c1:2026-03-01", CASE
    do(store, "note", 0, first, text="of the first")
    do(store, "assign", 0, second, to_person="Sam", text="of the second")
    review(store, "F.F.FFF")
    with store.reading() as session:
        states = dict(session.rows("SELECT case_id, state FROM service_case"))
    kept = next(name for name, state in states.items() if state != "withdrawn")
    assert sorted(states.values()) == ["continuing", "withdrawn"]
    assert texts(store, kept) == ["of the first", "of the second"]
    assert the_case(store, kept)["assigned_to"] == "Sam"
    gone = next(name for name, state in states.items() if state == "withdrawn")
    assert texts(store, gone) == []
    with pytest.raises(ConflictError):
        do(store, "note", 1, kept, text="who saw the first only must look again")


def test_when_a_case_splits_the_act_goes_with_the_finding_that_was_seen(store: Store) -> None:
    do(store, "assign", 0, to_person="Sam")  # the newest finding was that of the 7th
    do(store, "undo", 1)
    do(store, "assign", 2, to_person="Ola")
    review(store, "..F...F")
    with store.reading() as session:
        last = session.rows("SELECT case_id FROM service_case WHERE first_finding_on = DATE '2026-03-07'")
    assert last[0][0] != CASE
    assert the_case(store, last[0][0])["assigned_to"] == "Ola"
    assert the_case(store)["assigned_to"] is None


def test_an_undo_stays_beside_what_it_took_back(store: Store) -> None:
    review(store, "..F")
    do(store, "close", 0, outcome="not_found", now=datetime.fromisoformat("2026-03-04T14:00"))
    review(store, "..F.F.F")
    do(store, "undo", 1)  # made when the newest finding was that of the 7th
    review(store, "..F...F")
    assert the_case(store)["outcome"] is None
    with store.reading() as session:
        assert acts(session, [CASE])["kind"].to_list() == ["close", "undo"]


def test_a_withdrawn_case_keeps_its_acts_and_brings_them_back(store: Store) -> None:
    do(store, "close", 0, outcome="not_found", text="nothing there")
    review(store, ".......")
    assert the_case(store)["state"] == "withdrawn"
    assert texts(store, CASE) == ["nothing there"]
    review(store, "..F.F.F")
    assert the_case(store)["outcome"] == "not_found"


def test_acts_find_their_case_under_another_id(store: Store) -> None:
    """Cases made from nothing take the id of their first finding, which a late log has moved."""
    do(store, "assign", 0, to_person="Sam")
    with store.writing() as session:
        session.run("DELETE FROM service_case")
    review(store, "FFF.F.F")
    with store.reading() as session:
        cases = morning(session, now=NOW)
    assert cases["case_id"].to_list() == ["chatter:c1:2026-03-01"]
    assert cases["assigned_to"].to_list() == ["Sam"]


def test_a_store_opened_again_has_the_acts(tmp_path: Path, store: Store) -> None:
    do(store, "assign", 0, to_person="Sam")
    store.close()
    with Store.open(tmp_path / "store.duckdb") as again:
        assert the_case(again)["assigned_to"] == "Sam"
