"""The steps of a night: load the inbox, review, write the morning list."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path

from coilbook.api.inbox import put_away
from coilbook.api.morning_files import write_morning
from coilbook.api.operations import DirectOperations, Progress
from coilbook.api.settings import Settings
from coilbook.ingest.local_time import instant, local_date

INBOX, REVIEW, MORNING = "inbox", "review", "morning"


@dataclass(frozen=True)
class Outcome:
    """What a step did."""

    rows: int
    detail: str


Step = Callable[[], Outcome]


def steps(settings: Settings) -> tuple[str, ...]:
    """The steps of this server's nights, in order."""
    wanted = ((INBOX, settings.inbox), (REVIEW, True), (MORNING, settings.outbox))
    return tuple(name for name, on in wanted if on)


def last_due(settings: Settings, now: datetime) -> datetime:
    """The newest instant [naive UTC], not after `now`, at which the night's jobs were due."""
    today = local_date(settings.nightly_zone, now)
    due = _due(settings, today)
    return due if due <= now else _due(settings, today - timedelta(days=1))


def next_due(settings: Settings, now: datetime) -> datetime:
    """The first instant [naive UTC] after `now` at which the night's jobs will be due."""
    today = local_date(settings.nightly_zone, now)
    due = _due(settings, today)
    return due if due > now else _due(settings, today + timedelta(days=1))


def _due(settings: Settings, day: date) -> datetime:
    at: time = settings.nightly_at
    return instant(settings.nightly_zone, day, at)


def load_inbox(
    operations: DirectOperations, settings: Settings, files: Iterable[Path], now: datetime, progress: Progress
) -> Outcome:
    """Load `files` of the inbox and put them away."""
    assert settings.inbox is not None
    there = [file for file in files if file.exists()]
    if not there:
        return Outcome(0, "nothing in the inbox")
    entries = operations.load(there, profile=settings.inbox_profile, progress=progress)
    today = local_date(settings.nightly_zone, now)
    loaded, failed = put_away(settings.inbox, there, entries, today)
    held = sum(entry.quarantined or 0 for entry in entries)
    rows = sum((entry.accepted or 0) + (entry.replaced or 0) for entry in entries)
    return Outcome(rows, f"{loaded} files loaded, {failed} failed, {held} rows in quarantine")


def review(operations: DirectOperations, progress: Progress) -> Outcome:
    """Bring facts, findings and cases up to date."""
    done = operations.review(progress=progress)
    return Outcome(
        done.site_days or 0, f"{done.site_days} site-days computed anew, {done.findings} findings stand"
    )


def morning(operations: DirectOperations, settings: Settings, now: datetime) -> Outcome:
    """Write the morning list to the outbox."""
    assert settings.outbox is not None
    today = local_date(settings.nightly_zone, now)
    written = write_morning(operations.store, settings.outbox, today, now)
    return Outcome(written.cases, f"wrote {', '.join(path.name for path in written.paths)}")
