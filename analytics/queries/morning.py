"""The morning list: the cases that stand, ranked, each with a strip of its last 14 local days."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl
from coilbook.analytics.queries.acts import acts
from coilbook.analytics.queries.header import CLEARED_DAYS
from coilbook.analytics.standing import listed, standing
from coilbook.ingest.store import Session

PUT_ASIDE = ("snoozed", "closed")
"""States of open cases that people took off the list for now."""

STRIP_DAYS = 14
"""Local days in a strip [d]. The last is the newest that the horizon has passed whole, or a day begun since
that has a finding already."""

CASES = """
WITH last_review AS (SELECT horizon FROM review ORDER BY review_id DESC LIMIT 1),
home AS (
    SELECT
        site_id, name AS site_name, area, timezone AS zone,
        timezone(timezone, (SELECT horizon FROM last_review)::TIMESTAMPTZ)::DATE - 1 AS last_day
    FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
),
kit AS (
    SELECT circuit_id, appliance FROM circuit
    QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1
)
SELECT
    k.case_id, k.rule, k.severity, k.state, k.site_id, home.site_name, home.area, home.zone,
    k.subject, k.subject_kind,
    CASE WHEN k.subject_kind = 'circuit' THEN k.subject END AS circuit_id,
    kit.appliance,
    k.first_finding_on AS since, k.opened_on, k.last_finding_on, k.cleared_on, k.days,
    greatest(home.last_day, k.last_finding_on) - k.first_finding_on + 1 AS days_standing,
    k.cost_per_year, k.currency, k.confidence, k.sentence, k.next_step,
    greatest(home.last_day, k.last_finding_on) AS last_day
FROM service_case k
JOIN home ON home.site_id = k.site_id
LEFT JOIN kit ON kit.circuit_id = k.subject
WHERE (
        k.case_id = $case_id::VARCHAR
        OR k.state IN ('new', 'continuing', 'back')
        OR (
            $include_cleared::BOOLEAN AND k.state = 'cleared'
            AND k.cleared_on > home.last_day - $cleared_days::INTEGER
        )
    )
    AND ($area::VARCHAR IS NULL OR home.area = $area)
    AND ($severity::VARCHAR IS NULL OR k.severity = $severity)
    AND ($rule::VARCHAR IS NULL OR k.rule = $rule)
    AND ($site_id::VARCHAR IS NULL OR k.site_id = $site_id)
    AND ($case_id::VARCHAR IS NULL OR k.case_id = $case_id)
ORDER BY
    k.state = 'cleared',
    list_position(['danger', 'service', 'cost', 'wear', 'data'], k.severity),
    k.state <> 'new',
    k.cost_per_year DESC NULLS LAST,
    k.confidence DESC NULLS LAST,
    days_standing DESC,
    k.case_id
