"""How long a load takes against the floor: DuckDB alone reading, casting, removing duplicates, inserting.

    python tests/benchmarks/bench_load.py [--sites 200] [--days 30] [--dir DIR]

Prints seconds of both, their ratio, CPU seconds and the peak memory of each process. Both run in processes
of their own with two threads; the floor has no memory limit.
"""

from __future__ import annotations

import argparse
import gzip
import json
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

START = datetime(2026, 3, 1, tzinfo=UTC)
FORM = "%Y-%m-%dT%H:%M:%SZ"


def write_files(folder: Path, sites: int, days: int) -> None:
    """A registry, a power file a day (each third NDJSON, all gzip but each seventh) and two switch logs."""
    rng = np.random.default_rng(7)
    names = [f"S{i:04d}" for i in range(sites)]
    zones = ["America/Denver", "America/Phoenix", "Australia/Lord_Howe"]
    registry, logs = folder / "registry", folder / "logs"
    registry.mkdir(parents=True)
    logs.mkdir()
    rows = [{"site_id": n, "name": n, "timezone": zones[i % 3]} for i, n in enumerate(names)]
    pl.DataFrame(rows).write_csv(registry / "sites.csv")
    circuits = [
        {"circuit_id": f"{n}-c{k}", "site_id": n, "controller_id": f"{n}-k", "appliance": "pool_pump"}
        for n in names
        for k in (1, 2)
    ]
    pl.DataFrame(circuits).write_csv(registry / "circuits.csv")
    for day in range(days):
        frame = _power(rng, names, START + timedelta(days=day))
        _write_power(rng, logs, day, frame)
    _write_switch(rng, logs, [c["circuit_id"] for c in circuits], days)


def _power(rng: np.random.Generator, names: list[str], begin: datetime) -> pl.DataFrame:
    ts = [(begin + timedelta(minutes=m)).strftime(FORM) for m in range(1440)]
    size = len(names) * 1440
    pv, house = rng.integers(0, 8000, size), rng.integers(100, 6000, size)
    site = pl.Series(names).gather(np.repeat(np.arange(len(names)), 1440))
    when = pl.Series(ts).gather(np.tile(np.arange(1440), len(names)))
    return pl.DataFrame(
        {"ts": when, "site_id": site, "pv_w": pv, "house_w": house, "grid_w": house - pv, "islanded": 0}
    )


def _write_power(rng: np.random.Generator, logs: Path, day: int, frame: pl.DataFrame) -> None:
    if day % 3 == 1:
        lines = frame.write_ndjson().splitlines()
        lines = [line.replace('":', '": ').replace(',"', ', "') for line in lines]
        lines[100] = lines[100][:-10]
        _pack(logs / f"power-{day:03d}.ndjson.gz", "\n".join(lines) + "\n")
        return
    lines = frame.sample(fraction=1, shuffle=True, seed=day).write_csv().splitlines()
    for at in rng.integers(1, len(lines), 20).tolist():
        lines[at] += "\n" + lines[at]
    for at in rng.integers(1, len(lines), 5).tolist():
        lines[at] += "\nnot-a-time," + lines[at].split(",", 1)[1].split("\n")[0]
    text = "\n".join(lines) + "\n"
    if day % 7 == 6:
        (logs / f"power-{day:03d}.csv").write_text(text)
    else:
        _pack(logs / f"power-{day:03d}.csv.gz", text)


def _write_switch(rng: np.random.Generator, logs: Path, circuits: list[str], days: int) -> None:
    rows = []
    for circuit in circuits:
        steps = np.sort(rng.choice(days * 86400, size=max(2, days * 5 // 2), replace=False))
        for seq, second in enumerate(steps.tolist()):
            ts = (START + timedelta(seconds=second)).strftime(FORM)
            row = {
                "ts": ts,
                "circuit_id": circuit,
                "state": "on" if seq % 2 == 0 else "off",
                "cause": "clock",
            }
            rows.append({**row, "seq": seq})
    half = len(rows) // 2
    _pack(logs / "switch-a.csv.gz", pl.DataFrame(rows[:half]).write_csv())
    _pack(logs / "switch-b.json.gz", json.dumps(rows[half:]))


def _pack(path: Path, text: str) -> None:
    path.write_bytes(gzip.compress(text.encode(), 6))


def product(folder: Path, store: Path) -> None:
    """Load everything with the product."""
    from coilbook.ingest.load import load_paths
    from coilbook.ingest.store import Store

    with Store.open(store, threads=2) as opened:
        load_paths(opened, [folder], now=START + timedelta(days=400))


FLOOR_TABLE = """CREATE TABLE power (ts TIMESTAMP, site_id VARCHAR, pv_w DOUBLE, house_w DOUBLE,
    grid_w DOUBLE, battery_w DOUBLE, islanded BOOLEAN)"""
FLOOR_INSERT = """
    INSERT INTO power
    WITH raw AS (
        SELECT ts, site_id, pv_w, house_w, grid_w, islanded
        FROM read_csv(?, header = true, all_varchar = true, ignore_errors = true, union_by_name = true)
        UNION ALL
        SELECT ts, site_id, pv_w, house_w, grid_w, islanded
        FROM read_json(?, format = 'newline_delimited', ignore_errors = true, columns = {
            ts: 'VARCHAR', site_id: 'VARCHAR', pv_w: 'VARCHAR', house_w: 'VARCHAR', grid_w: 'VARCHAR',
            islanded: 'VARCHAR'})),
    typed AS (
        SELECT try_cast(ts AS TIMESTAMP) AS ts, site_id, try_cast(pv_w AS DOUBLE) AS pv_w,
            try_cast(house_w AS DOUBLE) AS house_w, try_cast(grid_w AS DOUBLE) AS grid_w, NULL::DOUBLE,
            try_cast(islanded AS BOOLEAN) AS islanded
        FROM raw)
    SELECT DISTINCT ON (site_id, ts) * FROM typed WHERE ts IS NOT NULL ORDER BY site_id, ts"""


def floor(folder: Path, store: Path) -> None:
    """Load the power files with nothing but DuckDB."""
    import duckdb

    logs = folder / "logs"
    with duckdb.connect(str(store), config={"threads": 2}) as connection:
        connection.execute(FLOOR_TABLE)
        csv = [str(path) for path in sorted(logs.glob("power-*.csv*"))]
        connection.execute(FLOOR_INSERT, [csv, [str(p) for p in sorted(logs.glob("power-*.ndjson.gz"))]])


def _measured(what: str, folder: Path) -> tuple[float, float, float]:
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
    """Write the files where there are none, run both, print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--sites", type=int, default=200)
    parser.add_argument("--days", type=int, default=30)
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
        if not folder.exists():
            write_files(folder, given.sites, given.days)
        ours = _measured("product", folder)
        least = _measured("floor", folder)
    for name, (wall, cpu, peak) in (("product", ours), ("floor", least)):
        print(f"{name:8s} {wall:7.2f} s   CPU {cpu:7.2f} s   peak {peak:6.0f} MB")
    print(f"ratio    {ours[0] / least[0]:7.2f}     CPU {ours[1] / least[1]:7.2f}")


if __name__ == "__main__":
    main()
