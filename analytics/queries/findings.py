"""Findings as they stand, newest first."""

from __future__ import annotations

from datetime import date

import polars as pl
from coilbook.ingest.store import Session

FINDINGS = """
WITH home AS (
    SELECT site_id, name AS site_name, area FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
)
SELECT f.*, home.site_name, home.area
FROM finding f LEFT JOIN home ON home.site_id = f.site_id
WHERE ($site_id::VARCHAR IS NULL OR f.site_id = $site_id)
    AND ($area::VARCHAR IS NULL OR home.area = $area)
    AND ($severity::VARCHAR IS NULL OR f.severity = $severity)
    AND ($rule::VARCHAR IS NULL OR f.rule = $rule)
    AND ($first::DATE IS NULL OR f.local_date >= $first)
    AND ($last::DATE IS NULL OR f.local_date <= $last)
ORDER BY
    f.local_date DESC, list_position(['danger', 'service', 'cost', 'wear', 'data'], f.severity),
    f.rule, f.subject
LIMIT $limit OFFSET $offset
"""

OF_A_CASE = """
SELECT f.* FROM finding f
JOIN service_case k ON k.rule = f.rule AND k.subject = f.subject
    AND f.local_date BETWEEN k.first_finding_on AND k.last_finding_on
WHERE k.case_id = ?
ORDER BY f.local_date DESC
LIMIT ?
"""


def case_findings(session: Session, case_id: str, *, limit: int = 31) -> pl.DataFrame:
    """Rows of `finding` that a case rests on, those explained by another rule included, newest first."""
    return session.frame(OF_A_CASE, [case_id, limit])


def findings(
    session: Session,
    *,
    site_id: str | None = None,
    area: str | None = None,
    severity: str | None = None,
    rule: str | None = None,
    first: date | None = None,
    last: date | None = None,
    limit: int = 1000,
    offset: int = 0,
) -> pl.DataFrame:
    """Rows of `finding` with `site_name` and `area`, newest local date first, both dates included."""
    values = {
        "site_id": site_id,
        "area": area,
        "severity": severity,
        "rule": rule,
        "first": first,
        "last": last,
        "limit": limit,
        "offset": offset,
    }
    return session.frame(FINDINGS, values)
