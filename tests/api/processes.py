"""The command line and the server as processes of their own."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType

import httpx

PROGRAM = [sys.executable, "-m", "coilbook.api.cli"]


def quiet_environment() -> list[str]:
    """Names of settings that the surroundings of a test run may hold."""
    return [name for name in os.environ if name.startswith("COILBOOK_")]


def environment(extra: Mapping[str, str] | None = None) -> dict[str, str]:
    """The environment of a process, without settings from outside."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("COILBOOK_")}
    return {**kept, **(extra or {})}


def coilbook(
    *arguments: str | Path, cwd: Path | None = None, extra: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run the command line to its end."""
    return subprocess.run(
        [*PROGRAM, *map(str, arguments)],
        cwd=cwd,
        env=environment(extra),
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )


class Server:
    """A server process; its address is known once it is entered."""

    def __init__(self, store: Path, *options: str, **settings: str) -> None:
        self.store = store
        self._command = [*PROGRAM, "serve", "--store", str(store), "--port", "0", *options]
        self._settings = {f"COILBOOK_{name.upper()}": value for name, value in settings.items()}
        self._log = store.with_name("server.log")

    def __enter__(self) -> Server:
        with self._log.open("a") as log:
            self.process = subprocess.Popen(
                self._command, env=environment(self._settings), stdout=subprocess.PIPE, stderr=log, text=True
            )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = re.search(r"http://\S+:\d+", line)
        assert found, f"no address in {line!r}; log: {self._log.read_text()}"
        self.url = found.group()
        self.http = httpx.Client(base_url=self.url, timeout=120)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.http.close()
        if self.process.poll() is None:
            self.stop()
        assert self.process.stdout is not None
        self.process.stdout.close()

    def log(self) -> str:
        """What the server said on stderr."""
        return self._log.read_text()

    def stop(self, how: signal.Signals = signal.SIGTERM) -> int:
        """Stop the process; its exit code."""
        self.process.send_signal(how)
        return self.process.wait(60)
