"""A server process on the small store, and Debian's Chromium."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

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
    surroundings = {name: value for name, value in os.environ.items() if not name.startswith("COILBOOK_")}
    command = [sys.executable, "-m", "coilbook.api.cli", "serve", "--store", str(folder / "store.duckdb")]
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [*command, "--port", "0"],
            env=surroundings | {"COILBOOK_NIGHTLY": "false"},
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )
    assert process.stdout is not None
    line = process.stdout.readline()
    found = re.search(r"http://\S+:\d+", line)
    assert found, f"no address in {line!r}; log: {(folder / 'log').read_text()}"
    yield found.group()
    process.send_signal(signal.SIGTERM)
    assert process.wait(60) == 0
    process.stdout.close()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if not Path(CHROMIUM).exists():
        pytest.skip(f"{CHROMIUM} is not installed")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()
