"""`coilbook backup` and `coilbook restore`: a whole store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from coilbook.api.commands.options import StoreOption, absolute, existing, open_operations
from coilbook.api.output import note, progress
from coilbook.api.remote import ask_server
from coilbook.api.settings import read_settings
from coilbook.api.side_file import read_side_file, side_file
from coilbook.ingest.errors import InputError, StoreInUse


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
    if side_file(settings.store).exists() and (server := _server_of(settings.store)):
        raise StoreInUse(f"store {settings.store} is held by {server}; stop it, then restore again")
    if settings.store.exists():
        raise InputError(
            f"store {settings.store} exists; move it away first, or name another with --store: "
            "a restore overwrites nothing"
        )
    restore_store(copy, settings.store)
    note(f"store {settings.store} restored from {source}")


def _server_of(store: Path) -> str:
    """The server that holds `store`, in words; '' where none answers."""
    try:
        ask_server(store)
    except StoreInUse:
        return ""
    return f"a running server (process {read_side_file(store).pid})"
