"""A server process on the small store, and Debian's Chromium."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from coilbook.ingest.store import Store
from playwright.sync_api import Browser, sync_playwright
from small_store import fill

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="session")
def base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a server that serves the small store."""
    folder = tmp_path_factory.mktemp("served")
    with Store.open(folder / "store.duckdb") as store:
        fill(store)
    with serving(folder / "store.duckdb") as address:
        yield address


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a server that serves a small simulated fleet, loaded and reviewed."""
    folder = tmp_path_factory.mktemp("fleet")
    command = [
        sys.executable,
        "-m",
        "coilbook.api.cli",
        "demo",
        "--sites",
        "12",
        "--days",
        "28",
        "--no-serve",
    ]
    subprocess.run([*command, "--dir", str(folder / "demo")], check=True, capture_output=True, timeout=300)
    with serving(folder / "demo" / "demo.duckdb") as address:
        _tuned(address)
        yield address


def _tuned(address: str) -> None:
    """Have the server make a result for the page on the minimum run."""
    form = {"appliances": "pool_pump", "min_runs_min": "0, 15, 30, 60", "resamples": "50"}
    told = httpx.post(f"{address}/fleet/min-run", data=form, follow_redirects=True, timeout=60)
    for _ in range(300):
        if "made" in told.text and "At work" not in told.text:
            return
        time.sleep(0.2)
        told = httpx.get(f"{address}/fleet/min-run")
    raise AssertionError(told.text)


@contextmanager
def serving(store: Path) -> Iterator[str]:
    """A server process on `store`, ended with SIGTERM."""
    surroundings = {name: value for name, value in os.environ.items() if not name.startswith("COILBOOK_")}
    command = [sys.executable, "-m", "coilbook.api.cli", "serve", "--store", str(store), "--port", "0"]
    log = store.parent / "log"
    with log.open("w") as said:
        process = subprocess.Popen(
            command,
            env=surroundings | {"COILBOOK_NIGHTLY": "false"},
            stdout=subprocess.PIPE,
            stderr=said,
            text=True,
        )
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        found = re.search(r"http://\S+:\d+", line)
        assert found, f"no address in {line!r}; log: {log.read_text()}"
        yield found.group()
    finally:
        process.send_signal(signal.SIGTERM)
        ended = process.wait(60)
        process.stdout.close()
    assert ended == 0


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if not Path(CHROMIUM).exists():
        pytest.skip(f"{CHROMIUM} is not installed")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()
