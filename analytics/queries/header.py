"""What a page says about itself: what was reviewed, when, how much of the fleet, and what was not judged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl
from coilbook.analytics.queries.acts import acts
from coilbook.analytics.standing import OPEN, listed, standing
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
),
lacking AS (
    SELECT n.reason, n.rule, n.site_id, n.subject
    FROM not_judged n JOIN home ON home.site_id = n.site_id AND home.day = n.local_date
    WHERE n.local_date BETWEEN $horizon::TIMESTAMP::DATE - 2 AND $horizon::TIMESTAMP::DATE
),
by_rule AS (
    SELECT reason, rule, count(DISTINCT site_id) AS sites, count(DISTINCT subject) AS subjects
    FROM lacking GROUP BY ALL
),
by_reason AS (
    SELECT reason, count(DISTINCT site_id) AS sites, count(DISTINCT subject) AS subjects
    FROM lacking GROUP BY ALL
)
SELECT
    t.reason, t.sites, t.subjects,
    list(
        struct_pack(rule := r.rule, sites := r.sites, subjects := r.subjects) ORDER BY r.sites DESC, r.rule
    ) AS rules
FROM by_reason t JOIN by_rule r ON r.reason = t.reason
GROUP BY t.reason, t.sites, t.subjects
ORDER BY t.sites DESC, t.reason
"""

# Open cases as the logs have them, and how many cleared lately, by the site's own calendar.
OPEN_CASES = """
WITH home AS (
    SELECT site_id, timezone AS zone FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
)
SELECT k.case_id, k.rule, k.severity, k.state, k.last_finding_on, home.zone
FROM service_case k JOIN home ON home.site_id = k.site_id
WHERE k.state IN ('new', 'continuing', 'back')
"""

CLEARED = """
WITH home AS (
    SELECT site_id, (timezone(timezone, $horizon::TIMESTAMP::TIMESTAMPTZ)::DATE - 1) AS last_day
    FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
)
SELECT count(*), count(*) FILTER (WHERE k.cleared_on >= home.last_day)
FROM service_case k JOIN home ON home.site_id = k.site_id
WHERE k.state = 'cleared' AND k.cleared_on > home.last_day - $days::INTEGER
"""

COUNTS = {"sites": pl.Int64(), "subjects": pl.Int64()}
LACKING = {"reason": pl.String(), **COUNTS, "rules": pl.List(pl.Struct({"rule": pl.String(), **COUNTS}))}


@dataclass(frozen=True)
class Header:
    """The last review in numbers; instants are naive UTC.

    `horizon` is the newest instant in any log reviewed; `not_judged` holds `reason, sites, subjects` of each
    site's last whole local day, and in `rules` the same by rule. `new`, `continuing` and `back` count cases
    that stand, without those that people snoozed or closed; `cleared` the cases cleared in the last
    `CLEARED_DAYS` days, `just_cleared` those of them that cleared on the last whole day. Before the first
    review `review_id` is 0 and the instants are empty.
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
    just_cleared: int

    @property
    def open_cases(self) -> int:
        """Cases that stand open and are not put aside."""
        return self.new + self.continuing + self.back

    def feed_age_h(self, now: datetime) -> float | None:
        """Age [h] of the newest log row at `now` (naive UTC); None before the first review."""
        return None if self.horizon is None else (now - self.horizon) / timedelta(hours=1)


def header(session: Session, *, now: datetime | None = None) -> Header:
    """The last review's header. `now`: the wall clock [naive UTC], which ends a snooze, else the horizon."""
    review = session.one(REVIEW)
    if review is None or review[3] is None:
        sites = session.one("SELECT count(DISTINCT site_id) FROM site") or (0,)
        return Header(0, None, None, None, sites[0], 0, pl.DataFrame(schema=LACKING), 0, 0, 0, 0, 0)
    review_id, reviewed_at, as_of, horizon = review
    sites_judged = session.one(JUDGED, {"horizon": horizon}) or (0, 0)
    cleared = session.one(CLEARED, {"horizon": horizon, "days": CLEARED_DAYS}) or (0, 0)
    return Header(
        review_id,
        reviewed_at,
        as_of,
        horizon,
        sites_judged[0],
        sites_judged[1],
        session.frame(NOT_JUDGED, {"horizon": horizon}),
        *_standing(session, now or horizon),
        *cleared,
    )


def _standing(session: Session, now: datetime) -> list[int]:
    """How many cases are new, continuing and back, as the list counts them."""
    cases = session.frame(OPEN_CASES)
    states = listed(cases, standing(acts(session, cases["case_id"].to_list())), now)["state"]
    return [int((states == state).sum()) for state in OPEN]


def review_id(session: Session) -> int:
    """Number of the newest review; 0 before the first."""
    found = session.one("SELECT max(review_id) FROM review")
    return int(found[0]) if found and found[0] is not None else 0


def horizon(session: Session) -> datetime | None:
    """The newest instant in any log that the newest review saw [naive UTC]; None before the first."""
    found = session.one(REVIEW)
    return found[3] if found else None
