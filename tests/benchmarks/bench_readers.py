"""Readers of the morning list while a day of the whole fleet is loaded into the same server.

    python tests/benchmarks/bench_readers.py [--sites 1000] [--interval 300] [--readers 20] [--rest MS]
        [--dir DIR]

A server process on a store of so many sites and a month; readers in another process ask for `/` over and
over, each as soon as it has its answer and REST ms have passed, first alone and then while `coilbook load`
has the server load the new day. Prints how long answers took, and errors. The target: median under 100 ms, no
error.
"""

from __future__ import annotations

import argparse
import json
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


def read(url: str, readers: int, rest_s: float) -> None:
    """Read until a line comes on stdin; print the milliseconds of each answer and the errors."""
    stop = threading.Event()
    times: list[float] = []
    errors: list[str] = []

    first = threading.Barrier(readers + 1)

    def ask(http: httpx.Client) -> None:
        began = time.perf_counter()
        try:
            answer = http.get("/")
            times.append(1000 * (time.perf_counter() - began))
            if answer.status_code != 200 or not answer.content.rstrip().endswith(b"</html>"):
                errors.append(f"{answer.status_code}: {answer.text[:80]}")
        except httpx.HTTPError as exc:
            errors.append(repr(exc))

    def reader() -> None:
        with httpx.Client(base_url=url, timeout=60) as http:
            ask(http)
            first.wait()
            while not stop.is_set():
                ask(http)
                stop.wait(rest_s)

    threads = [threading.Thread(target=reader) for _ in range(readers)]
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

    def __init__(self, url: str, readers: int, rest_ms: float) -> None:
        command = [sys.executable, __file__, "--read", url, "--readers", str(readers), "--rest", str(rest_ms)]
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


def measure(store: Path, new_day: list[Path], readers: int, rest_ms: float) -> Iterator[str]:
    """Lines of the table: readers alone, readers during a load."""
    with server(store) as url:
        page = httpx.get(url, timeout=60)
        yield f"page of {len(page.content) / 1000:.0f} kB, {readers} readers, {rest_ms:.0f} ms between"
        alone = Readers(url, readers, rest_ms)
        time.sleep(ALONE_S)
        yield line("alone", ALONE_S, *alone.stop())
        during = Readers(url, readers, rest_ms)
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
    parser.add_argument("--interval", type=int, default=300, choices=(60, 300, 900), help="of power [s]")
    parser.add_argument("--readers", type=int, default=20)
    parser.add_argument(
        "--rest", type=float, default=0.0, help="between an answer and the next question [ms]"
    )
    parser.add_argument("--dir", type=Path, help="folder in which the store is kept")
    parser.add_argument("--read", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.read:
        read(given.read, given.readers, given.rest / 1000)
        return
    with prepared(given.dir, given.sites, given.interval) as (past, new_day):
        kept = past.parents[1] / "month.duckdb"
        if not kept.exists():
            make_store(past, kept, given.sites, 30)
        store = Path(shutil.copy(kept, kept.with_name("served.duckdb")))
        for told in measure(store, new_day, given.readers, given.rest):
            print(told, flush=True)


if __name__ == "__main__":
    main()
