"""Load and review of a simulated fleet against the floor: plain DuckDB reading the same power files sorted.

    python tests/benchmarks/bench_load_review.py [--sites 200] [--days 30] [--rounds 3] [--dir DIR]

Both run in processes of their own with two threads, turn about; prints medians of seconds and processor
seconds, their ratio, and the peak memory of each. The target is 2.5 times the floor and 1.5 GB.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

from bench_load import START, floor


def product(folder: Path, store: Path) -> None:
    """Load everything and review it, as the two commands do."""
    from coilbook.analytics.review import review
    from coilbook.ingest.load import load_paths
    from coilbook.ingest.store import Store

    now: datetime = (START + timedelta(days=400)).replace(tzinfo=None)
    with Store.open(store, threads=2) as opened:
        load_paths(opened, [folder / "registry", folder / "logs"], now=now)
        loaded = time.perf_counter()
        review(opened, now=now)
        print(f"review alone {time.perf_counter() - loaded:.1f} s", file=sys.stderr)


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
        if not folder.exists():
            from coilbook.fixtures.fleet import write_fleet

            write_fleet(folder, sites=given.sites, days=given.days, seed=5)
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
