"""Whole loads: folders, order, kinds told by columns, files that cannot be read, the ledger."""

# ruff: noqa: DTZ001 - naive UTC, as in the store

from __future__ import annotations

import gzip
import json
from datetime import datetime
from pathlib import Path

import polars as pl
import pyarrow as pa
import pytest
from coilbook.ingest.errors import InputError
from coilbook.ingest.store import Store
from little_fleet import (
    CIRCUITS,
    NOW,
    POWER,
    SITES,
    SWITCH,
    TARIFFS,
    WINDOWS,
    balanced,
    content,
    held,
    load,
    one,
    put,
    query,
    registry,
)

ROW = "2026-03-01T12:00:00Z,H1,100,300,200\n"


def test_registry_comes_before_logs_whatever_the_names(store: Store, tmp_path: Path) -> None:
    box = tmp_path / "in"
    put(box / "a.csv", POWER + ROW)
    put(box / "b.dat", WINDOWS)
    put(box / "deep" / "c", CIRCUITS)
    put(box / "deep" / "d.txt", SITES)
    put(box / "e", TARIFFS)
    put(box / ".hidden", "no log at all")
    put(box / ".git" / "config", "nor this")
    rows = load(store, box)
    assert [row.kind for row in rows] == ["sites", "tariffs", "circuits", "windows", "power"]
    assert all(row.outcome == "loaded" and row.quarantined == 0 and balanced(row) for row in rows)


def test_a_folder_loads_around_a_file_that_cannot_be_read(known: Store, tmp_path: Path) -> None:
    put(tmp_path / "in" / "a.csv", "x,y\n1,2\n")
    put(tmp_path / "in" / "b.csv", POWER + ROW)
    bad, good = load(known, tmp_path / "in")
    assert (bad.outcome, bad.rows_read, good.outcome, good.accepted) == ("failed", 0, "loaded", 1)
    assert bad.error
    assert "x, y" in bad.error
    assert bad.sha256


def test_nothing_to_load_is_an_error(store: Store, tmp_path: Path) -> None:
    put(tmp_path / "empty" / ".hidden", "x")
    for path in (tmp_path / "empty", tmp_path / "missing"):
        with pytest.raises(InputError, match=path.name):
            load(store, path)


@pytest.mark.parametrize(
    ("content_", "said"),
    [
        (b"", "empty"),
        (b" \n \n", "blanks"),
        (gzip.compress(POWER.encode() + ROW.encode() * 9, mtime=0)[:-9], "truncated"),
        (gzip.compress(b"", mtime=0), "empty"),
        (gzip.compress(POWER.encode() * 99, mtime=0) + b"garbage", "header"),
        (pa.compress(POWER.encode() * 99, codec="zstd", asbytes=True)[:-9], "truncated"),
        (b"\x7fELF\x02\x01\x01\x00\x00\x00", "not text"),
        ((POWER + ROW).encode("utf-16"), "UTF-16"),
        (b"PAR1 and then nothing", "read"),
        (b"ts,site_id,pv_w,ts\n", "twice"),
        (b"hello\n", "hello"),
        (b"ts,site_id,pv_w,circuit_id,circuit_w\n", "power and circuit_power"),
        (b"ts;site_id;pv_w\n", "no log or registry"),
        (b'[{"ts": "2026-03-01T12:00:00Z", "site_id": "H1", "pv_w": 1}] trailing', "after the end"),
        (b'[{"ts": "2026-03-01T12:00:00Z", "site_id": "H1", "pv_w": 1}', "not valid JSON"),
        (b"[]", "no column"),
        (b'{"sites": [], "cables": []}', "cables"),
        (b'{"sites": {}}', "no log or registry"),
        (b'{"sites": [], "circuits": {}}', "no array"),
        (b'{"sites": [', "not valid JSON"),
        (b"{}", "no column"),
    ],
)
def test_a_file_that_cannot_be_read_fails_whole_and_says_why(
    known: Store, tmp_path: Path, content_: bytes, said: str
) -> None:
    before = content(known)
    row = one(known, put(tmp_path / "bad", content_))
    assert row.outcome == "failed"
    assert said in str(row.error)
    assert "\n" not in str(row.error)
    assert content(known) == before
    assert query(known, "SELECT outcome, error FROM ledger ORDER BY load_id DESC LIMIT 1") == [
        ("failed", row.error)
    ]


