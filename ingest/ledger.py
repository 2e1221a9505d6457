"""The ledger: one row for each file loaded, or each array of a registry file."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime

from coilbook.ingest.store import Session

# ruff: noqa: S608 - names are the fields below; values are bound


@dataclass(frozen=True)
class LedgerRow:
    """The columns of table `ledger`. `rows_read = accepted + duplicate + replaced + quarantined`."""

    load_id: int
    path: str
    sha256: str | None
    kind: str | None
    profile: str | None
    outcome: str
    rows_read: int
    accepted: int
    duplicate: int
    replaced: int
    quarantined: int
    released: int
    unknown_causes: int
    extra_columns: str | None
    first_ts: datetime | None
    last_ts: datetime | None
    loaded_at: datetime
    duration_s: float
    error: str | None


COLUMNS = ", ".join(field.name for field in fields(LedgerRow))


def next_id(session: Session) -> int:
    """The number of the next load; call it inside the load's transaction."""
    found = session.one("SELECT coalesce(max(load_id), 0) + 1 FROM ledger")
    assert found
    return int(found[0])


def add(session: Session, row: LedgerRow) -> None:
    """Write a row."""
    values = [getattr(row, field.name) for field in fields(LedgerRow)]
    places = ", ".join("?" for _ in values)
    session.run(f"INSERT INTO ledger ({COLUMNS}) VALUES ({places})", values)


def read(session: Session, load_ids: list[int]) -> list[LedgerRow]:
    """Rows by their numbers, in that order of numbers."""
    found = session.rows(
        f"SELECT {COLUMNS} FROM ledger WHERE load_id IN (SELECT unnest(?::BIGINT[])) ORDER BY load_id",
        [load_ids],
    )
    return [LedgerRow(*row) for row in found]


def failed(
    session: Session, path: str, sha256: str | None, profile: str | None, now: datetime, error: str
) -> LedgerRow:
    """Write and return the row of a file that failed whole."""
    row = LedgerRow(
        next_id(session),
        path,
        sha256,
        None,
        profile,
        "failed",
        0,
        0,
        0,
        0,
        0,
        0,
        0,
        None,
        None,
        None,
        now,
        0.0,
        error,
    )
    add(session, row)
    return row
