"""The command line on a store that no server holds."""

from __future__ import annotations

import csv
import gzip
import io
import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pytest
from coilbook.analytics.people import Wanted, act
from coilbook.analytics.queries.morning import morning
from coilbook.ingest.store import Store
from processes import coilbook


def load_example(fleet: Path, store: Path) -> None:
    assert coilbook("load", fleet / "registry", fleet / "logs", "--store", store).returncode == 0


def one_line(text: str) -> bool:
    return text.startswith("coilbook: ") and text.count("\n") == 1 and "Traceback" not in text


def test_version() -> None:
    done = coilbook("--version")
    assert (done.returncode, done.stdout) == (0, "coilbook 0.1.0\n")


def test_without_a_command_the_help_is_shown() -> None:
    done = coilbook()
    assert done.returncode == 2
    for command in ("demo", "load", "review", "cases", "site", "export", "serve", "backup", "restore"):
        assert f"\n  {command} " in done.stdout


def test_load_prints_the_ledger_and_says_nothing_else(fleet: Path, tmp_path: Path) -> None:
    done = coilbook("load", fleet / "registry", "--store", tmp_path / "s.duckdb")
    assert done.returncode == 0
    assert done.stderr == ""
    head, _, *rows = done.stdout.splitlines()
    assert head.split() == [
        "load", "file", "kind", "read", "accepted", "duplicate", "replaced", "quarantined", "outcome",
    ]  # fmt: skip
    assert [row.split()[2] for row in rows[:-1]] == ["sites", "tariffs", "circuits", "windows"]
    assert rows[-1].split()[:2] == ["4", "files"]


