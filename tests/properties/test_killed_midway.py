"""A load or a review that is killed, and done again, leaves what an undisturbed one leaves.

The command line runs in processes of its own, which are killed (SIGKILL) at random moments of their work.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest
from coilbook.fixtures.fleet import write_fleet
from coilbook.ingest.load import load_paths
from coilbook.ingest.store import Store
from fleet_files import EXAMPLES, NOW, Exports, assert_equal, assert_equal_frames, exports, frames, judged

# Small batches make many transactions for a kill to fall between.
PROGRAM = """
from coilbook.analytics import facts_runner, review
facts_runner.SITE_DAYS_A_BUCKET = review.SITE_DAYS_A_BATCH = 4
from coilbook.api.cli import main
print("begun", flush=True)
main()
"""
KILLS = EXAMPLES


@dataclass(frozen=True)
class Calm:
    """Files, a store into which they were loaded, how long each step took [s], and what a review exports."""

    files: Path
    loaded: Path
    load_s: float
    review_s: float
    exports: Exports


def command(*arguments: str | Path) -> subprocess.Popen[bytes]:
    """The command line, in a process of its own and on one thread, once it has begun its work."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("COILBOOK_")}
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *map(str, arguments)],
        env={**kept, "COILBOOK_THREADS": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == b"begun\n"
    return process


def timed(process: subprocess.Popen[bytes]) -> float:
    """Let a process come to its good end; how long that took [s]."""
    began = time.monotonic()
    _, said = process.communicate(timeout=120)
    assert process.returncode == 0, said.decode()
    return time.monotonic() - began


def killed(process: subprocess.Popen[bytes], after_s: float) -> bool:
    """Kill a process after so long; whether it was still at work."""
    time.sleep(after_s)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    return process.returncode == -signal.SIGKILL


def finished(path: Path, files: Path) -> Exports:
    """What the store exports once all files were loaded and reviewed in peace."""
    with Store.open(path, threads=1) as store:
        load_paths(store, [files], now=NOW)
        return judged(store)


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> Calm:
    folder = tmp_path_factory.mktemp("calm")
    fleet = write_fleet(folder / "fleet", sites=6, days=3, seed=5, interval_s=300)
    assert len(fleet.logs) > 4
    files = folder / "files"
    files.mkdir()
    for part in ("registry", "logs"):
        (folder / "fleet" / part).rename(files / part)
    store = folder / "store.duckdb"
    load_s = timed(command("load", files, "--store", store))
    loaded = Path(shutil.copy(store, folder / "loaded.duckdb"))
    review_s = timed(command("review", "--store", store))
    with Store.open(store, threads=1) as opened:
        expected = exports(opened)
    assert expected["finding"].count(b"\n") > 5
    return Calm(files, loaded, load_s, review_s, expected)


def test_killed_loads(calm: Calm, tmp_path: Path) -> None:
    """Killed at random moments of one load, twice, then loaded to the end and reviewed."""
    rng, reach, at_work = Random(11), calm.load_s, 0
    for number in range(4 * KILLS):
        store = tmp_path / f"{number}.duckdb"
        kills = [
            killed(command("load", calm.files, "--store", store), rng.random() * reach) for _ in range(2)
        ]
        assert_equal(finished(store, calm.files), calm.exports)
        at_work += sum(kills)
        if at_work >= KILLS:
            return
        reach *= 1 if all(kills) else 0.5  # the machine is quicker now than when the calm load was timed
    pytest.fail(f"{at_work} of the processes were still at work when they were killed")


def test_killed_reviews(calm: Calm, tmp_path: Path) -> None:
    """Killed at a random moment, then reviewed to the end."""
    rng, reach, at_work = Random(12), calm.review_s, 0
    for number in range(4 * KILLS):
        store = Path(shutil.copy(calm.loaded, tmp_path / f"{number}.duckdb"))
        hit = killed(command("review", "--store", store), rng.random() * reach)
        with Store.open(store, threads=1) as opened:
            assert_equal(judged(opened), calm.exports)
        at_work += hit
        if at_work >= KILLS:
            return
        reach *= 1 if hit else 0.5
    pytest.fail(f"{at_work} of the processes were still at work when they were killed")


def test_a_killed_load_whose_review_is_killed_too(calm: Calm, tmp_path: Path) -> None:
    rng = Random(13)
    store = tmp_path / "store.duckdb"
    killed(command("load", calm.files, "--store", store), 0.8 * rng.random() * calm.load_s)
    killed(command("review", "--store", store), 0.8 * rng.random() * calm.review_s)
    got = finished(store, calm.files)
    assert_equal_frames(frames(got), frames(calm.exports))
