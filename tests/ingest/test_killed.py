"""A load killed at any moment, and loaded again, leaves what an undisturbed load leaves."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from coilbook.ingest.store import Store
from little_fleet import NOW, POWER, SWITCH, content, load, put, registry

LOADER = """
import sys
from datetime import datetime
from pathlib import Path
from coilbook.ingest.load import load_paths
from coilbook.ingest.store import Store
with Store.open(sys.argv[1], threads=1) as store:
    print("begun", flush=True)
    load_paths(store, [Path(p) for p in sys.argv[2:]], now=datetime.fromisoformat("{now}"))
"""


def fleet(folder: Path) -> list[Path]:
    """Rows of an unknown site first, then registry and logs: every part of a load has something to do."""
    early = put(folder / "early.csv", POWER + "2026-03-01T11:59:00Z,H1,7,300,\n")
    for day in range(1, 7):
        lines = [
            f"2026-03-{day:02d}T{m // 60:02d}:{m % 60:02d}:00Z,{site},{m},300,\n"
            for site in ("H1", "H2")
            for m in range(0, 1440)
        ]
        lines.insert(17, "soon,H1,1,2,3\n")
        put(folder / "logs" / f"p{day}.csv", POWER + "".join(lines))
    put(folder / "logs" / "s.csv", SWITCH + "2026-03-01T12:00:00Z,H1-a,on,clock,1\n")
    return [early, registry(folder), folder / "logs"]


def loader(store: Path, paths: list[Path]) -> subprocess.Popen[str]:
    code = LOADER.format(now=NOW.isoformat())
    command = [sys.executable, "-c", code, str(store), *map(str, paths)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_killed_and_loaded_again(tmp_path: Path) -> None:
    paths = fleet(tmp_path)
    with Store.open(tmp_path / "calm.duckdb", threads=1) as store:
        load(store, paths[0])
        began = time.perf_counter()
        load(store, *paths[1:])
        took = time.perf_counter() - began
        expected = content(store)
    cut_short = 0
    for place in range(6):
        path = tmp_path / f"killed{place}.duckdb"
        with Store.open(path, threads=1) as store:
            load(store, paths[0])
        process = loader(path, paths[1:])
        assert process.stdout
        process.stdout.readline()
        time.sleep(took * place / 5)
        process.send_signal(signal.SIGKILL)
        cut_short += process.wait() == -signal.SIGKILL
        process.stdout.close()
        with Store.open(path, threads=1) as store:
            load(store, *paths[1:])
            assert content(store) == expected
    assert cut_short >= 2


def test_a_full_disk_is_one_clear_line_and_a_store_that_opens_again(tmp_path: Path) -> None:
    # A limit on the size of files stands in for a disk that fills up.
    paths = fleet(tmp_path)
    path = tmp_path / "s.duckdb"
    with Store.open(path, threads=1) as store:
        load(store, *paths[:2])
        store.checkpoint()
        before = content(store)
    limit = 65_536
    code = f"""
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
from coilbook.ingest.errors import StoreError
try:
    exec({LOADER.format(now=NOW.isoformat())!r})
except StoreError as exc:
    print("refused:", exc)
"""
    done = subprocess.run(
        [sys.executable, "-c", code, str(path), str(paths[2])], capture_output=True, text=True, check=False
    )
    assert f"refused: store {path} cannot be written: File too large\n" in done.stdout, done.stderr
    assert "Traceback" not in done.stderr
    with Store.open(path, threads=1) as store:
        assert content(store)["site"] == before["site"]
        load(store, paths[2])
        assert len(content(store)["power_log"]) == 6 * 2 * 1440


@pytest.mark.skipif(os.getuid() == 0, reason="root may read any file")
def test_a_file_without_permission(known: Store, tmp_path: Path) -> None:
    path = put(tmp_path / "p.csv", POWER)
    path.chmod(0)
    (row,) = load(known, path)
    assert "Permission" in str(row.error)
