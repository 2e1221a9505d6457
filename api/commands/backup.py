"""`coilbook backup` and `coilbook restore`: a whole store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from coilbook.api.commands.options import StoreOption, absolute, existing, open_operations
from coilbook.api.output import note, progress
from coilbook.api.settings import read_settings
from coilbook.ingest.errors import StoreInUse


def backup(
    target: Annotated[Path, typer.Argument(help="File to write.", metavar="FILE")],
    store: StoreOption = None,
) -> None:
    """Copy the whole store to a file, also while a server holds it."""
    settings = read_settings(store=store)
    with open_operations(settings) as operations, progress("backing up"):
        operations.backup(absolute(target))
    note(f"store {settings.store} backed up to {target}")


def restore(
    source: Annotated[Path, typer.Argument(help="File that a backup wrote.", metavar="FILE")],
    store: StoreOption = None,
) -> None:
    """Bring a backup back as the store. No server may hold the store meanwhile."""
    from coilbook.ingest.backup import restore as restore_store

    settings = read_settings(store=store)
    copy = existing([source])[0]
    try:
        restore_store(copy, settings.store)
    except StoreInUse as exc:
        raise StoreInUse(f"{exc}; stop the server or command that holds it, then restore again") from exc
    note(f"store {settings.store} restored from {source}")
