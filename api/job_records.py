"""The record of jobs: table `job_run`, written when a job begins and when it ends."""

from __future__ import annotations

from datetime import datetime

from coilbook.api.models import JobRun
from coilbook.ingest.store import Session, Store

NEXT = "SELECT coalesce(max(job_run_id), 0) + 1 FROM job_run"
BEGIN = "INSERT INTO job_run VALUES (?, ?, ?, ?, NULL, 'running', NULL, NULL)"
END = 'UPDATE job_run SET ended_at = ?, outcome = ?, "rows" = ?, detail = ? WHERE job_run_id = ?'
INTERRUPTED = """
UPDATE job_run SET outcome = 'interrupted', detail = 'the server ended before the job did; found at ' || ?
WHERE outcome = 'running'
"""
RUNS = """
FROM job_run WHERE ($job::VARCHAR IS NULL OR job = $job) AND ($outcome::VARCHAR IS NULL OR outcome = $outcome)
ORDER BY job_run_id DESC LIMIT $limit
"""
# The newest run of each job, where it went wrong; a job that worked since is no news.
FAILURES = """
FROM (
    FROM job_run WHERE outcome <> 'running' AND job <> 'serve'
    QUALIFY row_number() OVER (PARTITION BY job ORDER BY job_run_id DESC) = 1
)
WHERE outcome IN ('failed', 'interrupted') ORDER BY job_run_id DESC
"""
# A job is missed where it was due, the service was in use before, and no run for that time or a later one
# came to an end. One that was cut short is begun once more, and not again: it may be what ends the server.
MISSED = """
SELECT
    (SELECT min(started_at) FROM job_run) < $due
    AND NOT EXISTS (FROM job_run WHERE job = $job AND scheduled_for >= $due AND outcome IN ('done', 'failed'))
    AND (
        SELECT count(*) FROM job_run WHERE job = $job AND scheduled_for >= $due AND outcome = 'interrupted'
    ) < 2
"""


def begin(store: Store, job: str, scheduled_for: datetime, now: datetime) -> int:
    """Record that `job` begins; its number."""
    with store.writing() as session:
        found = session.one(NEXT)
        assert found is not None
        number = int(found[0])
        session.run(BEGIN, [number, job, scheduled_for, now])
    return number


def end(store: Store, number: int, now: datetime, outcome: str, rows: int | None, detail: str) -> None:
    """Record how a job ended."""
    with store.writing() as session:
        session.run(END, [now, outcome, rows, detail, number])


def mark_interrupted(store: Store, now: datetime) -> None:
    """Mark the jobs that a killed server left running."""
    with store.writing() as session:
        session.run(INTERRUPTED, [f"{now:%Y-%m-%dT%H:%M:%SZ}"])


def is_missed(session: Session, job: str, due: datetime) -> bool:
    """Whether `job`, due at `due`, is still to be done."""
    found = session.one(MISSED, {"job": job, "due": due})
    return bool(found and found[0])


def runs(
    session: Session, *, job: str | None = None, outcome: str | None = None, limit: int = 100
) -> list[JobRun]:
    """Runs of jobs, newest first."""
    frame = session.frame(RUNS, {"job": job, "outcome": outcome, "limit": limit})
    return [JobRun.model_validate(row) for row in frame.to_dicts()]


def run_numbered(session: Session, number: int) -> JobRun:
    """The run of that number."""
    frame = session.frame("FROM job_run WHERE job_run_id = ?", [number])
    return JobRun.model_validate(frame.to_dicts()[0])


def last_failures(session: Session) -> list[JobRun]:
    """Jobs whose newest run failed or was interrupted: what a page must show."""
    return [JobRun.model_validate(row) for row in session.frame(FAILURES).to_dicts()]