def test_a_file_that_breaks_off_late_loads_nothing(known: Store, tmp_path: Path) -> None:
    minutes = "".join(f"2026-03-01T{m // 60:02d}:{m % 60:02d}:00Z,H1,{m},300,200\n" for m in range(1440))
    whole = gzip.compress((POWER + minutes).encode(), 0)
    row = one(known, put(tmp_path / "p.csv.gz", whole[:-20_000]))
    assert row.outcome == "failed"
    assert query(known, "SELECT count(*) FROM power_log") == [(0,)]
    assert query(known, "SELECT count(*) FROM dirty_day") == [(0,)]


def test_every_form_gives_the_same_rows(known: Store, tmp_path: Path) -> None:
    cells = [
        {"ts": f"2026-03-01T12:0{i}:00Z", "site_id": "H1", "pv_w": i * 1.5, "house_w": None, "grid_w": -i}
        for i in range(5)
    ]
    frame = pl.DataFrame(cells).with_columns(
        pl.col("ts").str.to_datetime("%Y-%m-%dT%H:%M:%SZ", time_zone="UTC"), house_w=pl.lit(None, pl.Float64)
    )
    text = pl.DataFrame(cells).write_csv().encode()
    lines = "".join(json.dumps(cell) + "\n" for cell in cells).encode()
    files = {
        "plain.csv": text,
        "packed.csv.gz": gzip.compress(text),
        "two.csv.gz": gzip.compress(text[:70]) + gzip.compress(text[70:]),
        "packed.csv.zst": pa.compress(text, codec="zstd", asbytes=True),
        "bom.csv": b"\xef\xbb\xbf" + text,
        "crlf.csv": text.replace(b"\n", b"\r\n"),
        "cr.csv": text.replace(b"\n", b"\r"),
        "lines.ndjson": lines,
        "lines.ndjson.gz": gzip.compress(lines),
        "array.json": json.dumps(cells).encode(),
        "pretty.json": json.dumps(cells, indent=2).encode(),
    }
    paths = [put(tmp_path / "in" / name, body) for name, body in files.items()]
    frame.write_parquet(tmp_path / "in" / "typed.parquet")
    first, *others = load(known, *paths, tmp_path / "in" / "typed.parquet")
    assert (first.accepted, first.duplicate) == (5, 0)
    for row in others:
        assert (row.outcome, row.accepted, row.duplicate) == ("loaded", 0, 5), row
    assert query(known, "SELECT pv_w, house_w, grid_w FROM power_log ORDER BY ts LIMIT 2") == [
        (0.0, None, 0.0),
        (1.5, None, -1.0),
    ]


def test_a_header_alone_is_a_log_without_rows(known: Store, tmp_path: Path) -> None:
    row = one(known, put(tmp_path / "p.csv", POWER))
    assert (row.outcome, row.kind, row.rows_read, row.first_ts) == ("loaded", "power", 0, None)


def test_a_registry_object_has_a_ledger_row_for_each_array(store: Store, tmp_path: Path) -> None:
    whole = {
        "windows": [
            {
                "circuit_id": "A1",
                "window_id": "w",
                "kind": "run",
                "days": "daily",
                "start": "10:00",
                "end": "24:00",
            }
        ],
        "circuits": [{"circuit_id": "A1", "site_id": "A", "appliance": "spa"}, {"circuit_id": "A2"}],
        "sites": [{"site_id": "A", "timezone": "Europe/Lisbon", "pv_kw": 4.5}],
    }
    rows = load(store, put(tmp_path / "registry.json", json.dumps(whole, indent=1)))
    assert [(row.kind, row.accepted, row.quarantined) for row in rows] == [
        ("sites", 1, 0),
        ("circuits", 1, 1),
        ("windows", 1, 0),
    ]
    assert len({row.sha256 for row in rows}) == 1
    assert held(store) == [(2, "missing_field")]
    assert query(store, 'SELECT "start"::VARCHAR, "end"::VARCHAR FROM schedule') == [("10:00:00", "00:00:00")]


