"""The server's jobs: when they run, what is recorded, and what a server that was away makes up for.

APScheduler calls; what is due and what was done is told by the settings and by `job_run` alone, so that a
restart, a sleep or a clock change forgets nothing and does nothing twice. A job that fails is recorded and
does not stop the next.
"""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger
from coilbook.api import job_records, nightly
from coilbook.api.fields import utc_now
from coilbook.api.inbox import Stamp, settled, stamps
from coilbook.api.models import JobRun
from coilbook.api.operations import DirectOperations
from coilbook.api.settings import Settings
from coilbook.api.worker import Busy, Stopped, Worker
from coilbook.ingest.errors import CoilbookError, InputError

SERVE = "serve"
"""The server's own run is a job in the record: it tells when the server was up, and when it was killed."""
CLOCK_LOOK_S = 20
"""How often the server looks whether a night is due [s]."""
GRACE_S = 3600
"""A look that could not be had on time is still had within this [s]."""

log = logging.getLogger(__name__)


class Jobs:
    """The jobs of one server."""

    def __init__(self, settings: Settings, operations: DirectOperations, worker: Worker) -> None:
        self._settings = settings
        self._operations = operations
        self._store = operations.store
        self._worker = worker
        self._stopping = threading.Event()
        self._stuck: dict[Any, Stamp] = {}
        self._serve_run = 0
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": GRACE_S}
        )

    def names(self) -> tuple[str, ...]:
        """Jobs that can be asked for."""
        return nightly.steps(self._settings)

    def next_due(self) -> datetime | None:
        """When the next night begins [naive UTC]; None where nights are switched off."""
        return nightly.next_due(self._settings, utc_now()) if self._settings.nightly else None

    def start(self) -> None:
        """Mark what a killed server left, make up for what was missed, and keep time from now on."""
        now = utc_now()
        for folder in (self._settings.inbox, self._settings.outbox):
            if folder is not None and not folder.is_dir():
                log.warning("folder %s does not exist; jobs that need it will fail", folder)
        job_records.mark_interrupted(self._store, now)
        if self._settings.nightly:
            every = IntervalTrigger(seconds=CLOCK_LOOK_S, timezone=UTC)
            self._scheduler.add_job(self._look_at_clock, every, id="clock", next_run_time=datetime.now(UTC))
        if self._settings.inbox is not None:
            every = IntervalTrigger(seconds=self._settings.inbox_every_s, timezone=UTC)
            self._scheduler.add_job(self._look_into_inbox, every, id="look")
        self._serve_run = job_records.begin(self._store, SERVE, now, now)
        self._scheduler.start()

    def stop(self) -> None:
        """Begin no more jobs."""
        self._stopping.set()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def close(self) -> None:
        """Record that the server ended as it should. Call when no work runs any more."""
        if self._serve_run:
            job_records.end(self._store, self._serve_run, utc_now(), "done", None, "stopped")

    def run_now(self, name: str) -> JobRun:
        """Do one job when its turn comes, and return its record. `InputError` for a name that is none."""
        if name not in self.names():
            raise InputError(f"no job {name!r} on this server; expected one of {', '.join(self.names())}")
        return self._run(name, utc_now())

    def _look_at_clock(self) -> None:
        """Do what is due and not done yet: tonight's jobs, or those of a night when the server was away."""
        due = nightly.last_due(self._settings, utc_now())
        with self._store.reading() as session:
            names = [name for name in self.names() if job_records.is_missed(session, name, due)]
        self._run_all(names, due)

    def _run_all(self, names: Sequence[str], due: datetime) -> None:
        with contextlib.suppress(Busy):  # the server stops; the next one makes up for it
            for name in names:
                self._run(name, due, patient=True)

    def _look_into_inbox(self) -> None:
        """Load what has come in; a look that finds nothing to load leaves no record."""
        assert self._settings.inbox is not None
        try:
            found = stamps(self._settings.inbox)
        except OSError as exc:
            log.warning("inbox: %s", exc)
            return
        if found and found != self._stuck:
            self._run_all([nightly.INBOX], utc_now())

    def _run(self, name: str, due: datetime, *, patient: bool = False) -> JobRun:
        step = self._step(name)
        return self._worker.do(lambda: self._recorded(name, due, step), patient=patient)

    def _step(self, name: str) -> nightly.Step:
        """The work of a job. Waiting for the inbox to settle is done here, while the worker is free."""
        now, check = utc_now(), self._worker.check
        if name == nightly.REVIEW:
            return lambda: nightly.review(self._operations, check)
        if name == nightly.MORNING:
            return lambda: nightly.morning(self._operations, self._settings, now)
        return self._inbox_step(now)

    def _inbox_step(self, now: datetime) -> nightly.Step:
        assert self._settings.inbox is not None
        try:
            files = settled(self._settings.inbox, self._settings.inbox_settle_s, self._stopping.wait)
        except OSError as exc:
            return _failing(exc)

        def load() -> nightly.Outcome:
            self._stuck = files
            outcome = nightly.load_inbox(self._operations, self._settings, files, now, self._worker.check)
            self._stuck = {}
            return outcome

        return load

    def _recorded(self, name: str, due: datetime, step: nightly.Step) -> JobRun:
        number = job_records.begin(self._store, name, due, utc_now())
        try:
            done = step()
        except Stopped as exc:
            job_records.end(self._store, number, utc_now(), "interrupted", None, str(exc))
        except Exception as exc:
            ours = not isinstance(exc, CoilbookError | OSError)
            log.log(logging.ERROR, "job %s failed: %s", name, exc, exc_info=ours)
            detail = f"{type(exc).__name__}: {exc}" if ours else str(exc)
            job_records.end(self._store, number, utc_now(), "failed", None, detail)
        else:
            job_records.end(self._store, number, utc_now(), "done", done.rows, done.detail)
        with self._store.reading() as session:
            return job_records.run_numbered(session, number)


def _failing(exc: Exception) -> Callable[[], nightly.Outcome]:
    def fail() -> nightly.Outcome:
        raise exc

    return fail
