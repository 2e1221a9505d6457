"""Tunings on record: what was asked, what became of it, and the frames of the answer.

They are people's rows: written beside loads and reviews, which never touch them.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import polars as pl
from coilbook.analytics.replay.answer import FRAMES, Answer
from coilbook.ingest.store import Session, Store

RECORD = """
SELECT tune_run_id, name, state, request, seed, made_at, duration_s, sentence FROM tune_run
"""
NEWEST_FIRST = " ORDER BY tune_run_id DESC LIMIT $limit"
OF_NUMBER = " WHERE tune_run_id = $number"
OF_NAME = " WHERE name = $name AND state IN ('running', 'done')"
BEGIN = """
INSERT INTO tune_run
SELECT coalesce(max(tune_run_id), 0) + 1, $name, 'running', $request, $seed, $now::TIMESTAMP, NULL, NULL
FROM tune_run RETURNING tune_run_id
"""
END = """
UPDATE tune_run SET state = $state, sentence = $sentence, duration_s = $duration_s WHERE tune_run_id = $number
"""
INTERRUPTED = """
UPDATE tune_run SET state = 'interrupted', sentence = 'the server ended before the tuning did'
WHERE state = 'running'
"""
BODIES = "SELECT frame, body FROM tune_frame WHERE tune_run_id = $number"
UNNAMED = "SELECT tune_run_id FROM tune_run WHERE name IS NULL AND state <> 'running'"
CLASSES = """
SELECT appliance, count(*) AS circuits, count(DISTINCT site_id) AS sites FROM (
    FROM circuit QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1
) GROUP BY appliance ORDER BY circuits DESC, appliance
"""
AREAS = "SELECT DISTINCT area FROM site WHERE area IS NOT NULL ORDER BY area"
DROP_FRAMES = "DELETE FROM tune_frame WHERE tune_run_id = $number"
DROP = "DELETE FROM tune_run WHERE tune_run_id = $number"


@dataclass(frozen=True)
class Tuning:
    """One tuning: `state` as in the table, `made_at` naive UTC, `frames` by name, empty unless it is done.

    `tune_run_id` 0 = not in the store.
    """

    tune_run_id: int
    name: str | None
    state: str
    request: Mapping[str, Any]
    seed: int
    made_at: datetime
    duration_s: float | None
    sentence: str | None
    frames: Mapping[str, pl.DataFrame] = field(default_factory=dict)

    @property
    def title(self) -> str:
        """What to call it."""
        return self.name or "a tuning without a name"


def begin(store: Store, request: Mapping[str, Any], name: str | None, seed: int, now: datetime) -> int:
    """Put a tuning that begins on record, and drop those without a name that ended; its number."""
    values = {"name": name, "request": json.dumps(request), "seed": seed, "now": now}
    with store.noting() as session:
        for (number,) in session.rows(UNNAMED):
            _drop(session, number)
        found = session.one(BEGIN, values)
    assert found is not None
    return int(found[0])


def end(store: Store, number: int, state: str, sentence: str, took: timedelta, answer: Answer | None) -> None:
    """Put on record how a tuning ended, with its frames where it came to an answer."""
    values = {"state": state, "sentence": sentence, "duration_s": took.total_seconds(), "number": number}
    with store.noting() as session:
        if answer is not None:
            bodies = [(name, _parquet(answer.frames[name])) for name in FRAMES]
            rows = {
                "tune_run_id": [number] * len(bodies),
                "frame": [name for name, _ in bodies],
                "body": [body for _, body in bodies],
            }
            session.put("tune_frame", pl.DataFrame(rows))
        session.run(END, values)


def mark_interrupted(store: Store) -> None:
    """Mark the tunings that a killed server left running."""
    with store.noting() as session:
        session.run(INTERRUPTED)


def drop(store: Store, number: int) -> None:
    """Take a tuning off the record."""
    with store.noting() as session:
        _drop(session, number)


def tunings(session: Session, limit: int = 100) -> list[Tuning]:
    """Tunings on record without their frames, newest first."""
    return [_tuning(row) for row in session.rows(RECORD + NEWEST_FIRST, {"limit": limit})]


def is_taken(session: Session, name: str) -> bool:
    """Whether a tuning that runs or is done has that name."""
    return bool(session.rows(RECORD + OF_NAME, {"name": name}))


def tuning(session: Session, number: int) -> Tuning | None:
    """The tuning of that number with its frames."""
    rows = session.rows(RECORD + OF_NUMBER, {"number": number})
    if not rows:
        return None
    bodies = session.rows(BODIES, {"number": number})
    return _tuning(rows[0], {name: pl.read_parquet(io.BytesIO(body)) for name, body in bodies})


def classes(session: Session) -> pl.DataFrame:
    """The classes in the registry: `appliance, circuits, sites`, the most frequent first."""
    return session.frame(CLASSES)


def areas(session: Session) -> list[str]:
    """The areas in the registry."""
    return [str(row[0]) for row in session.rows(AREAS)]


def _tuning(row: tuple[Any, ...], frames: Mapping[str, pl.DataFrame] | None = None) -> Tuning:
    number, name, state, request, seed, made_at, duration_s, sentence = row
    asked = json.loads(request)
    return Tuning(number, name, state, asked, seed, made_at, duration_s, sentence, frames or {})


def _drop(session: Session, number: int) -> None:
    session.run(DROP_FRAMES, {"number": number})
    session.run(DROP, {"number": number})


def _parquet(frame: pl.DataFrame) -> bytes:
    body = io.BytesIO()
    frame.write_parquet(body)
    return body.getvalue()
