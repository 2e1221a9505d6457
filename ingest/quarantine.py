"""Rows held back, and their release once what they lacked is there."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from coilbook.ingest import dirty, ledger, merging
from coilbook.ingest.blocks import Block
from coilbook.ingest.errors import InputError
from coilbook.ingest.kinds import KINDS, Kind
from coilbook.ingest.known import Known
from coilbook.ingest.ledger import LedgerRow
from coilbook.ingest.mapping import LogMap
from coilbook.ingest.rows import TS_ZONE, Context
from coilbook.ingest.settling import settle
from coilbook.ingest.sifting import Held, sift
from coilbook.ingest.store import Session, Store
from coilbook.ingest.times import naive_utc

AT_ONCE = 200_000

_PUT = """
    INSERT INTO quarantine
    SELECT (SELECT coalesce(max(quarantine_id), 0) FROM quarantine) + row_number() OVER (ORDER BY line),
        ?, ?, line, ?, reason, detail, subject, raw, fields, 'held', NULL
    FROM held ORDER BY line"""

# A file loaded again brings its bad rows again: those of the earlier load make way.
_MAKE_WAY = """
    DELETE FROM quarantine WHERE state = 'held' AND kind = ? AND load_id IN
        (SELECT load_id FROM ledger WHERE sha256 = ? AND kind = ?)"""

_IN_REGISTRY = """
    (reason = 'unknown_site' AND subject IN (SELECT site_id FROM site)
     OR reason = 'unknown_circuit' AND (
        subject IN (SELECT circuit_id FROM circuit) OR subject IN (SELECT controller_id FROM circuit)))"""
_BY_NUMBER = "quarantine_id IN (SELECT unnest(?::BIGINT[]))"

_HELD_BY_NUMBER = """
    SELECT quarantine_id FROM quarantine
    WHERE state = 'held' AND quarantine_id IN (SELECT unnest(?::BIGINT[]))"""
_CANDIDATES = """
    SELECT quarantine_id, load_id, raw, fields FROM quarantine
    WHERE state = 'held' AND kind = ? AND fields <> '{}' AND quarantine_id > ? AND """
_RELEASED = """
    UPDATE ledger SET released = released + ?, unknown_causes = unknown_causes + ? WHERE load_id = ?"""

_HELD_SCHEMA = {
    "line": pl.Int64,
    "reason": pl.String,
    "detail": pl.String,
    "subject": pl.String,
    "raw": pl.String,
    "fields": pl.String,
}


def open_held(session: Session) -> None:
    """An empty temporary table `held` for the rows that a load holds back."""
    session.temporary("held", pl.DataFrame(schema=_HELD_SCHEMA))


def hold(session: Session, rows: Sequence[Held]) -> None:
    """Add rows to `held`."""
    session.put("held", _frame(rows))


def put(session: Session, load_id: int, path: str, sha256: str, kind: str) -> int:
    """Move `held` to the quarantine; returns how many rows."""
    session.run(_MAKE_WAY, [kind, sha256, kind])
    session.run(_PUT, [load_id, path, kind])
    found = session.one("SELECT count(*) FROM held")
    assert found
    return int(found[0])


def release(store: Store, now: datetime) -> list[LedgerRow]:
    """Try the rows again whose circuit or site the registry has by now; returns changed ledger rows."""
    return _retry(store, _IN_REGISTRY, [], naive_utc(now))


def release_rows(store: Store, ids: Sequence[int], now: datetime) -> list[LedgerRow]:
    """Try given held rows again, whatever held them; `InputError` where a number is none of a held row."""
    with store.reading() as session:
        found = session.rows(_HELD_BY_NUMBER, [list(ids)])
    strangers = sorted(set(ids) - {row[0] for row in found})
    if strangers:
        raise InputError(f"no row is held under {', '.join(map(str, strangers[:10]))}")
    return _retry(store, _BY_NUMBER, [list(ids)], naive_utc(now))


def _retry(store: Store, condition: str, values: list[Any], now: datetime) -> list[LedgerRow]:
    changed: set[int] = set()
    # Circuits before windows and logs: what one releases may be what another lacks.
    for kind in sorted(KINDS, key=lambda kind: kind.rank):
        last = 0
        while True:
            with store.reading() as session:
                rows = session.rows(
                    f"{_CANDIDATES} {condition} ORDER BY quarantine_id LIMIT {AT_ONCE}",
                    [kind.name, last, *values],
                )
            if not rows:
                break
            last = rows[-1][0]
            changed.update(_retry_some(store, kind, rows, now))
    with store.reading() as session:
        return ledger.read(session, sorted(changed))


def _retry_some(store: Store, kind: Kind, rows: list[tuple[Any, ...]], now: datetime) -> set[int]:
    loads = pl.DataFrame([(r[0], r[1]) for r in rows], {"line": pl.Int64, "load_id": pl.Int64}, orient="row")
    with store.writing() as session:
        known = Known.read(session)
        merging.open_stage(session, kind)
        sifted = sift(_block(kind, rows), _map(kind), Context(known, now))
        merging.stage(session, sifted.rows, loads)
        settled, still = settle(session, kind, sifted.waiting)
        merging.stage(session, settled, loads)
        merging.merge(session, kind)
        if kind.is_registry:
            dirty.after_registry(session, kind, known, Known.read(session))
        else:
            dirty.after_log(session, kind, known)
        return _note(session, kind, [*sifted.held, *still], loads, now)


def _note(session: Session, kind: Kind, held: list[Held], loads: pl.DataFrame, now: datetime) -> set[int]:
    session.temporary("held", _frame(held))
    session.temporary("tried", loads)
    session.run(
        """UPDATE quarantine q SET reason = h.reason, detail = h.detail, subject = h.subject
        FROM held h WHERE q.quarantine_id = h.line"""
    )
    session.run(
        """UPDATE quarantine SET state = 'released', released_at = ?
        WHERE quarantine_id IN (SELECT t.line FROM tried t ANTI JOIN held h ON t.line = h.line)""",
        [now],
    )
    released = Counter(dict(session.rows("SELECT load_id, count(*) FROM sorted GROUP BY load_id")))
    strange: dict[int, int] = {}
    if kind.name == "switch":
        strange = dict(session.rows("SELECT load_id, count(cause_raw) FROM sorted GROUP BY load_id"))
    for load_id, count in released.items():
        session.run(_RELEASED, [count, strange.get(load_id, 0), load_id])
    return set(released)


def _map(kind: Kind) -> LogMap:
    names = (*kind.names, TS_ZONE) if kind.has_ts else kind.names
    return LogMap(kind, {name: name for name in names})


def _block(kind: Kind, rows: list[tuple[Any, ...]]) -> Block:
    fields = [json.loads(row[3]) for row in rows]
    names = list(_map(kind).columns)
    text = pl.DataFrame(
        {name: [given.get(name) for given in fields] for name in names},
        schema=dict.fromkeys(names, pl.String),
    )
    return Block(text, np.array([row[0] for row in rows], np.int64), lambda i: str(rows[i][2]))


def _frame(rows: Sequence[Held]) -> pl.DataFrame:
    return pl.DataFrame(
        [(r.line, r.reason, r.detail, r.subject, r.raw, r.fields) for r in rows], _HELD_SCHEMA, orient="row"
    )
