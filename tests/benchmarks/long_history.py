"""Stores of a thousand sites with a long history, made by repeating what the product made of a few.

A few simulated sites are loaded and reviewed by the product, all but their last day. Every row of that
store (logs, registry, facts, verdicts) is then repeated under other names, and for days further back moved by
whole fours of weeks; rows lie day by day, sorted by site, as nightly loads and reviews leave them. What lies
more than four weeks back has the right size and shape and no more: no review of a new day looks there, which
is what is to be shown. The last day stays outside, as files for the product to load.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
from coilbook.analytics.review import review
from coilbook.fixtures.fleet import write_fleet
from coilbook.ingest.load import load_paths
from coilbook.ingest.schema import BY_NAME, FACTS, LOGS, REGISTRY, VERDICTS, Table
from coilbook.ingest.store import Store

NOW = datetime(2027, 1, 1, tzinfo=UTC)
FIRST_DAY = date(2026, 5, 1)
SOURCE_SITES, SOURCE_DAYS, PERIOD = 20, 33, 28
NEW_DAY = FIRST_DAY + timedelta(days=SOURCE_DAYS - 1)
NAMED = ("site_id", "circuit_id", "controller_id", "subject", "case_id")


def write_new_day(source: Path, target: Path, sites: int) -> list[Path]:
    """The last day's logs of all sites as CSV files, gzip; `source`: store with the few sites' logs."""
    target.mkdir(parents=True, exist_ok=True)
    paths = []
    with duckdb.connect(str(source), read_only=True) as connection:
        for table, columns in NEW_LOGS.items():
            path = target / f"{table}.csv.gz"
            connection.execute(f"""
                COPY (
                    SELECT strftime(ts, '%Y-%m-%dT%H:%M:%S.%fZ') AS ts, {columns}
                    FROM "{table}" AS log, (SELECT unnest(range({copies(sites)})) AS copy)
                    WHERE log.ts >= TIMESTAMP '{NEW_DAY}'
                    ORDER BY log.ts
                ) TO '{path}' (HEADER, COMPRESSION gzip)
            """)  # noqa: S608 - names and numbers of this file
            paths.append(path)
    return paths


def copies(sites: int) -> int:
    """How often the few sites are repeated."""
    return -(-sites // SOURCE_SITES)


def named(column: str) -> str:
    """A name of the few sites in each of its copies."""
    return f"{column} || '-' || copy AS {column}"


NEW_LOGS = {
    "power_log": f"{named('site_id')}, pv_w, house_w, grid_w, battery_w",
    "switch_log": f"{named('circuit_id')}, CASE WHEN closed THEN 'on' ELSE 'off' END AS state, cause, seq",
}


def make_source(folder: Path, interval_s: int) -> tuple[Path, Path]:
    """Stores of the few sites: all logs without a review, and the logs up to the last day with one."""
    folder.mkdir(parents=True, exist_ok=True)
    files = folder / "fleet"
    write_fleet(
        files,
        sites=SOURCE_SITES,
        days=SOURCE_DAYS,
        seed=3,
        interval_s=interval_s,
        start=FIRST_DAY,
        mess=False,
    )
    whole, past = folder / "whole.duckdb", folder / "past.duckdb"
    with Store.open(whole, threads=2) as store:
        load_paths(store, [files / "registry", files / "logs"], now=NOW)
    with Store.open(past, threads=2) as store:
        load_paths(store, [files / "registry", files / "logs"], now=NOW)
        with store.writing() as session:
            for table in LOGS:
                if "ts" in table.names():
                    session.run(f"DELETE FROM \"{table.name}\" WHERE ts >= TIMESTAMP '{NEW_DAY}'")  # noqa: S608
        review(store, now=NOW.replace(tzinfo=None))
    return whole, past


def make_store(past: Path, target: Path, sites: int, days: int) -> None:
    """A store of so many sites and days of history up to, and without, the new day."""
    with Store.open(target, threads=2):
        pass
    with duckdb.connect(str(target), config={"threads": 2, "memory_limit": "900MB"}) as connection:
        connection.execute("SET TimeZone='UTC'")
        connection.execute(f"ATTACH '{past}' AS past (READ_ONLY)")
        connection.execute(f"CREATE TEMP TABLE copied AS SELECT unnest(range({copies(sites)})) AS copy")
        for table in (*REGISTRY, BY_NAME["service_case"]):
            _repeat(connection, table, 0, "")
        connection.execute("INSERT INTO review SELECT * FROM past.review")
        for shift in range(PERIOD * ((days - 1) // PERIOD), -1, -PERIOD):
            last = NEW_DAY - timedelta(days=1)
            first = max(last - timedelta(days=PERIOD - 1), NEW_DAY - timedelta(days=days - shift))
            for table in (*LOGS, *FACTS, *VERDICTS):
                if table.name != "service_case":
                    _repeat(connection, table, shift, f"BETWEEN DATE '{first}' AND DATE '{last}'")
            connection.execute("CHECKPOINT")


def _day_of(table: Table) -> str:
    names = table.names()
    if "local_date" in names:
        return "local_date"
    if "date" in names:
        return '"date"'
    stamp = next(name for name in ("ts", "start", "start_ts", "begin_ts") if name in names)
    return f'CAST("{stamp}" AS DATE)'


def _repeat(connection: duckdb.DuckDBPyConnection, table: Table, shift: int, days: str) -> None:
    """Rows of the few sites, of `days` where it names any, under other names and `shift` days earlier."""
    cells = []
    for column in table.columns:
        name = f'"{column.name}"'
        if column.name in NAMED:
            cells.append(named(name))
        elif shift and column.type in ("TIMESTAMP", "DATE"):
            cells.append(f"CAST({name} - INTERVAL {shift} DAY AS {column.type}) AS {name}")
        else:
            cells.append(name)
    columns = ", ".join(f'"{name}"' for name in table.names())
    by_day = _day_of(table) if days else "1"
    where = f"WHERE {by_day} {days}" if days else ""
    grain = [f'"{name}"' for name in dict.fromkeys(("site_id", *table.grain)) if name in table.names()]
    connection.execute(f"""
        INSERT INTO "{table.name}" ({columns})
        SELECT {columns} FROM (
            SELECT {", ".join(cells)}, {by_day} AS "_day" FROM past."{table.name}", copied {where}
        ) ORDER BY "_day", {", ".join(grain)}
    """)  # noqa: S608 - names of schema.py and numbers


@contextmanager
def prepared(folder: Path | None, sites: int, interval_s: int) -> Iterator[tuple[Path, list[Path]]]:
    """The few sites' reviewed store and the new day's files, in `folder` or in one that goes."""
    with tempfile.TemporaryDirectory() as scratch:
        base = folder or Path(scratch)
        whole, past = base / "source" / "whole.duckdb", base / "source" / "past.duckdb"
        if not past.exists():
            whole, past = make_source(base / "source", interval_s)
        yield past, write_new_day(whole, base / "new-day", sites)
