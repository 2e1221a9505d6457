"""What a page says about itself: what was reviewed, when, how much of the fleet, and what was not judged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl
from coilbook.ingest.store import Session

CLEARED_DAYS = 7
"""A cleared case is news for this long [d]."""

REVIEW = """
SELECT review_id, reviewed_at, as_of, horizon FROM review ORDER BY review_id DESC LIMIT 1
"""

# The last whole local day of each site: the one before the local date that holds the horizon.
JUDGED = """
WITH home AS (
    SELECT site_id, (timezone(timezone, $horizon::TIMESTAMP::TIMESTAMPTZ)::DATE - 1) AS day
    FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
)
SELECT
    count(*) AS sites,
    count(*) FILTER (
        WHERE (home.site_id, home.day) IN (
            SELECT (site_id, local_date) FROM coverage
            WHERE local_date BETWEEN $horizon::TIMESTAMP::DATE - 2 AND $horizon::TIMESTAMP::DATE
        )
        AND (home.site_id, home.day) NOT IN (
            SELECT (site_id, local_date) FROM not_judged
            WHERE local_date BETWEEN $horizon::TIMESTAMP::DATE - 2 AND $horizon::TIMESTAMP::DATE
                AND reason = 'silent'
        )
    ) AS sites_judged
FROM home
"""

NOT_JUDGED = """
WITH home AS (
    SELECT site_id, (timezone(timezone, $horizon::TIMESTAMP::TIMESTAMPTZ)::DATE - 1) AS day
    FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
)
SELECT n.reason, count(DISTINCT n.site_id) AS sites, count(DISTINCT n.subject) AS circuit_days
FROM not_judged n JOIN home ON home.site_id = n.site_id AND home.day = n.local_date
WHERE n.local_date BETWEEN $horizon::TIMESTAMP::DATE - 2 AND $horizon::TIMESTAMP::DATE
GROUP BY n.reason
ORDER BY sites DESC, n.reason
"""

COUNTS = """
SELECT
    count(*) FILTER (WHERE state = 'new'),
    count(*) FILTER (WHERE state = 'continuing'),
    count(*) FILTER (WHERE state = 'back'),
    count(*) FILTER (WHERE state = 'cleared' AND cleared_on > $horizon::TIMESTAMP::DATE - $days::INTEGER)
FROM service_case
"""


@dataclass(frozen=True)
class Header:
    """The last review in numbers; instants are naive UTC.

    `horizon` is the newest instant in any log reviewed; `not_judged` holds `reason, sites, circuit_days` of
    each site's last whole local day; `cleared` counts the cases cleared in the last `CLEARED_DAYS` days.
    Before the first review `review_id` is 0 and the instants are empty.
    """

    review_id: int
    reviewed_at: datetime | None
    as_of: datetime | None
    horizon: datetime | None
    sites: int
    sites_judged: int
    not_judged: pl.DataFrame
    new: int
    continuing: int
    back: int
    cleared: int

    @property
    def open_cases(self) -> int:
        """Cases that stand open."""
        return self.new + self.continuing + self.back

    def feed_age_h(self, now: datetime) -> float | None:
        """Age [h] of the newest log row at `now` (naive UTC); None before the first review."""
        return None if self.horizon is None else (now - self.horizon) / timedelta(hours=1)


def header(session: Session) -> Header:
    """The newest review's header."""
    review = session.one(REVIEW)
    if review is None or review[3] is None:
        sites = session.one("SELECT count(DISTINCT site_id) FROM site") or (0,)
        empty = pl.DataFrame(schema={"reason": pl.String, "sites": pl.Int64, "circuit_days": pl.Int64})
        return Header(0, None, None, None, sites[0], 0, empty, 0, 0, 0, 0)
    review_id, reviewed_at, as_of, horizon = review
    sites_judged = session.one(JUDGED, {"horizon": horizon}) or (0, 0)
    counts = session.one(COUNTS, {"horizon": horizon, "days": CLEARED_DAYS}) or (0, 0, 0, 0)
    return Header(
        review_id,
        reviewed_at,
        as_of,
        horizon,
        sites_judged[0],
        sites_judged[1],
        session.frame(NOT_JUDGED, {"horizon": horizon}),
        *counts,
    )


def review_id(session: Session) -> int:
    """Number of the newest review; 0 before the first."""
    found = session.one("SELECT max(review_id) FROM review")
    return int(found[0]) if found and found[0] is not None else 0
