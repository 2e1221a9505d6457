"""Findings page by page, filtered and sorted, each with the state of its case."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from coilbook.api.models import SiteException
from coilbook.api.paging import Cursor, decode, encode, list_digest
from coilbook.ingest.store import Session


class Sort(StrEnum):
    """Order of a list; what is equal is told apart by date, rule and subject."""

    newest = "newest"
    oldest = "oldest"
    severity = "severity"
    cost = "cost"
    site = "site"


@dataclass(frozen=True)
class ExceptionFilter:
    """Which findings to list; None = any. Both dates are included."""

    site_id: str | None = None
    area: str | None = None
    severity: str | None = None
    rule: str | None = None
    state: str | None = None
    first: date | None = None
    last: date | None = None


@dataclass(frozen=True)
class ExceptionPage:
    """Rows of one page, with the cursors of its neighbours."""

    rows: list[SiteException]
    next: str | None
    prev: str | None


# Each key rises along the list, so that one comparison of rows tells what comes after.
AGE = ("-epoch(local_date)::INTEGER // 86400", int)
DATE = ("epoch(local_date)::INTEGER // 86400", int)
RANK = ("list_position(['danger', 'service', 'cost', 'wear', 'data'], severity)", int)
PRICE = ("-coalesce(cost_per_year, -1)", float)
PLACE = ("site_id", str)
TAIL = (("rule", str), ("subject", str))

KEYS: Mapping[Sort, tuple[tuple[str, type], ...]] = {
    Sort.newest: (AGE, RANK, *TAIL),
    Sort.oldest: (DATE, RANK, *TAIL),
    Sort.severity: (RANK, AGE, *TAIL),
    Sort.cost: (PRICE, AGE, *TAIL),
    Sort.site: (PLACE, AGE, *TAIL),
}

# A finding belongs to the case of its rule and subject whose days it falls in; the state is the case's now.
ROWS = """
WITH home AS (
    SELECT site_id, name AS site_name, area FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
),
told AS (
    SELECT f.*, home.site_name, home.area, k.case_id, k.state
    FROM finding f
    LEFT JOIN home ON home.site_id = f.site_id
    LEFT JOIN service_case k ON k.rule = f.rule AND k.subject = f.subject
        AND f.local_date BETWEEN k.first_finding_on AND k.last_finding_on
    QUALIFY row_number() OVER (
        PARTITION BY f.rule, f.subject, f.local_date ORDER BY k.state = 'withdrawn', k.first_finding_on DESC
    ) = 1
)
SELECT * FROM told
WHERE ($site_id::VARCHAR IS NULL OR site_id = $site_id)
    AND ($area::VARCHAR IS NULL OR area = $area)
    AND ($severity::VARCHAR IS NULL OR severity = $severity)
    AND ($rule::VARCHAR IS NULL OR rule = $rule)
    AND ($state::VARCHAR IS NULL OR state = $state)
    AND ($first::DATE IS NULL OR local_date >= $first)
    AND ($last::DATE IS NULL OR local_date <= $last)
"""


def exception_page(
    session: Session, wanted: ExceptionFilter, sort: Sort, limit: int, cursor_text: str | None
) -> ExceptionPage:
    """A page of at most `limit` findings. `InputError` for a cursor that is not of this list."""
    digest = list_digest({**asdict(wanted), "sort": sort})
    keys = KEYS[sort]
    cursor = decode(cursor_text, digest, [kind for _, kind in keys]) if cursor_text else None
    back = cursor is not None and cursor.direction == "prev"
    found = session.frame(
        _statement(sort, cursor), {**asdict(wanted), **_bound(cursor), "limit": limit + 1}
    ).to_dicts()
    more = len(found) > limit
    rows = found[:limit]
    if back:
        rows.reverse()
    has_next = back or more
    has_prev = more if back else cursor is not None
    return ExceptionPage(
        [_record(row) for row in rows],
        encode(Cursor("next", _keys_of(rows[-1], keys)), digest) if rows and has_next else None,
        encode(Cursor("prev", _keys_of(rows[0], keys)), digest) if rows and has_prev else None,
    )


def _statement(sort: Sort, cursor: Cursor | None) -> str:
    """The query of one page, put together from the fixed texts of this file alone."""
    expressions = [expression for expression, _ in KEYS[sort]]
    columns = ", ".join(f"{expression} AS _key{place}" for place, expression in enumerate(expressions))
    names = [f"_key{place}" for place in range(len(expressions))]
    back = cursor is not None and cursor.direction == "prev"
    beyond = ""
    if cursor is not None:
        marks = ", ".join(f"${name[1:]}" for name in names)
        beyond = f"WHERE ({', '.join(names)}) {'<' if back else '>'} ({marks})"
    order = ", ".join(f"{name} {'DESC' if back else 'ASC'}" for name in names)
    rows = f"SELECT *, {columns} FROM ({ROWS})"  # noqa: S608 - no values
    return f"FROM ({rows}) {beyond} ORDER BY {order} LIMIT $limit"


def _bound(cursor: Cursor | None) -> dict[str, Any]:
    return {f"key{place}": key for place, key in enumerate(cursor.keys)} if cursor else {}


def _keys_of(row: Mapping[str, Any], keys: Sequence[object]) -> tuple[Any, ...]:
    return tuple(row[f"_key{place}"] for place in range(len(keys)))


def _record(row: Mapping[str, Any]) -> SiteException:
    evidence = row["evidence"]
    return SiteException.model_validate({**row, "evidence": json.loads(evidence) if evidence else None})
