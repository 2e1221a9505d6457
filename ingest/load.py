"""Loading files and folders: registry first, then logs, one transaction a file, one ledger row each.

While the rows of one file are merged into the store, those of the next are read and judged in a second
thread; a few blocks at most wait in between.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Protocol

from coilbook.ingest import ledger, prefetch, quarantine
from coilbook.ingest.errors import UnreadableFile
from coilbook.ingest.files import Source, Unreadable, examine, in_order, walk
from coilbook.ingest.known import Known
from coilbook.ingest.ledger import LedgerRow
from coilbook.ingest.one_file import load_log, load_registry
from coilbook.ingest.profiles import Profile
from coilbook.ingest.rows import Context
from coilbook.ingest.sifting import Sifted, sift
from coilbook.ingest.store import Store
from coilbook.ingest.times import naive_utc

BLOCKS_AHEAD = 6


class Progress(Protocol):
    """Told after every block of rows: files done, files in all, rows read so far."""

    def __call__(self, done: int, total: int, rows: int) -> None: ...


def load_paths(
    store: Store,
    paths: Sequence[Path],
    *,
    profile: Profile | None = None,
    now: datetime,
    progress: Progress | None = None,
    shown_as: Mapping[Path, str] | None = None,
) -> list[LedgerRow]:
    """Load files and folders; returns a ledger row for each file (for each array of a registry object).

    Parameters
    ----------
    paths : files, or folders that are walked in sorted order without hidden files
    profile : how a maker's columns map; files that do not fit it are read as the contract's own
    now : moment of the load; rows more than two days ahead of it are held back
    progress : told how far it is
    shown_as : what the ledger calls a file, where that is not its path

    Raises `InputError` where a path does not exist or holds no file. A file that cannot be read fails whole,
    with its reason in the ledger, and the others load.
    """
    now = naive_utc(now)
    names = shown_as or {}
    with store.loading():
        sources = in_order([examine(path, names.get(path, str(path)), profile) for path in walk(paths)])
        told = _Told(progress, len(sources))
        done: list[LedgerRow] = []
        for source in sources:
            if isinstance(source, Unreadable):
                done.append(_failed(store, source, now, source.error))
                told.file()
            elif source.is_registry:
                done.extend(_registry(store, source, now))
                told.file()
        quarantine.release(store, now)
        logs = [s for s in sources if isinstance(s, Source) and not s.is_registry]
        done.extend(_logs(store, logs, now, told))
        return done


def _registry(store: Store, source: Source, now: datetime) -> list[LedgerRow]:
    try:
        return load_registry(store, source, now)
    except UnreadableFile as exc:
        return [_failed(store, source, now, str(exc))]


Item = tuple[Source, Sifted | UnreadableFile | None]


def _logs(store: Store, sources: list[Source], now: datetime, told: _Told) -> list[LedgerRow]:
    with store.reading() as session:
        context = Context(Known.read(session), now)
    done: list[LedgerRow] = []
    with prefetch.ahead(_sifted(sources, context), BLOCKS_AHEAD) as items:
        for source in sources:
            started = time.perf_counter()
            try:
                row = load_log(store, source, _of_one(items, told), context, started)
            except UnreadableFile as exc:
                row = _failed(store, source, now, str(exc))
            done.append(row)
            told.file()
    return done


def _sifted(sources: Sequence[Source], context: Context) -> Iterator[Item]:
    """The judged blocks of all files, one after another; None or the error ends each file."""
    for source in sources:
        assert source.log_map
        try:
            for block in source.blocks():
                yield source, sift(block, source.log_map, context)
        except UnreadableFile as exc:
            yield source, exc
        else:
            yield source, None


def _of_one(items: Iterator[Item], told: _Told) -> Iterator[Sifted]:
    for _, item in items:
        if item is None:
            return
        if isinstance(item, UnreadableFile):
            raise item
        told.rows(item.read)
        yield item


def _failed(store: Store, source: Source | Unreadable, now: datetime, error: str) -> LedgerRow:
    profile = source.profile if isinstance(source, Source) else None
    with store.writing() as session:
        return ledger.failed(session, source.shown, source.sha256, profile, now, f"{source.shown}: {error}")


class _Told:
    """Counts what is told to `progress`."""

    def __init__(self, progress: Progress | None, total: int) -> None:
        self.progress, self.total, self.done, self.read = progress, total, 0, 0

    def rows(self, count: int) -> None:
        """So many rows more were read."""
        self.read += count
        self._tell()

    def file(self) -> None:
        """One file more is done."""
        self.done += 1
        self._tell()

    def _tell(self) -> None:
        if self.progress:
            self.progress(self.done, self.total, self.read)
