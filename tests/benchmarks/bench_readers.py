"""Readers of the morning list, of sites' pages and of charts, and of the list while a day is loaded.

    python tests/benchmarks/bench_readers.py [--sites 1000] [--days 30] [--interval 300] [--readers 20]
        [--rest MS] [--some 50] [--dir DIR]

A server process on a store of so many sites and days. First one reader asks once for the pages and charts of
SOME sites, of which the server keeps none yet. Then readers in another process ask for the same over and over
in random order, each as soon as it has its answer and REST ms have passed: `/`, `/sites/{id}`, and each kind
of chart; last for `/` while `coilbook load` has the server load the new day. Prints how long answers took and
what failed. The target: median under 100 ms, 99 % under 400 ms, no error.
"""

from __future__ import annotations

import argparse
import json
import random
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import numpy as np
from long_history import make_store, prepared

PROGRAM = [sys.executable, "-m", "coilbook.api.cli"]
ALONE_S = 5.0
CHARTS = ("timeline", "windows", "starts", "lengths", "wear")


@contextmanager
def server(store: Path) -> Iterator[str]:
    """A server process on `store`; its address."""
    command = [*PROGRAM, "serve", "--store", str(store), "--port", "0"]
    with (store.parent / "server.log").open("w") as log:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)
    try:
        assert process.stdout
        found = re.search(r"http://\S+:\d+", process.stdout.readline())
        assert found, (store.parent / "server.log").read_text()
        yield found.group()
    finally:
        process.terminate()
        process.wait(60)


def addresses(some: list[str]) -> dict[str, list[str]]:
    """What is read, by kind; `some`: ids of sites."""
    pages = {"/": ["/"], "/sites/{id}": [f"/sites/{site}" for site in some]}
    return pages | {chart: [f"/sites/{site}/charts/{chart}.json" for site in some] for chart in CHARTS}


def once(url: str, paths: list[str]) -> tuple[list[float], list[str]]:
    """Ask for each path once, one after another: times [ms] and errors."""
    times, errors = [], []
    with httpx.Client(base_url=url, timeout=60) as http:
        http.get("/healthz")
        for path in paths:
            began = time.perf_counter()
            answer = http.get(path)
            times.append(1000 * (time.perf_counter() - began))
            if answer.status_code != 200:
                errors.append(f"{answer.status_code}: {path}")
    return times, errors


def read(url: str, paths: list[str], readers: int, rest_s: float) -> None:
    """Read until a line comes on stdin; print the milliseconds of each answer and the errors."""
    stop = threading.Event()
    times: list[float] = []
    errors: list[str] = []

    first = threading.Barrier(readers + 1)

    def ask(http: httpx.Client, choice: random.Random) -> None:
        path = choice.choice(paths)
        began = time.perf_counter()
        try:
            answer = http.get(path)
            times.append(1000 * (time.perf_counter() - began))
            if answer.status_code != 200 or not answer.content.rstrip().endswith((b"</html>", b"}")):
                errors.append(f"{answer.status_code}: {answer.text[:80]}")
        except httpx.HTTPError as exc:
            errors.append(repr(exc))

    def reader(number: int) -> None:
        choice = random.Random(number)
        with httpx.Client(base_url=url, timeout=60) as http:
            ask(http, choice)
            first.wait()
            while not stop.is_set():
                ask(http, choice)
                stop.wait(rest_s)

    threads = [threading.Thread(target=reader, args=(number,)) for number in range(readers)]
    for thread in threads:
        thread.start()
    first.wait()
    times.clear()  # the first answer to each pays for its connection
    print("begun", flush=True)
    sys.stdin.readline()
    stop.set()
    for thread in threads:
        thread.join()
    print(json.dumps({"times": times, "errors": errors}))


class Readers:
    """A process of readers; `stop` ends it and returns its times [ms] and errors."""

    def __init__(self, url: str, paths: list[str], readers: int, rest_ms: float) -> None:
        command = [sys.executable, __file__, "--read", url, "--readers", str(readers), "--rest", str(rest_ms)]
        command += ["--paths", json.dumps(paths)]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout
        self.process.stdout.readline()

    def stop(self) -> tuple[list[float], list[str]]:
        """Tell the readers to stop, and take what they measured."""
        said, _ = self.process.communicate("stop\n", timeout=120)
        found = json.loads(said)
        return found["times"], found["errors"]


def line(name: str, seconds: float, times: list[float], errors: list[str]) -> str:
    """One line of the table."""
    middle, high = np.percentile(times, [50, 99])
    return (
        f"{name:18s} {len(times):6d} answers in {seconds:5.1f} s   median {middle:6.1f} ms   "
        f"p99 {high:7.1f} ms   slowest {max(times):7.1f} ms   errors {len(errors)} {errors[:1] or ''}"
    )


def measure(store: Path, new_day: list[Path], readers: int, rest_ms: float, some: int) -> Iterator[str]:
    """Lines of the table: each page and chart anew, readers of each, readers during a load."""
    with server(store) as url:
        page = httpx.get(url, timeout=60)
        yield f"list of {len(page.content) / 1000:.0f} kB, {readers} readers, {rest_ms:.0f} ms between"
        known = [site["site_id"] for site in httpx.get(f"{url}/api/sites", timeout=60).json()]
        kinds = addresses(random.Random(1).sample(known, min(some, len(known))))
        for kind, paths in kinds.items():
            began = time.perf_counter()
            times, errors = once(url, paths)
            yield line(f"{kind}, anew", time.perf_counter() - began, times, errors)
        for kind, paths in kinds.items():
            alone = Readers(url, paths, readers, rest_ms)
            time.sleep(ALONE_S)
            yield line(kind, ALONE_S, *alone.stop())
        during = Readers(url, ["/"], readers, rest_ms)
        began = time.perf_counter()
        command = [*PROGRAM, "load", "--store", str(store), "--format", "json", *map(str, new_day)]
        said = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
        took = time.perf_counter() - began
        yield line("while a day loads", took, *during.stop())
        accepted = sum(entry["accepted"] for entry in json.loads(said))
        yield f"{accepted:,} rows loaded in {took:.1f} s"


def main() -> None:
    """Make the store where there is none, then measure on a copy of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--days", type=int, default=30, help="of history")
    parser.add_argument("--some", type=int, default=50, help="sites whose pages and charts are read")
    parser.add_argument("--interval", type=int, default=300, choices=(60, 300, 900), help="of power [s]")
    parser.add_argument("--readers", type=int, default=20)
    parser.add_argument(
        "--rest", type=float, default=0.0, help="between an answer and the next question [ms]"
    )
    parser.add_argument("--dir", type=Path, help="folder in which the store is kept")
    parser.add_argument("--read", help=argparse.SUPPRESS)
    parser.add_argument("--paths", type=json.loads, default=["/"], help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.read:
        read(given.read, given.paths, given.readers, given.rest / 1000)
        return
    with prepared(given.dir, given.sites, given.interval) as (past, new_day):
        kept = past.parents[1] / f"{given.days}-days.duckdb"
        if not kept.exists():
            make_store(past, kept, given.sites, given.days)
        store = Path(shutil.copy(kept, kept.with_name("served.duckdb")))
        for told in measure(store, new_day, given.readers, given.rest, given.some):
            print(told, flush=True)


if __name__ == "__main__":
    main()
