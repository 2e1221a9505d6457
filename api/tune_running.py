"""Tunings at work: here and now for the command line, or in a thread of the server with progress and cancel.

A tuning reads a snapshot of the store and writes its record alone, so that loads and reviews go on meanwhile.
One at a time: each takes all the processors it is given.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from dataclasses import dataclass, replace
from datetime import timedelta

from coilbook.analytics.queries import tune as records
from coilbook.analytics.queries.tune import Tuning
from coilbook.analytics.replay.answer import answer
from coilbook.analytics.replay.fleet import Progress
from coilbook.analytics.replay.request import Cancelled, TuneRequest
from coilbook.api.fields import utc_now
from coilbook.api.tune_order import TuneOrder
from coilbook.ingest.errors import CoilbookError, InputError
from coilbook.ingest.store import Store

THREADS = min(4, os.cpu_count() or 1)
"""So many sites are replayed at a time."""

log = logging.getLogger(__name__)


class TuningRuns(CoilbookError):
    """A tuning runs already."""


@dataclass
class At:
    """How far a running tuning is, and whether it has been called off."""

    number: int
    title: str
    cancelled: threading.Event
    sites_done: int = 0
    sites: int = 0

    def tell(self, done: int, total: int) -> None:
        """Called as sites are done."""
        self.sites_done, self.sites = done, total


def check_name(store: Store, name: str | None) -> None:
    """Raise `InputError` where a result of that name is kept already."""
    if name is not None:
        with store.reading() as session:
            if records.is_taken(session, name):
                raise InputError(f"a tuning named {name!r} is kept already; choose another name")


def tune_here(store: Store, order: TuneOrder, threads: int, progress: Progress | None) -> Tuning:
    """Tune at once; the result is kept where the order names it. Raises `InputError`."""
    request = order.request(threads)
    check_name(store, order.name)
    now, began = utc_now(), time.monotonic()
    number = records.begin(store, order.kept(), order.name, order.seed, now) if order.name else 0
    state, said, found = "failed", "", None
    try:
        found = answer(store, request, progress)
        state, said = "done", found.sentence
    except KeyboardInterrupt:
        state, said = "cancelled", "called off"
        raise
    except Exception as exc:
        said = str(exc)
        raise
    finally:
        took = timedelta(seconds=time.monotonic() - began)
        if number:
            records.end(store, number, state, said, took, found)
    assert found is not None
    base = (number, order.name, state, order.kept(), order.seed, now, took.total_seconds(), said)
    return Tuning(*base, frames=found.frames)


class Tunings:
    """The tunings of one server."""

    def __init__(self, store: Store, threads: int) -> None:
        self._store = store
        self._threads = threads
        self._lock = threading.Lock()
        self._stopping = False
        self._at: At | None = None
        self._thread: threading.Thread | None = None

    def begin_serving(self) -> None:
        """Mark what a killed server left running."""
        records.mark_interrupted(self._store)

    def start(self, order: TuneOrder) -> int:
        """Begin a tuning; its number. Raises `TuningRuns` while one runs, `InputError` for a bad order."""
        request = order.request(self._threads)
        with self._lock:
            if self._at is not None:
                raise TuningRuns(f"{self._at.title} runs already; wait for it, or cancel it")
            if self._stopping:
                raise TuningRuns("the server is stopping")
            check_name(self._store, order.name)
            number = records.begin(self._store, order.kept(), order.name, order.seed, utc_now())
            at = At(number, order.name or "a tuning without a name", threading.Event())
            self._at = at
            work = threading.Thread(target=self._run, args=(at, request), name="tuning", daemon=True)
            self._thread = work
            work.start()
        return number

    def running(self) -> At | None:
        """How far the running tuning is; None where none runs."""
        at = self._at
        return replace(at) if at is not None else None

    def cancel(self, number: int) -> bool:
        """Call a running tuning off; False where it does not run."""
        at = self._at
        if at is None or at.number != number:
            return False
        at.cancelled.set()
        return True

    def stop(self, wait_s: float) -> None:
        """Take no more, call off what runs, and wait for it up to `wait_s`."""
        with self._lock:
            self._stopping = True
            thread, at = self._thread, self._at
        if at is not None:
            at.cancelled.set()
        if thread is not None:
            thread.join(wait_s)

    def _run(self, at: At, request: TuneRequest) -> None:
        began = time.monotonic()
        state, said, found = "failed", "", None
        try:
            found = answer(self._store, request, at.tell, at.cancelled.is_set)
            state, said = "done", found.sentence
        except Cancelled:
            state = "interrupted" if self._stopping else "cancelled"
            said = "the server stopped" if self._stopping else "called off"
        except Exception as exc:
            ours = not isinstance(exc, CoilbookError)
            log.log(logging.ERROR, "tuning %s failed: %s", at.title, exc, exc_info=ours)
            said = f"{type(exc).__name__}: {exc}" if ours else str(exc)
        took = timedelta(seconds=time.monotonic() - began)
        try:
            records.end(self._store, at.number, state, said, took, found)
        except Exception as exc:  # the store may be closed where the server did not wait
            log.error("tuning %s could not be kept: %s", at.title, exc)
        finally:
            self._at = None
