"""Load and review of a simulated fleet against the floor: plain DuckDB reading the same files sorted.

    python tests/benchmarks/bench_load_review.py [--sites 200] [--days 30] [--rounds 3] [--dir DIR]

The fleet's power logs are packed anew, a file a day: each third NDJSON with gzip, the others CSV, one in
seven of all not packed. The floor reads power, circuit power and switch logs, casts, removes duplicates and
inserts sorted. Both run in processes of their own with two threads, turn about; prints medians of seconds and
processor seconds, their ratio, and the peak memory of each. The target is 2.5 times the floor and 1.5 GB.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path

import duckdb

NOW = datetime(2027, 6, 1)  # noqa: DTZ001 - naive UTC, after all logs
PACKED = """
    COPY (SELECT * FROM power WHERE CAST(CAST(ts AS TIMESTAMP) AS DATE) = DATE '{day}' ORDER BY random())
    TO '{path}' ({form})
"""
CSV, NDJSON = "FORMAT csv, HEADER", "FORMAT json"
TEXT = """
    SELECT *
    FROM read_csv({files}, header = true, all_varchar = true, union_by_name = true, ignore_errors = true)
"""
FLOOR = (
    """
    CREATE TABLE power AS
    SELECT DISTINCT ON (site_id, ts) * FROM (
        SELECT try_cast(ts AS TIMESTAMP) AS ts, site_id, try_cast(pv_w AS DOUBLE) AS pv_w,
            try_cast(house_w AS DOUBLE) AS house_w, try_cast(grid_w AS DOUBLE) AS grid_w,
            try_cast(battery_w AS DOUBLE) AS battery_w, try_cast(islanded AS BOOLEAN) AS islanded
        FROM (FROM power_csv UNION ALL BY NAME FROM power_json))
    WHERE ts IS NOT NULL ORDER BY site_id, ts
    """,
    """
    CREATE TABLE meter AS
    SELECT DISTINCT ON (circuit_id, ts) * FROM (
        SELECT try_cast(ts AS TIMESTAMP) AS ts, circuit_id, try_cast(circuit_w AS DOUBLE) AS circuit_w
        FROM meter_csv)
    WHERE ts IS NOT NULL ORDER BY circuit_id, ts
    """,
    """
    CREATE TABLE switching AS
    SELECT DISTINCT ON (circuit_id, ts, state) * FROM (
        SELECT try_cast(ts AS TIMESTAMP) AS ts, circuit_id, state, cause, try_cast(seq AS BIGINT) AS seq
        FROM switch_csv)
    WHERE ts IS NOT NULL ORDER BY circuit_id, ts
    """,
)


def simulate(folder: Path, sites: int, days: int) -> None:
    """Write the fleet."""
    from coilbook.fixtures.fleet import write_fleet

    write_fleet(folder, sites=sites, days=days, seed=5, mess=False)
    repack(folder / "logs")


def repack(logs: Path) -> None:
    """Power logs of the fleet as a file a day."""
    csv, json, parquet = (
        [str(path) for path in sorted(logs.glob(f"power-*.{form}*"))] for form in ("csv", "ndjson", "parquet")
    )
    with duckdb.connect() as connection:
        connection.execute("CREATE TABLE power AS " + TEXT.format(files=csv))
        for reader, files in (("read_json", json), ("read_parquet", parquet)):
            if files:
                rows = f"FROM {reader}({files}, union_by_name = true)"
                connection.execute(f"INSERT INTO power BY NAME SELECT COLUMNS(*)::VARCHAR {rows}")
        connection.execute("UPDATE power SET ts = strftime(CAST(ts AS TIMESTAMP), '%Y-%m-%dT%H:%M:%SZ')")
        for column in ("pv_w", "house_w", "grid_w", "battery_w", "islanded"):
            connection.execute(f"ALTER TABLE power ALTER {column} TYPE BIGINT")
        for old in (*csv, *json, *parquet):
            Path(old).unlink()
        days = connection.execute("SELECT DISTINCT CAST(CAST(ts AS TIMESTAMP) AS DATE) FROM power ORDER BY 1")
        for number, (day,) in enumerate(days.fetchall()):
            form, ending = (NDJSON, "ndjson") if number % 3 == 1 else (CSV, "csv")
            if number % 7 != 6:
                form, ending = f"{form}, COMPRESSION gzip", f"{ending}.gz"
            connection.execute(PACKED.format(day=day, path=logs / f"power-{day}.{ending}", form=form))


def floor(folder: Path, store: Path) -> None:
    """Load the same logs with nothing but DuckDB."""
    logs = folder / "logs"
    with duckdb.connect(str(store), config={"threads": 2}) as connection:
        for view, pattern in (
            ("power_csv", "power-*.csv*"),
            ("meter_csv", "meters-*"),
            ("switch_csv", "switch-*.csv*"),
        ):
            files = [str(path) for path in sorted(logs.glob(pattern))]
            connection.execute(f"CREATE TEMP VIEW {view} AS " + TEXT.format(files=files))
        lines = [str(path) for path in sorted(logs.glob("power-*.ndjson*"))]
        names = ("ts", "site_id", "pv_w", "house_w", "grid_w", "battery_w", "islanded")
        columns = dict.fromkeys(names, "VARCHAR")
        connection.execute(
            f"CREATE TEMP VIEW power_json AS FROM read_json({lines}, format = 'newline_delimited', "
            f"ignore_errors = true, columns = {columns})"
        )
        for statement in FLOOR:
            connection.execute(statement)


def product(folder: Path, store: Path) -> None:
    """Load everything and review it, as the two commands do."""
    from coilbook.analytics.review import review
    from coilbook.ingest.load import load_paths
    from coilbook.ingest.store import Store

    with Store.open(store, threads=2) as opened:
        load_paths(opened, [folder / "registry", folder / "logs"], now=NOW)
        loaded = time.perf_counter()
        review(opened, now=NOW)
        print(f"of which the review {time.perf_counter() - loaded:.1f} s", file=sys.stderr)


def measured(what: str, folder: Path) -> tuple[float, float, float]:
    """Seconds, processor seconds and peak memory [MB] of one run in a process of its own."""
    with tempfile.TemporaryDirectory() as scratch:
        command = [
            sys.executable,
            __file__,
            "--run",
            what,
            "--dir",
            str(folder),
            "--store",
            f"{scratch}/s.duckdb",
        ]
        said = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.split()
    wall, cpu, peak = map(float, said[-3:])
    return wall, cpu, peak


def main() -> None:
    """Simulate the fleet where there is none, run both turn about, print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--sites", type=int, default=200)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--dir", type=Path)
    parser.add_argument("--run", choices=("product", "floor"))
    parser.add_argument("--store", type=Path)
    given = parser.parse_args()
    if given.run:
        began = time.perf_counter()
        (product if given.run == "product" else floor)(given.dir, given.store)
        used = resource.getrusage(resource.RUSAGE_SELF)
        print(time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.dir or Path(scratch) / "fleet"
        if not folder.exists():  # in a process of its own, whose peak of memory no measured one inherits
            maker = get_context("spawn").Process(target=simulate, args=(folder, given.sites, given.days))
            maker.start()
            maker.join()
        runs: dict[str, list[tuple[float, float, float]]] = {"product": [], "floor": []}
        for _ in range(given.rounds):
            for what, results in runs.items():
                results.append(measured(what, folder))
    middle = {what: [statistics.median(column) for column in zip(*runs[what], strict=True)] for what in runs}
    for what, (wall, cpu, peak) in middle.items():
        print(f"{what:8s} {wall:7.2f} s   CPU {cpu:7.2f} s   peak {peak:6.0f} MB")
    print(
        f"ratio    {middle['product'][0] / middle['floor'][0]:7.2f}     "
        f"CPU {middle['product'][1] / middle['floor'][1]:7.2f}"
    )


if __name__ == "__main__":
    main()
