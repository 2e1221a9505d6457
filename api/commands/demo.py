"""`coilbook demo`: an invented fleet from simulation to morning list, and its pages."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from coilbook.api.commands.cases import print_morning
from coilbook.api.commands.options import StoreOption, absolute
from coilbook.api.operations import CaseFilter, DirectOperations
from coilbook.api.output import note, progress, say
from coilbook.api.settings import Settings, read_settings
from coilbook.ingest.errors import InputError, StoreInUse
from coilbook.ingest.store import Store

FOLDER = Path("coilbook-demo")
MARK = ".coilbook-demo"
"""Name of the file that marks a folder as written by the demo, so that it may be written anew."""


def demo(
    sites: Annotated[int, typer.Option("--sites", min=1, help="Homes in the fleet.")] = 60,
    days: Annotated[int, typer.Option("--days", min=1, help="Days of logs.")] = 42,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Another seed, another fleet.")] = 1,
    folder: Annotated[
        Path, typer.Option("--dir", help="Folder for logs and store; written anew.", metavar="DIR")
    ] = FOLDER,
    no_serve: Annotated[bool, typer.Option("--no-serve", help="Do not serve the pages afterwards.")] = False,
    host: Annotated[
        str | None, typer.Option("--host", help="Address to listen on.", show_default=False)
    ] = None,
    port: Annotated[
        int | None,
        typer.Option("--port", min=0, max=65535, help="Port; 0 = any free one.", show_default=False),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Simulate an invented fleet, load it, review it, print the morning list, and serve the pages.

    Without --store the demo's store is demo.duckdb in its own folder, whatever the environment names.
    """
    folder = absolute(folder)
    settings = read_settings(store=store or folder / "demo.duckdb", host=host, port=port)
    if store is not None and store.exists():
        raise InputError(f"--store {store} exists; the demo does not mix its invented fleet into a store")
    if not no_serve:
        from coilbook.api.serving import listen  # late: other commands need no web server

        listen(settings.host, settings.port).close()  # told now, not after the work
    _clear(folder, settings)
    _simulate(folder, sites, days, seed)
    with Store.open(settings.store, memory_limit=settings.memory_limit, threads=settings.threads) as opened:
        operations = DirectOperations(opened, rules=settings.rules)
        with _timed("load"), progress("loading") as tell:
            entries = operations.load([folder / "registry", folder / "logs"], progress=tell)
        with _timed("review"), progress("reviewing") as tell:
            operations.review(progress=tell)
        rows = sum(entry.rows_read or 0 for entry in entries)
        held = sum(entry.quarantined or 0 for entry in entries)
        note(f"{len(entries):,} files, {rows:,} rows read, {held:,} in quarantine")
        say("")
        print_morning(operations.morning(CaseFilter()))
    if not no_serve:
        from coilbook.api.serving import serve

        say("")
        serve(settings)


def _simulate(folder: Path, sites: int, days: int, seed: int) -> None:
    from coilbook.fixtures.fleet import write_fleet
    from coilbook.fixtures.news import plant_with_news

    with _timed("simulate"), progress("simulating") as tell:
        write_fleet(
            folder,
            sites=sites,
            days=days,
            seed=seed,
            planting=plant_with_news,
            progress=(lambda done, total: tell(done, total)) if tell else None,
        )


def _clear(folder: Path, settings: Settings) -> None:
    """Remove what an earlier demo left in `folder`. `InputError` where the folder is not the demo's."""
    if folder.exists() and any(folder.iterdir()) and not (folder / MARK).exists():
        raise InputError(f"--dir {folder}: the folder is not empty and not an earlier demo's; name another")
    if not folder.parent.is_dir():
        raise InputError(f"--dir {folder}: folder {folder.parent} does not exist")
    own = folder / "demo.duckdb"
    if own.exists():
        try:
            Store.open(own).close()
        except StoreInUse as exc:
            raise StoreInUse(f"{exc}; an earlier demo still serves it: end that one first") from exc
    folder.mkdir(exist_ok=True)
    (folder / MARK).touch()
    for name in ("logs", "registry"):
        shutil.rmtree(folder / name, ignore_errors=True)
    for old in (*folder.glob("demo.duckdb*"), *folder.glob("truth*.csv")):
        old.unlink()


@contextmanager
def _timed(what: str) -> Iterator[None]:
    """Say on stderr how long it took."""
    begin = time.perf_counter()
    yield
    note(f"{what:<9} {time.perf_counter() - begin:6.1f} s")
