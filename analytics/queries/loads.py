"""The ledger and what was held back."""

from __future__ import annotations

import polars as pl
from coilbook.ingest.store import Session

LEDGER = """
FROM ledger
WHERE ($load_id::BIGINT IS NULL OR load_id = $load_id)
    AND ($outcome::VARCHAR IS NULL OR outcome = $outcome)
ORDER BY load_id DESC
LIMIT $limit OFFSET $offset
"""

TOTALS = """
SELECT
    count(*) AS files, count(*) FILTER (WHERE outcome = 'failed') AS failed,
    coalesce(sum(rows_read), 0)::BIGINT AS rows_read, coalesce(sum(accepted), 0)::BIGINT AS accepted,
    coalesce(sum(duplicate), 0)::BIGINT AS duplicate, coalesce(sum(replaced), 0)::BIGINT AS replaced,
    coalesce(sum(quarantined), 0)::BIGINT AS quarantined, coalesce(sum(released), 0)::BIGINT AS released
FROM ledger
"""

QUARANTINE = """
SELECT quarantine_id, load_id, path, line, kind, reason, detail, subject, raw, state, released_at
FROM quarantine
WHERE ($state::VARCHAR IS NULL OR state = $state)
    AND ($reason::VARCHAR IS NULL OR reason = $reason)
    AND ($load_id::BIGINT IS NULL OR load_id = $load_id)
ORDER BY quarantine_id DESC
LIMIT $limit OFFSET $offset
"""

REASONS = """
SELECT reason, count(*) AS rows, count(DISTINCT load_id) AS files,
    any_value(detail ORDER BY quarantine_id) AS example
FROM quarantine WHERE state = 'held'
GROUP BY reason ORDER BY rows DESC, reason
"""


def ledger(
    session: Session,
    *,
    load_id: int | None = None,
    outcome: str | None = None,
    limit: int = 200,
    offset: int = 0,
) -> pl.DataFrame:
    """Rows of `ledger`, newest load first."""
    return session.frame(LEDGER, {"load_id": load_id, "outcome": outcome, "limit": limit, "offset": offset})


def totals(session: Session) -> pl.DataFrame:
    """One row over the whole ledger: `files, failed` and the sums of its counts of rows."""
    return session.frame(TOTALS)


def quarantine(
    session: Session,
    *,
    state: str | None = "held",
    reason: str | None = None,
    load_id: int | None = None,
    limit: int = 200,
    offset: int = 0,
) -> pl.DataFrame:
    """Rows held back, newest first; `state=None` adds those released since. Without the parsed `fields`."""
    values = {"state": state, "reason": reason, "load_id": load_id, "limit": limit, "offset": offset}
    return session.frame(QUARANTINE, values)


def held_by_reason(session: Session) -> pl.DataFrame:
    """What is held: `reason, rows, files, example`, most rows first."""
    return session.frame(REASONS)