def test_the_ledger_row_says_what_was_in_the_file(known: Store, tmp_path: Path) -> None:
    text = "ts,circuit_id,state,cause,seq,colour,size\n"
    text += "2026-03-01T12:00:00Z,H1-a,on,frost,1,red,2\n2026-03-01T12:00:00.5Z,H1-a,off,clock,2,red,2\n"
    text += "soon,H1-a,off,clock,2,red,2\n"
    row = one(known, put(tmp_path / "s.csv", text), shown_as={tmp_path / "s.csv": "upload: s.csv"})
    assert (row.path, row.extra_columns, row.unknown_causes) == ("upload: s.csv", "colour, size", 1)
    assert (row.rows_read, row.accepted, row.quarantined, row.loaded_at) == (3, 2, 1, NOW)
    assert (row.first_ts, row.last_ts) == (datetime(2026, 3, 1, 12), datetime(2026, 3, 1, 12, 0, 0, 500_000))
    assert query(known, "SELECT path, line, raw, reason FROM quarantine") == [
        ("upload: s.csv", 4, "soon,H1-a,off,clock,2,red,2", "bad_time")
    ]
    assert query(known, "SELECT cause, cause_raw FROM switch_log ORDER BY ts") == [
        ("unknown", "frost"),
        ("clock", None),
    ]


def test_progress_is_told_of_files_and_rows(store: Store, tmp_path: Path) -> None:
    put(tmp_path / "in" / "p.csv", POWER + ROW)
    put(tmp_path / "in" / "q.csv", "x\n")
    registry(tmp_path / "in")
    told: list[tuple[int, int, int]] = []
    load(store, tmp_path / "in", progress=lambda *said: told.append(said))
    assert told[-1] == (6, 6, 1)
    assert [done for done, _, _ in told] == sorted(done for done, _, _ in told)


def test_columns_that_a_switch_log_may_leave_out(known: Store, tmp_path: Path) -> None:
    row = one(known, put(tmp_path / "s.csv", "circuit_id,ts,state\nH1-a,2026-03-01T12:00:00Z,CLOSED\n"))
    assert row.accepted == 1
    assert query(known, "SELECT site_id, closed, cause, cause_raw, seq FROM switch_log") == [
        ("H1", True, None, None, None)
    ]


def test_all_kinds_of_log(known: Store, tmp_path: Path) -> None:
    put(tmp_path / "in" / "m.csv", "ts,circuit_id,circuit_w\n2026-03-01T12:00:00Z,H1-a,1490.5\n")
    put(tmp_path / "in" / "n.csv", "ts,controller_id,firmware,uptime_s\n2026-03-01T12:00:00Z,K2,3.1,86400\n")
    put(tmp_path / "in" / "o.csv", 'date,circuit_id,action,note\n2026-03-01,H2-a,inspected,"dry, clean"\n')
    put(tmp_path / "in" / "s.csv", SWITCH + "2026-03-01T12:00:00Z,H1-a,on,clock,1\n")
    rows = load(known, tmp_path / "in")
    assert [(row.kind, row.accepted) for row in rows] == [
        ("circuit_power", 1),
        ("status", 1),
        ("service", 1),
        ("switch", 1),
    ]
    assert query(known, "SELECT site_id, firmware, uptime_s FROM status_log") == [("H2", "3.1", 86400.0)]
    assert query(known, "SELECT site_id, note FROM service_log") == [("H2", "dry, clean")]
