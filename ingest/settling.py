"""Waiting rows of a file, settled by the row order once all its rows are staged."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

import polars as pl
from coilbook.ingest.kinds import Kind
from coilbook.ingest.repeated_hour import APART
from coilbook.ingest.repeated_hour import settle as settle_hour
from coilbook.ingest.sifting import Held, Waiting, row_schema
from coilbook.ingest.store import Session


def settle(session: Session, kind: Kind, waiting: Sequence[Waiting]) -> tuple[pl.DataFrame, list[Held]]:
    """Rows whose time the order settles, ready for `staged`, and those that it leaves ambiguous."""
    rows: list[dict[str, Any]] = []
    held: list[Held] = []
    for group in _groups(waiting):
        instants = None
        neighbours = _neighbours(session, kind, group)
        if neighbours:
            instants = settle_hour([row.local for row in group], *neighbours)
        if instants is None:
            held.extend(_ambiguous(row) for row in group)
        else:
            rows.extend({**row.values, "ts": ts} for row, ts in zip(group, instants, strict=True))
    return pl.DataFrame(rows, schema=row_schema(kind.table), orient="row"), held


def _groups(waiting: Sequence[Waiting]) -> Iterator[list[Waiting]]:
    """Rows of one subject and one clock change, in row order."""
    group: list[Waiting] = []
    for row in sorted(waiting, key=lambda row: (row.subject, row.line)):
        new = group and (row.subject != group[0].subject or abs(row.local.wall - group[0].local.wall) > APART)
        if new:
            yield group
            group = []
        group.append(row)
    if group:
        yield group


def _neighbours(
    session: Session, kind: Kind, group: list[Waiting]
) -> tuple[datetime | None, datetime | None] | None:
    """Instants of the subject's rows before and after the group; None where others stand in between."""
    first, last = group[0].line, group[-1].line
    found = session.one(
        f"""SELECT arg_max(ts, line) FILTER (line < ?), arg_min(ts, line) FILTER (line > ?),
            count(*) FILTER (line BETWEEN ? AND ?)
        FROM staged WHERE "{kind.owner}" = ?""",  # noqa: S608 - a name of ours
        [first, last, first, last, group[0].subject],
    )
    assert found
    return None if found[2] else (found[0], found[1])


def _ambiguous(row: Waiting) -> Held:
    detail = (
        f"ts {row.local.wall.isoformat()} comes twice in {row.local.zone} and the row order does not say "
        "which time is meant"
    )
    return Held(row.line, "ambiguous_time", detail, None, row.raw, row.fields)
