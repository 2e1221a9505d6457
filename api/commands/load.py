"""`coilbook load`: files and folders into the store."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from coilbook.api.commands.options import (
    Format,
    FormatOption,
    StoreOption,
    absolute,
    existing,
    open_operations,
)
from coilbook.api.models import LedgerEntry
from coilbook.api.output import print_json, print_table, progress, say
from coilbook.api.settings import read_settings

COLUMNS = ("load", "file", "kind", "read", "accepted", "duplicate", "replaced", "quarantined", "outcome")


def load(
    paths: Annotated[
        list[Path], typer.Argument(help="Logs and registry: files or folders.", metavar="PATH...")
    ],
    profile: Annotated[
        Path | None, typer.Option("--profile", help="Source profile (TOML) of these files.", metavar="FILE")
    ] = None,
    form: FormatOption = Format.table,
    store: StoreOption = None,
) -> None:
    """Load logs and registry, kinds told by their columns; print the ledger.

    Rows that cannot be used go to quarantine and do not stop a file. Ends with 1 where a file failed whole.
    """
    settings = read_settings(store=store)
    wanted = existing(paths)
    source = existing([profile])[0] if profile else None
    with open_operations(settings) as operations, progress("loading") as tell:
        entries = operations.load(wanted, profile=source, progress=tell)
    if form is Format.json:
        print_json(entries)
    else:
        print_ledger(entries)
    if any(entry.outcome == "failed" for entry in entries):
        raise typer.Exit(1)


def print_ledger(entries: Sequence[LedgerEntry]) -> None:
    """The ledger as a table, with its sums and why files failed."""
    sums = [sum(getattr(entry, name) or 0 for entry in entries) for name in ("rows_read", *COLUMNS[4:8])]
    rows = [
        [
            str(entry.load_id),
            shortened(entry.path),
            entry.kind,
            entry.rows_read,
            entry.accepted,
            entry.duplicate,
            entry.replaced,
            entry.quarantined,
            entry.outcome,
        ]
        for entry in entries
    ]
    total = ["", f"{len(entries):,} files", "", *sums, ""]
    print_table(COLUMNS, [*rows, total], right=("load", *COLUMNS[3:8]))
    for entry in entries:
        if entry.error:
            say(f"failed: {shortened(entry.path)}: {entry.error}")


def shortened(path: str) -> str:
    """A path below this folder from here on, any other as it is."""
    here = f"{absolute(Path())}{os.sep}"
    return path.removeprefix(here)
