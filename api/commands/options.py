"""Options that commands share, and how a command comes by its store."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from coilbook.api.operations import DirectOperations, Operations
from coilbook.api.remote import ask_server
from coilbook.api.settings import PREFIX, Settings
from coilbook.ingest.errors import InputError, StoreInUse
from coilbook.ingest.store import Store

StoreOption = Annotated[
    Path | None,
    typer.Option(
        "--store",
        help=f"Store file. Default: {PREFIX}STORE, else coilbook.duckdb in this folder.",
        show_default=False,
        metavar="FILE",
    ),
]
RulesOption = Annotated[
    Path | None,
    typer.Option("--rules", help="File of rule settings (TOML). Default: built-in ones.", metavar="FILE"),
]


class Format(StrEnum):
    """How a command prints records."""

    table = "table"
    json = "json"


class ListFormat(StrEnum):
    """How a command prints a list."""

    table = "table"
    json = "json"
    csv = "csv"


FormatOption = Annotated[Format, typer.Option("--format", help="table to read, json to go on with.")]


@contextmanager
def open_operations(settings: Settings) -> Iterator[Operations]:
    """The store named in `settings`, opened here, or asked of the server that holds it."""
    try:
        store = Store.open(settings.store, memory_limit=settings.memory_limit, threads=settings.threads)
    except StoreInUse:
        yield ask_server(settings.store)
        return
    with store:
        yield DirectOperations(store, rules=settings.rules)


def absolute(path: Path) -> Path:
    """`path` from the root, so that a server in another folder reads the same file."""
    return Path.cwd() / path


def existing(paths: list[Path]) -> list[Path]:
    """Absolute paths, each checked to be there."""
    for path in paths:
        if not path.exists():
            raise InputError(f"{path}: no such file or folder")
    return [absolute(path) for path in paths]


def instant(text: str) -> datetime:
    """An RFC 3339 instant with its offset, such as 2026-03-01T06:00:00Z."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise InputError(
            f"--as-of {text!r}: expected an RFC 3339 instant with its offset, such as 2026-03-01T06:00:00Z"
        )
    return found
