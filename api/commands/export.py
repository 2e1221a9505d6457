"""`coilbook export`: a table into a file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from coilbook.api.commands.options import StoreOption, absolute, open_operations
from coilbook.api.output import note, progress
from coilbook.api.settings import read_settings


def export(
    table: Annotated[
        str, typer.Argument(help="A fact, finding, case, ledger, quarantine or registry.", metavar="TABLE")
    ],
    to: Annotated[
        Path, typer.Option("--to", help="File to write, .csv, .parquet or .ndjson.", metavar="FILE")
    ],
    store: StoreOption = None,
) -> None:
    """Write a table to a file; instants as RFC 3339 in UTC."""
    with open_operations(read_settings(store=store)) as operations, progress(f"exporting {table}"):
        rows = operations.export(table, absolute(to))
    note(f"{rows:,} rows of {table} written to {to}")
