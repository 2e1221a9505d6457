"""The list of sites."""

from __future__ import annotations

from coilbook.api.models import SiteSummary
from coilbook.ingest.store import Session

SITES = """
WITH home AS (
    SELECT site_id, name, area, timezone FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
),
fitted AS (SELECT site_id, count(DISTINCT circuit_id) AS circuits FROM circuit GROUP BY site_id),
standing AS (
    SELECT site_id, count(*) AS open_cases,
        arg_min(severity, list_position(['danger', 'service', 'cost', 'wear', 'data'], severity)) AS worst
    FROM service_case WHERE state IN ('new', 'continuing', 'back') GROUP BY site_id
),
heard AS (SELECT site_id, max(last_ts) AS last_row FROM coverage GROUP BY site_id)
SELECT home.*, coalesce(circuits, 0) AS circuits, coalesce(open_cases, 0) AS open_cases, worst, last_row
FROM home LEFT JOIN fitted USING (site_id) LEFT JOIN standing USING (site_id) LEFT JOIN heard USING (site_id)
WHERE $area::VARCHAR IS NULL OR area = $area
ORDER BY site_id
"""


def site_list(session: Session, area: str | None = None) -> list[SiteSummary]:
    """Every site of `area`, or of all areas, by id."""
    return [SiteSummary.model_validate(row) for row in session.frame(SITES, {"area": area}).to_dicts()]
