"""One site: who it is, what is fitted there, and its record over local days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

import polars as pl
from coilbook.analytics.queries.acts import acts
from coilbook.analytics.standing import standing
from coilbook.ingest.store import Session

CARD = """
SELECT
    s.site_id, s.name, s.area, s.timezone, s.latitude, s.longitude, s.pv_kw, s.battery_kwh, s.tariff_id,
    seen.first_day, seen.last_day, seen.last_row
FROM site s, (
    SELECT min(local_date) AS first_day, max(local_date) AS last_day, max(last_ts) AS last_row
    FROM coverage WHERE site_id = $site_id
) AS seen
WHERE s.site_id = $site_id
ORDER BY s.valid_from DESC NULLS LAST
LIMIT 1
"""

CIRCUITS = """
WITH kit AS (
    FROM circuit WHERE site_id = $site_id
    QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1
),
newest AS (
    SELECT circuit_id, ops, used, ops_per_day, date_80, date_100, date_100_early, date_100_late
    FROM wear WHERE site_id = $site_id
    QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY local_date DESC) = 1
)
SELECT kit.* EXCLUDE (load_id, site_id), newest.* EXCLUDE (circuit_id)
FROM kit LEFT JOIN newest USING (circuit_id)
ORDER BY kit.circuit_id
"""

SERVICE_LOG = """
SELECT circuit_id, date, action, note FROM service_log WHERE site_id = $site_id ORDER BY date DESC, circuit_id
"""

PAST = """
SELECT
    case_id, rule, severity, state, subject, subject_kind, first_finding_on AS since, last_finding_on,
    cleared_on, days, cost_per_year, currency, confidence, sentence, next_step
FROM service_case
WHERE site_id = $site_id AND state IN ('cleared', 'withdrawn')
ORDER BY coalesce(cleared_on, last_finding_on) DESC, case_id
"""

WINDOWS = """
SELECT circuit_id, window_id, 'run' AS kind, local_date, start_ts, end_ts, need_s, on_s, covered_s, excused_s,
    NULL::DOUBLE AS hand_s, NULL::DOUBLE AS cost, NULL::DOUBLE AS excess_cost, verdict
FROM window_result
WHERE site_id = $site_id AND local_date BETWEEN $first AND $last
UNION ALL
SELECT circuit_id, window_id, 'lockout', local_date, start_ts, end_ts, NULL, on_s, NULL, NULL,
    hand_s, cost, excess_cost, CASE WHEN on_s > 0 THEN 'ran' WHEN hand_s > 0 THEN 'hand' ELSE 'kept' END
FROM lockout_result
WHERE site_id = $site_id AND local_date BETWEEN $first AND $last
ORDER BY circuit_id, kind DESC, window_id, local_date
"""

STARTS = """
SELECT
    d.circuit_id, d.local_date, d.starts, d.max_starts_1h, d.short_runs, d.on_s, d.own_wh, d.grid_wh,
    v.covered_s / v.day_s AS covered
FROM circuit_day d
LEFT JOIN coverage v ON v.site_id = d.site_id AND v.local_date = d.local_date
WHERE d.site_id = $site_id AND d.local_date BETWEEN $first AND $last
ORDER BY d.circuit_id, d.local_date
"""

RUNS = """
SELECT r.circuit_id, r.local_date, r.start, r.duration_s, r.cause_on, r.cause_off, r."end" IS NULL AS open,
    k.min_run_s
FROM run r
LEFT JOIN circuit k ON k.circuit_id = r.circuit_id
    AND (k.valid_from IS NULL OR k.valid_from <= r.local_date)
    AND (k.valid_to IS NULL OR k.valid_to >= r.local_date)
WHERE r.site_id = $site_id AND r.local_date BETWEEN $first AND $last
QUALIFY row_number() OVER (PARTITION BY r.circuit_id, r.start ORDER BY k.valid_from DESC NULLS LAST) = 1
ORDER BY r.circuit_id, r.start
"""

WEAR = """
SELECT * EXCLUDE (site_id) FROM wear
WHERE site_id = $site_id AND local_date BETWEEN $first AND $last
ORDER BY circuit_id, local_date
"""

NEWEST_WEAR = """
SELECT * EXCLUDE (site_id) FROM wear
WHERE site_id = $site_id AND local_date BETWEEN $first AND $last
QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY local_date DESC) = 1
ORDER BY circuit_id
"""


@dataclass(frozen=True)
class SiteCard:
    """Who and where a site is; `first_day`, `last_day` [local dates], `last_row` [UTC] are of its logs."""

    site_id: str
    name: str
    area: str
    timezone: str
    latitude: float | None
    longitude: float | None
    pv_kw: float | None
    battery_kwh: float | None
    tariff_id: str | None
    first_day: date | None
    last_day: date | None
    last_row: datetime | None


def site_card(session: Session, site_id: str) -> SiteCard | None:
    """The site's newest registry row, or None where the registry has no such site."""
    found = session.one(CARD, {"site_id": site_id})
    return SiteCard(*found) if found else None


def circuits(session: Session, site_id: str) -> pl.DataFrame:
    """Newest registry row of each circuit, with its newest `ops, used, ops_per_day, date_80, date_100…`."""
    return session.frame(CIRCUITS, {"site_id": site_id})


def service_log(session: Session, site_id: str) -> pl.DataFrame:
    """`circuit_id, date, action, note`, newest first."""
    return session.frame(SERVICE_LOG, {"site_id": site_id})


def past_cases(session: Session, site_id: str) -> pl.DataFrame:
    """Cases that were cleared or withdrawn, newest first, with the columns of `standing.STANDING`."""
    past = session.frame(PAST, {"site_id": site_id})
    stands = standing(acts(session, past["case_id"].to_list()))
    return past.join(stands, on="case_id", how="left", maintain_order="left").with_columns(
        pl.col("version").fill_null(0)
    )


def windows_record(session: Session, site_id: str, first: date, last: date) -> pl.DataFrame:
    """Run windows with their verdict, lockouts with `kept`, `ran` or `hand`; both local dates included."""
    return session.frame(WINDOWS, {"site_id": site_id, "first": first, "last": last})


def starts_per_day(session: Session, site_id: str, first: date, last: date) -> pl.DataFrame:
    """`circuit_id, local_date, starts, max_starts_1h, short_runs, on_s, own_wh, grid_wh, covered [1]`."""
    return session.frame(STARTS, {"site_id": site_id, "first": first, "last": last})


def run_lengths(session: Session, site_id: str, first: date, last: date) -> pl.DataFrame:
    """One row a run, with the `min_run_s` in force on its local date."""
    return session.frame(RUNS, {"site_id": site_id, "first": first, "last": last})


def wear(session: Session, site_id: str, first: date, last: date) -> pl.DataFrame:
    """Rows of `wear`, circuit by circuit, both local dates included."""
    return session.frame(WEAR, {"site_id": site_id, "first": first, "last": last})


def newest_wear(session: Session, site_id: str, first: date, last: date) -> pl.DataFrame:
    """Of each circuit the newest row of `wear` in a range of local dates."""
    return session.frame(NEWEST_WEAR, {"site_id": site_id, "first": first, "last": last})