def test_quarantine_is_no_failure(fleet: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("ts,circuit_id,state\nnot a time,AD001-a,on\n")
    done = coilbook("load", bad, "--store", tmp_path / "s.duckdb", "--format", "json")
    [row] = json.loads(done.stdout)
    assert (done.returncode, row["outcome"], row["quarantined"]) == (0, "loaded", 1)


def test_a_file_that_fails_whole_ends_with_1_and_the_others_load(fleet: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.csv.gz"
    cut.write_bytes(gzip.compress(b"ts,site_id,pv_w,house_w\n" * 1000)[:-12])
    done = coilbook("load", cut, fleet / "registry", "--store", tmp_path / "s.duckdb", "--format", "json")
    outcomes = [row["outcome"] for row in json.loads(done.stdout)]
    assert done.returncode == 1
    assert sorted(outcomes) == ["failed", *["loaded"] * 4]


@pytest.mark.parametrize(
    "arguments",
    [
        ("load", "nowhere.csv"),
        ("load", "."),
        ("load",),
        ("load", "--colour", "x"),
        ("load", "here.csv", "--profile", "nowhere.toml"),
        ("load", "here.csv", "--profile", "here.csv"),
        ("review", "--as-of", "yesterday"),
        ("review", "--as-of", "2026-03-01T06:00:00"),
        ("review", "--rules", "nowhere.toml"),
        ("review", "--rules", "here.csv"),
        ("cases", "--severity", "awful"),
        ("cases", "--format", "xml"),
        ("site", "nobody"),
        ("export", "nothing", "--to", "x.csv"),
        ("export", "finding", "--to", "x.xlsx"),
        ("export", "finding", "--to", "no/such/folder/x.csv"),
        ("restore", "nowhere.duckdb"),
        ("serve", "--port", "99999"),
        ("cases", "--store", "no/such/folder/s.duckdb"),
        ("dance",),
    ],
)
def test_wrong_use_is_one_line_and_2(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    (empty / "here.csv").write_text("= no file of ours\n")
    if arguments == ("load", "."):
        (empty / "here.csv").unlink()
    options = () if "--store" in arguments else ("--store", str(tmp_path / "s.duckdb"))
    done = coilbook(*arguments, *options, cwd=empty)
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert one_line(done.stderr), done.stderr


def test_a_file_that_is_no_store_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "s.duckdb").write_text("no store")
    done = coilbook("cases", "--store", tmp_path / "s.duckdb")
    assert done.returncode == 1
    assert one_line(done.stderr)
    other = tmp_path / "other.duckdb"
    with duckdb.connect(str(other)) as connection:
        connection.execute("CREATE TABLE mine (a INTEGER)")
    done = coilbook("cases", "--store", other)
    assert done.returncode == 1
    assert "not a store of this program" in done.stderr


def test_the_store_of_the_environment_is_used(fleet: Path, tmp_path: Path) -> None:
    store = tmp_path / "env.duckdb"
    done = coilbook("load", fleet / "registry", extra={"COILBOOK_STORE": str(store)}, cwd=tmp_path)
    assert (done.returncode, store.exists()) == (0, True)


def test_review_says_what_it_did_and_twice_finds_nothing_to_do(fleet: Path, tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    load_example(fleet, store)
    first = json.loads(coilbook("review", "--store", store, "--format", "json").stdout)
    again = json.loads(coilbook("review", "--store", store, "--format", "json").stdout)
    assert first["site_days"] >= 6 * 14
    assert first["findings"] > 0
    assert (again["site_days"], again["findings"]) == (0, first["findings"])


def test_cases_say_the_same_in_every_format(store_file: Path) -> None:
    as_json = json.loads(coilbook("cases", "--store", store_file, "--format", "json").stdout)
    as_csv = list(
        csv.DictReader(io.StringIO(coilbook("cases", "--store", store_file, "--format", "csv").stdout))
    )
    as_table = coilbook("cases", "--store", store_file).stdout
    assert len(as_json) > 3
    assert [case["case_id"] for case in as_json] == [case["case_id"] for case in as_csv]
    places = [as_table.index(case["sentence"]) for case in as_json]
    assert places == sorted(places)


def test_cases_are_ranked_danger_first(store_file: Path) -> None:
    ranks = ["danger", "service", "cost", "wear", "data"]
    cases = json.loads(coilbook("cases", "--store", store_file, "--format", "json").stdout)
    found = [ranks.index(case["severity"]) for case in cases]
    assert found == sorted(found)
    assert len(set(found)) > 1
    only = json.loads(
        coilbook("cases", "--store", store_file, "--severity", "data", "--format", "json").stdout
    )
    assert only == [case for case in cases if case["severity"] == "data"]


def test_site_shows_its_circuits_cases_and_cautions(store_file: Path) -> None:
    [case, *_] = json.loads(coilbook("cases", "--store", store_file, "--format", "json").stdout)
    done = coilbook("site", case["site_id"], "--store", store_file)
    told = json.loads(coilbook("site", case["site_id"], "--store", store_file, "--format", "json").stdout)
    assert case["sentence"] in done.stdout
    assert case["case_id"] in [found["case_id"] for found in told["open_cases"]]
    assert all(caution in done.stdout for caution in told["cautions"])
    assert sum(tally["starts"] for tally in told["switching"]) > 0


@pytest.mark.parametrize("ending", ["csv", "ndjson", "parquet"])
def test_export_writes_what_the_store_holds(store_file: Path, tmp_path: Path, ending: str) -> None:
    target = tmp_path / f"finding.{ending}"
    done = coilbook("export", "finding", "--to", target, "--store", store_file)
    assert (done.returncode, done.stdout) == (0, "")
    with duckdb.connect() as connection:
        reader = {"csv": "read_csv", "ndjson": "read_json", "parquet": "read_parquet"}[ending]
        table = connection.table_function(reader, [str(target)])
        rows = table.select("rule, subject, local_date::DATE").fetchall()
    with duckdb.connect(str(store_file), read_only=True) as connection:
        wanted = connection.sql("SELECT rule, subject, local_date FROM finding").fetchall()
    assert sorted(rows) == sorted(wanted)
    assert f"{len(wanted):,} rows" in done.stderr


def test_backup_and_restore(store_file: Path, tmp_path: Path) -> None:
    copy, back = tmp_path / "copy.duckdb", tmp_path / "back.duckdb"
    before = coilbook("cases", "--store", store_file).stdout
    assert coilbook("backup", copy, "--store", store_file).returncode == 0
    assert coilbook("restore", copy, "--store", back).returncode == 0
    assert coilbook("cases", "--store", back).stdout == before
    refused = coilbook("restore", copy, "--store", back)
    assert refused.returncode == 2
    assert one_line(refused.stderr)
    assert "move it away first" in refused.stderr


def test_the_demo_runs_again_in_its_own_folder_and_spares_others(tmp_path: Path) -> None:
    options = ("--sites", "3", "--days", "4", "--dir", "d", "--no-serve")
    first = coilbook("demo", *options, cwd=tmp_path)
    assert first.returncode == 0, first.stderr
    assert "judged" in first.stdout
    assert all(word in first.stderr for word in ("simulate", "load", "review"))
    again = coilbook("demo", *options, cwd=tmp_path)
    assert (again.returncode, again.stdout) == (0, first.stdout)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("dear")
    refused = coilbook("demo", "--dir", "mine", "--no-serve", cwd=tmp_path)
    assert (refused.returncode, one_line(refused.stderr)) == (2, True)
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["letter.txt"]


def test_the_demo_keeps_out_of_the_store_of_the_environment(store_file: Path, tmp_path: Path) -> None:
    before = store_file.read_bytes()
    done = coilbook(
        "demo", "--sites", "2", "--days", "2", "--no-serve",
        cwd=tmp_path, extra={"COILBOOK_STORE": str(store_file)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert store_file.read_bytes() == before
    refused = coilbook("demo", "--no-serve", "--store", store_file, cwd=tmp_path)
    assert (refused.returncode, one_line(refused.stderr)) == (2, True)


def test_a_reader_that_leaves_early_is_no_error(store_file: Path, tmp_path: Path) -> None:

    line = f"{sys.executable} -m coilbook.api.cli cases --format csv --store {store_file} | head -c 1"
    done = subprocess.run(["sh", "-c", line], capture_output=True, text=True, check=True, timeout=60)
    assert (done.stdout, done.stderr) == ("c", "")


@pytest.mark.parametrize("state", ["snoozed", "closed"])
def test_cases_that_people_put_aside_are_listed_by_their_state(store_file: Path, state: str) -> None:
    until = datetime.now(UTC).date() + timedelta(days=60)
    with Store.open(store_file) as store:
        with store.reading() as session:
            case = next(c for c in morning(session).iter_rows(named=True) if c["severity"] != "danger")
        wanted = (
            Wanted("snooze", "Ana", 0, until=until)
            if state == "snoozed"
            else Wanted("close", "Ana", 0, outcome="not_found")
        )
        with store.noting() as session:
            act(session, case["case_id"], wanted, datetime.now(UTC).replace(tzinfo=None))
    done = coilbook("cases", "--state", state, "--store", store_file, "--format", "json")
    assert [one["case_id"] for one in json.loads(done.stdout)] == [case["case_id"]]
    told = coilbook("cases", "--store", store_file).stdout
    assert "put aside: 1 snoozed, 0 closed" in told or "put aside: 0 snoozed, 1 closed" in told
    assert done.returncode == 0