"""

STRIPS = """
WITH wanted AS (FROM asked),
since AS (SELECT min(last_day) - $days::INTEGER AS day FROM wanted),
cell AS (
    SELECT case_id, rule, subject, site_id, unnest(range($days::INTEGER)) AS place,
        (last_day - $days::INTEGER + 1 + unnest(range($days::INTEGER))::INTEGER)::DATE AS day
    FROM wanted
),
found AS (
    SELECT rule, subject, local_date, bool_and(explained_by IS NOT NULL) AS explained FROM finding
    WHERE local_date > (SELECT day FROM since) AND subject IN (SELECT subject FROM wanted)
    GROUP BY ALL
),
unseen AS (
    SELECT DISTINCT rule, subject, local_date FROM not_judged
    WHERE local_date > (SELECT day FROM since) AND subject IN (SELECT subject FROM wanted)
        AND reason <> 'place' -- a part of a rule was not judged; the rest was
),
seen AS (
    SELECT site_id, local_date FROM coverage
    WHERE local_date > (SELECT day FROM since) AND site_id IN (SELECT site_id FROM wanted)
)
SELECT cell.case_id, list(
    CASE
        WHEN found.explained THEN 'e'
        WHEN found.rule IS NOT NULL THEN 'f'
        WHEN unseen.rule IS NOT NULL THEN 'n'
        WHEN seen.site_id IS NOT NULL THEN 'c'
        ELSE '-'
    END ORDER BY cell.place
) AS strip
FROM cell
LEFT JOIN found ON found.rule = cell.rule AND found.subject = cell.subject AND found.local_date = cell.day
LEFT JOIN unseen ON unseen.rule = cell.rule AND unseen.subject = cell.subject AND unseen.local_date = cell.day
LEFT JOIN seen ON seen.site_id = cell.site_id AND seen.local_date = cell.day
GROUP BY cell.case_id
"""


@dataclass(frozen=True)
class Morning:
    """The list, and how many open cases of the same choice people have put aside for now."""

    cases: pl.DataFrame
    snoozed: int
    closed: int


def morning_list(
    session: Session,
    *,
    now: datetime | None = None,
    area: str | None = None,
    severity: str | None = None,
    rule: str | None = None,
    state: str | None = None,
    site_id: str | None = None,
    person: str | None = None,
    unassigned: bool = False,
    include_cleared: bool = False,
    include_snoozed: bool = False,
    include_closed: bool = False,
) -> Morning:
    """Open cases in the order of the morning, without those that people put aside.

    `now`: the wall clock [naive UTC], which ends a snooze; None = the horizon of the last review. `person`:
    only cases assigned to them; `unassigned`: only cases assigned to nobody. What `include_...` adds, or
    `state` names, comes after the rest: snoozed and closed cases, then those cleared in the last 7 days.

    Columns: `case_id, rule, severity, state, site_id, site_name, area, zone, subject, subject_kind,
    circuit_id, appliance, since, opened_on, last_finding_on, cleared_on, days, days_standing [d],
    cost_per_year [currency], currency, confidence [1], sentence, next_step, last_day`, those of
    `standing.STANDING`, and `strip`. `circuit_id` and `appliance` are empty where the subject is a
    controller or a site. `state` is as `standing.listed` says. `strip` lists `STRIP_DAYS` letters up to
    `last_day`, oldest first: `f` finding, `e` finding that another case explains, `c` judged and clean, `n`
    not judged, `-` no day of the site.
    """
    values = {"area": area, "severity": severity, "rule": rule, "site_id": site_id}
    cleared = include_cleared or state == "cleared"
    cases = _cases(session, values | {"include_cleared": cleared}, now)
    if person is not None or unassigned:
        cases = cases.filter(_is_of(person))
    counts = {name: int((cases["state"] == name).sum()) for name in PUT_ASIDE}
    hidden = [] if include_snoozed or state == "snoozed" else ["snoozed"]
    hidden += [] if include_closed or state == "closed" else ["closed"]
    cases = cases.filter(~pl.col("state").is_in(hidden))
    if state is not None:
        cases = cases.filter(pl.col("state") == state)
    aside = pl.col("state").is_in([*PUT_ASIDE, "cleared"]).cast(pl.Int8) + (pl.col("state") == "cleared")
    return Morning(_with_strips(session, cases.sort(aside, maintain_order=True)), **counts)


def morning(session: Session, **choice: Any) -> pl.DataFrame:
    """The cases of `morning_list`, which see for the choices and columns."""
    return morning_list(session, **choice).cases


def one_case(session: Session, case_id: str, *, now: datetime | None = None) -> pl.DataFrame:
    """One case whatever its state, as a row of `morning_list`; no row where there is none of that id."""
    return _with_strips(session, _cases(session, {"case_id": case_id}, now))


CHOICE = {
    "area": None,
    "severity": None,
    "rule": None,
    "site_id": None,
    "case_id": None,
    "include_cleared": False,
    "cleared_days": CLEARED_DAYS,
}


def _cases(session: Session, values: Mapping[str, Any], now: datetime | None) -> pl.DataFrame:
    """Cases by the logs, in order, with what people did about them."""
    cases = session.frame(CASES, CHOICE | dict(values))
    stands = standing(acts(session, cases["case_id"].to_list()))
    return listed(cases, stands, now or _horizon(session))


def _horizon(session: Session) -> datetime:
    found = session.one("SELECT horizon FROM review ORDER BY review_id DESC LIMIT 1")
    return found[0] if found and found[0] is not None else datetime.fromisoformat("1970-01-01")


def _is_of(person: str | None) -> pl.Expr:
    assigned = pl.col("assigned_to")
    if person is None:
        return assigned.is_null()
    return (assigned.str.to_lowercase() == " ".join(person.split()).lower()).fill_null(value=False)


def _with_strips(session: Session, cases: pl.DataFrame) -> pl.DataFrame:
    if cases.is_empty():
        return cases.with_columns(pl.lit(None, pl.List(pl.String)).alias("strip"))
    session.temporary("asked", cases.select("case_id", "rule", "subject", "site_id", "last_day"))
    strips = session.frame(STRIPS, {"days": STRIP_DAYS})
    return cases.join(strips, on="case_id", how="left", maintain_order="left")


def facets(session: Session, *, now: datetime | None = None) -> pl.DataFrame:
    """The `area, severity, rule, state, assigned_to` that open cases have, for the choices of a filter."""
    return _cases(session, {}, now).select("area", "severity", "rule", "state", "assigned_to").unique()
