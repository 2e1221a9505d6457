"""Staged rows into their table: what is new, what stands already, what takes another's place.

Rows of one key are taken in the order of the file: the first is compared with the row that stands in the
store, each further one with the row before it. So equal rows are duplicates, others replace, and the last one
stays. Only rows whose key repeats or stands are looked at one by one; the rest is inserted as it comes,
sorted. A row of an older load (one released from quarantine) never takes the place of a newer one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl
from coilbook.ingest.kinds import Kind
from coilbook.ingest.store import Session

# ruff: noqa: S608 - names come from schema.py; values are bound


@dataclass(frozen=True)
class Counts:
    """Rows by what became of them, and the span of their instants [naive UTC]."""

    accepted: int = 0
    duplicate: int = 0
    replaced: int = 0
    first_ts: datetime | None = None
    last_ts: datetime | None = None


def open_stage(session: Session, kind: Kind) -> None:
    """An empty temporary table `staged` for rows of a kind: its table's columns and `line`."""
    session.run(
        f'CREATE OR REPLACE TEMP TABLE staged AS SELECT 0::BIGINT AS line, * FROM "{kind.table_name}" LIMIT 0'
    )


def stage(session: Session, rows: pl.DataFrame, load_id: int | pl.DataFrame) -> None:
    """Add rows to `staged`; `load_id` is one number, or a frame of `line` and `load_id`."""
    if isinstance(load_id, int):
        session.put("staged", rows.with_columns(pl.lit(load_id, pl.Int64).alias("load_id")))
    else:
        session.put("staged", rows.join(load_id, on="line"))


def merge(session: Session, kind: Kind) -> Counts:
    """Bring `staged` into its table.

    Leaves the staged rows as temporary table `sorted`, those that change the store as view `entering`.
    """
    work = _Merge(session, kind)
    work.sort()
    contested = work.contest()
    counts = work.judge() if contested else (0, 0, 0)
    work.enter(contested)
    total, first, last = work.span()
    plain = total - sum(counts)
    return Counts(counts[0] + plain, counts[1], counts[2], first, last)


class _Merge:
    def __init__(self, session: Session, kind: Kind) -> None:
        self.session, self.kind, self.table = session, kind, kind.table
        self.key = self.table.grain
        self.others = [n for n in self.table.names() if n not in (*self.key, "load_id", "site_id")]
        if kind.is_registry and "site_id" not in self.key and "site_id" in self.table.names():
            self.others.append("site_id")

    def sort(self) -> None:
        """`sorted`: the staged rows in the store's order; rows of one key are neighbours."""
        order = ", ".join(f'"{name}"' for name in self.kind.sorted_by)
        self.session.run(
            f"CREATE OR REPLACE TEMP TABLE sorted AS FROM staged ORDER BY {order}, load_id, line"
        )
        self.session.run("DROP TABLE staged")  # a big file would be held twice

    def contest(self) -> bool:
        """`standing`: rows of the store with a staged key; `contested`: keys that stand or repeat."""
        keys = ", ".join(f'"{name}"' for name in self.key)
        where = _overlap(self.kind)
        self.session.run(
            f'''CREATE OR REPLACE TEMP TABLE standing AS
            SELECT t.rowid AS place, t.* FROM "{self.table.name}" t SEMI JOIN sorted s
            ON {_same(self.key, "t", "s")} {where.sql}''',
            where.values(self.session),
        )
        again = " AND ".join(f'lag("{n}") OVER () IS NOT DISTINCT FROM "{n}"' for n in self.key)
        self.session.run(
            f"""CREATE OR REPLACE TEMP TABLE contested AS
            SELECT DISTINCT {keys} FROM (SELECT {keys} FROM standing UNION ALL SELECT {keys} FROM (
                SELECT {keys}, {again} AND lag(line) OVER () IS NOT NULL AS again FROM sorted) WHERE again)"""
        )
        found = self.session.one("SELECT count(*) FROM contested")
        return bool(found and found[0])

    def judge(self) -> tuple[int, int, int]:
        """`verdict`: the contested rows with what becomes of each; returns accepted, duplicate, replaced."""
        keys = ", ".join(f's."{name}"' for name in self.key)
        before = ", ".join(f'lag(s."{name}") OVER w AS "was {name}"' for name in self.others)
        same_before = " AND ".join(f'r."{n}" IS NOT DISTINCT FROM r."was {n}"' for n in self.others) or "true"
        same_standing = _same(self.others, "r", "t") if self.others else "true"
        self.session.run(
            f"""CREATE OR REPLACE TEMP TABLE verdict AS
            WITH ranked AS (
                SELECT s.*, lag(s.line) OVER w IS NULL AS first, lead(s.line) OVER w IS NULL AS last
                    {", " + before if before else ""}
                FROM sorted s SEMI JOIN contested c ON {_same(self.key, "s", "c")}
                WINDOW w AS (PARTITION BY {keys} ORDER BY s.load_id, s.line))
            SELECT r.*, t.place,
                CASE WHEN NOT r.first THEN CASE WHEN {same_before} THEN 'duplicate' ELSE 'replaced' END
                     WHEN t.place IS NULL THEN 'accepted'
                     WHEN {same_standing} OR t.load_id > r.load_id THEN 'duplicate'
                     ELSE 'replaced' END AS outcome,
                r.last AND (t.place IS NULL OR NOT ({same_standing}) AND t.load_id <= r.load_id) AS enters
            FROM ranked r LEFT JOIN standing t ON {_same(self.key, "r", "t")}"""
        )
        found = dict(self.session.rows("SELECT outcome, count(*) FROM verdict GROUP BY outcome"))
        return found.get("accepted", 0), found.get("duplicate", 0), found.get("replaced", 0)

    def enter(self, contested: bool) -> None:
        """Insert what is new, and put what replaces in the place of what stood."""
        columns = ", ".join(f'"{name}"' for name in self.table.names())
        select = f"SELECT {columns} FROM sorted"
        if contested:
            select += f" s ANTI JOIN contested c ON {_same(self.key, 's', 'c')}"
            select += f" UNION ALL SELECT {columns} FROM verdict WHERE enters"
            self.session.run(
                f'DELETE FROM "{self.table.name}" WHERE rowid IN '
                "(SELECT place FROM verdict WHERE enters AND place IS NOT NULL)"
            )
        self.session.run(f"CREATE OR REPLACE TEMP VIEW entering AS {select}")
        self.session.run(f'INSERT INTO "{self.table.name}" ({columns}) FROM entering')

    def span(self) -> tuple[int, datetime | None, datetime | None]:
        """Rows staged, first and last instant."""
        ts = "min(ts), max(ts)" if self.kind.has_ts else "NULL, NULL"
        found = self.session.one(f"SELECT count(*), {ts} FROM sorted")
        assert found
        return found[0], found[1], found[2]


@dataclass(frozen=True)
class _Where:
    sql: str
    query: str

    def values(self, session: Session) -> list[datetime] | None:
        if not self.query:
            return None
        found = session.one(self.query)
        return list(found) if found else None


def _overlap(kind: Kind) -> _Where:
    # Row groups whose span of instants and sites lies apart are never read.
    if not kind.has_ts:
        return _Where("", "")
    return _Where(
        "WHERE t.ts BETWEEN ? AND ? AND t.site_id BETWEEN ? AND ?",
        "SELECT min(ts), max(ts), min(site_id), max(site_id) FROM sorted",
    )


def _same(names: tuple[str, ...] | list[str], left: str, right: str) -> str:
    return " AND ".join(f'{left}."{n}" IS NOT DISTINCT FROM {right}."{n}"' for n in names)
