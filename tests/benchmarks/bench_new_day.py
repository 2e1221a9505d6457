"""The review of one new day of all sites, with a month and with a year behind it.

    python tests/benchmarks/bench_new_day.py [--sites 1000] [--days 30 365] [--interval 900] [--rounds 3]
        [--dir DIR]

The new day is loaded by the product; only the review is timed, in a process of its own, turn about. The
target: the review after a year takes at most 15 % longer than that after a month. How the history is made is
told in `long_history.py`. With DIR the stores are kept there and used again.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

from coilbook.analytics.review import review
from coilbook.ingest.load import load_paths
from coilbook.ingest.store import Store
from long_history import NOW, make_store, prepared


def timed_review(path: Path) -> None:
    """Review a store and print what it took."""
    with Store.open(path, threads=2) as store:
        began, used = time.perf_counter(), time.process_time()
        done = review(store, now=NOW.replace(tzinfo=None))
        wall, cpu = time.perf_counter() - began, time.process_time() - used
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"wall": wall, "cpu": cpu, "peak": peak, "site_days": done.site_days}))


def measured(store: Path) -> dict[str, float]:
    """One review of a copy of `store`, in a process of its own."""
    copy = store.with_suffix(".copy")
    shutil.copyfile(store, copy)
    command = [sys.executable, __file__, "--review", str(copy)]
    said = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
    copy.unlink()
    found: dict[str, float] = json.loads(said.splitlines()[-1])
    return found


def store_of(folder: Path, past: Path, new_day: list[Path], sites: int, days: int) -> Path:
    """A store with the history and the new day loaded, but not reviewed."""
    path = folder / f"days-{days}.duckdb"
    if not path.exists():
        began = time.perf_counter()
        make_store(past, path, sites, days)
        made = time.perf_counter()
        with Store.open(path, threads=2) as store:
            rows = load_paths(store, new_day, now=NOW)
            store.checkpoint()
        accepted = sum(row.accepted or 0 for row in rows)
        print(
            f"{days} days: made in {made - began:.0f} s, {path.stat().st_size / 1e6:.0f} MB; "
            f"{accepted:,} rows of the new day loaded in {time.perf_counter() - made:.1f} s",
            file=sys.stderr,
        )
    return path


def main() -> None:
    """Make the stores where there are none, review turn about, print medians."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--days", type=int, nargs=2, default=(30, 365))
    parser.add_argument(
        "--interval", type=int, default=900, choices=(60, 300, 900), help="of power samples [s]"
    )
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--dir", type=Path, help="folder in which stores are kept")
    parser.add_argument("--review", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.review:
        timed_review(given.review)
        return
    with prepared(given.dir, given.sites, given.interval) as (past, new_day):
        folder = past.parents[1]
        stores = {days: store_of(folder, past, new_day, given.sites, days) for days in given.days}
        runs: dict[int, list[dict[str, float]]] = {days: [] for days in stores}
        for _ in range(given.rounds):
            for days, store in stores.items():
                runs[days].append(measured(store))
    middle = {
        days: {name: statistics.median(run[name] for run in found) for name in found[0]}
        for days, found in runs.items()
    }
    for days, m in middle.items():
        print(
            f"{given.sites} sites, {days:4d} days behind: review {m['wall']:6.2f} s   "
            f"CPU {m['cpu']:6.2f} s   "
            f"peak {m['peak']:5.0f} MB   {m['site_days']:.0f} site-days"
        )
    few, many = (middle[days] for days in given.days)
    print(f"ratio {many['wall'] / few['wall']:.2f}   CPU {many['cpu'] / few['cpu']:.2f}")


if __name__ == "__main__":
    main()
