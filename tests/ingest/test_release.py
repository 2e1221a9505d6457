"""Held rows go in once the registry has what they lacked; the newest load still wins."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from coilbook.ingest.errors import InputError
from coilbook.ingest.quarantine import release, release_rows
from coilbook.ingest.store import Store
from little_fleet import (
    CIRCUITS,
    NOW,
    POWER,
    SITES,
    SWITCH,
    WINDOWS,
    content,
    held,
    load,
    one,
    put,
    query,
    registry,
)


def logs(folder: Path) -> Path:
    put(folder / "logs" / "p.csv", POWER + "2026-03-01T12:00:00Z,H1,1,2,3\n2026-03-01T12:01:00,H2,1,x,3\n")
    put(
        folder / "logs" / "s.csv",
        SWITCH + "2026-03-01T12:00:00Z,H1-a,on,frost,1\n2026-03-01T12:01:00,H2-a,on,clock,1\n",
    )
    put(folder / "logs" / "k.csv", "ts,controller_id,firmware\n2026-03-01T12:00:00Z,K1,2.0\n")
    put(folder / "logs" / "v.csv", "date,circuit_id,action\n2026-03-01,H2-a,inspected\n")
    return folder / "logs"


def test_logs_before_the_registry_end_as_logs_after_it(tmp_path: Path) -> None:
    found = []
    for name, order in (("before", [logs, registry]), ("after", [registry, logs])):
        with Store.open(tmp_path / f"{name}.duckdb", threads=1) as store:
            for step in order:
                load(store, step(tmp_path))
            found.append(content(store, quarantine=False))
            assert [reason for _, reason in held(store)] == ["bad_number"]
    assert found[0] == found[1]
    assert len(found[0]["switch_log"]) == 2


def test_registry_files_one_by_one_in_the_wrong_order(store: Store, tmp_path: Path) -> None:
    folder = logs(tmp_path)
    for name, text in (("w", WINDOWS), ("c", CIRCUITS), ("l", None), ("s", SITES)):
        load(store, folder if text is None else put(tmp_path / f"{name}.csv", text))
    assert query(store, "SELECT count(*) FROM circuit") == [(3,)]
    assert query(store, "SELECT count(*) FROM schedule") == [(2,)]
    assert [reason for _, reason in held(store)] == ["bad_number"]


def test_the_ledger_counts_what_was_released(store: Store, tmp_path: Path) -> None:
    path = put(
        tmp_path / "s.csv", SWITCH + "2026-03-01T12:00:00Z,H1-a,on,frost,1\n2026-03-01T12:00:00Z,Z,on,,\n"
    )
    row = one(store, path)
    assert (row.quarantined, row.released, row.unknown_causes) == (2, 0, 0)
    load(store, registry(tmp_path))
    found = "SELECT quarantined, released, unknown_causes FROM ledger WHERE kind = 'switch'"
    assert query(store, found) == [(2, 1, 1)]
    assert query(store, "SELECT state, released_at FROM quarantine ORDER BY line") == [
        ("released", NOW),
        ("held", None),
    ]
    assert query(store, "SELECT load_id FROM switch_log") == [(row.load_id,)]
    assert query(store, "SELECT * FROM dirty_day")


def test_a_released_row_does_not_take_the_place_of_a_newer_one(known: Store, tmp_path: Path) -> None:
    old = "2026-03-01T12:00:00Z,N1,1,2,3\n"
    load(known, put(tmp_path / "old.csv", POWER + old))
    with known.writing() as session:  # the newer load, as it would stand had the site been known by then
        session.run(
            "INSERT INTO power_log VALUES ('N1', TIMESTAMP '2026-03-01 12:00:00', 9, 9, 9, NULL, NULL, 99)"
        )
    load(known, put(tmp_path / "n.csv", "site_id,timezone\nN1,Europe/Lisbon\n"))
    assert held(known) == []
    assert query(known, "SELECT pv_w FROM power_log") == [(9.0,)]


def test_release_has_nothing_to_do_twice(store: Store, tmp_path: Path) -> None:
    load(store, logs(tmp_path))
    load(store, registry(tmp_path))
    assert release(store, NOW) == []


def test_given_rows_are_tried_again(known: Store, tmp_path: Path) -> None:
    load(
        known,
        put(tmp_path / "p.csv", POWER + "2026-12-20T12:00:00Z,H1,1,2,3\n2026-12-21T12:00:00Z,H1,1,2,3\n"),
    )
    assert held(known) == [(2, "time_out_of_range"), (3, "time_out_of_range")]
    ids = [row[0] for row in query(known, "SELECT quarantine_id FROM quarantine ORDER BY line")]
    assert release_rows(known, ids, NOW) == []
    (row,) = release_rows(known, ids, NOW.replace(day=19))
    assert row.released == 1
    assert held(known) == [(3, "time_out_of_range")]
    with pytest.raises(InputError, match=str(ids[0])):
        release_rows(known, ids, NOW)


def test_what_lacks_something_else_by_then_says_so(known: Store, tmp_path: Path) -> None:
    load(known, put(tmp_path / "p.csv", POWER + "2026-03-08T02:30:00,N1,1,2,3\n"))
    assert held(known) == [(2, "unknown_site")]
    load(known, put(tmp_path / "n.csv", "site_id,timezone\nN1,America/Denver\n"))
    assert held(known) == [(2, "bad_time")]


def test_fields_are_the_contracts_columns(known: Store, tmp_path: Path) -> None:
    load(known, put(tmp_path / "s.csv", "seq,ts,circuit_id,state,colour\n7,2026-03-01T12:00:00Z,Q,on,red\n"))
    ((fields, subject, raw),) = query(known, "SELECT fields, subject, raw FROM quarantine")
    assert json.loads(fields) == {"seq": "7", "ts": "2026-03-01T12:00:00Z", "circuit_id": "Q", "state": "on"}
    assert (subject, raw) == ("Q", "7,2026-03-01T12:00:00Z,Q,on,red")
