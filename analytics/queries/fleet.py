"""The fleet over time: cases by rule and area, how often each rule was right, and the worst circuits."""

from __future__ import annotations

from typing import Literal

import polars as pl
from coilbook.analytics.intervals import wilson
from coilbook.analytics.queries.acts import acts
from coilbook.analytics.standing import OUTCOMES, standing
from coilbook.ingest.store import Session

Order = Literal["cases", "cost", "starts"]

BY_WEEK = """
WITH newest AS (SELECT horizon::DATE AS day FROM review ORDER BY review_id DESC LIMIT 1),
home AS (
    SELECT site_id, area FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
),
week AS (
    SELECT (date_trunc('week', day) - to_days(7 * unnest(range($weeks::INTEGER))::INTEGER))::DATE AS begin,
    day FROM newest
)
SELECT
    week.begin AS week, week.begin + 6 < week.day AS whole, k.rule, home.area,
    count(*) FILTER (WHERE k.opened_on >= week.begin) AS opened,
    count(*) FILTER (WHERE k.cleared_on <= week.begin + 6) AS cleared,
    count(*) FILTER (WHERE k.cleared_on IS NULL OR k.cleared_on > week.begin + 6) AS standing
FROM week
JOIN service_case k
    ON k.opened_on <= week.begin + 6 AND (k.cleared_on IS NULL OR k.cleared_on >= week.begin)
JOIN home ON home.site_id = k.site_id
WHERE k.state <> 'withdrawn'
GROUP BY ALL
ORDER BY week, k.rule, home.area
"""

WORST = """
WITH newest AS (SELECT horizon::DATE AS day FROM review ORDER BY review_id DESC LIMIT 1),
home AS (
    SELECT site_id, name AS site_name, area FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
),
kit AS (
    SELECT circuit_id, site_id, appliance FROM circuit
    QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1
),
told AS (
    SELECT
        subject AS circuit_id, count(*) AS cases, count(*) FILTER (WHERE state <> 'cleared') AS open_cases,
        sum(cost_per_year) FILTER (WHERE state <> 'cleared') AS cost_per_year, max(currency) AS currency
    FROM service_case, newest
    WHERE subject_kind = 'circuit' AND state <> 'withdrawn'
        AND (cleared_on IS NULL OR cleared_on > newest.day - $days::INTEGER)
    GROUP BY subject
),
switched AS (
    SELECT circuit_id, count(*) AS days, sum(starts)::BIGINT AS starts, sum(short_runs)::BIGINT AS short_runs,
        max(max_starts_1h) AS max_starts_1h
    FROM circuit_day
    WHERE local_date BETWEEN (SELECT day FROM newest) - $days::INTEGER AND (SELECT day FROM newest) - 1
    GROUP BY circuit_id
)
SELECT
    kit.circuit_id, kit.appliance, kit.site_id, home.site_name, home.area, coalesce(told.cases, 0) AS cases,
    coalesce(told.open_cases, 0) AS open_cases, told.cost_per_year, told.currency, coalesce(switched.days,
    0) AS days, coalesce(switched.starts, 0) AS starts, coalesce(switched.short_runs, 0) AS short_runs,
    switched.max_starts_1h
FROM kit
JOIN home ON home.site_id = kit.site_id
LEFT JOIN told ON told.circuit_id = kit.circuit_id
LEFT JOIN switched ON switched.circuit_id = kit.circuit_id
WHERE told.cases > 0 OR switched.starts > 0
ORDER BY
    CASE $order WHEN 'cases' THEN told.cases WHEN 'cost' THEN told.cost_per_year ELSE switched.starts END
        DESC NULLS LAST,
    told.cost_per_year DESC NULLS LAST, switched.starts DESC NULLS LAST, kit.circuit_id
LIMIT $limit
"""

PRECISION = {
    "rule": pl.String,
    **dict.fromkeys(OUTCOMES, pl.Int64),
    "precision": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}


def cases_by_week(session: Session, *, weeks: int = 26) -> pl.DataFrame:
    """Cases of the last `weeks` weeks by rule and area, withdrawn ones left out.

    Columns: `week` [its Monday], `whole` [the logs have passed its end], `rule, area, opened, cleared`
    [within the week], `standing` [at its end, or at the horizon]. Weeks, rules and areas without any have
    no row.
    """
    return session.frame(BY_WEEK, {"weeks": weeks})


def measured_precision(session: Session) -> pl.DataFrame:
    """How often each rule was right, by what was found on site: a row for each rule with a closed case.

    `precision` = confirmed / (confirmed + not_found), with Wilson's 95 % interval `low, high`; empty before
    the first of either. `setting_changed` and `no_access` are counted beside it and do not enter: a setting
    is changed from the desk, and nobody saw the fault. A case counts once, by the outcome that stands.
    """
    done = acts(session)
    closed = standing(done).filter(pl.col("outcome").is_not_null())
    rules = done.select("case_id", "rule").unique("case_id", keep="last", maintain_order=True)
    counted = closed.join(rules, on="case_id").group_by("rule", "outcome").len().sort("rule", "outcome")
    rows = []
    for (rule,), found in counted.partition_by("rule", as_dict=True, maintain_order=True).items():
        by_outcome = dict(found.select("outcome", "len").iter_rows())
        right, wrong = by_outcome.get("confirmed", 0), by_outcome.get("not_found", 0)
        told = (right / (right + wrong), *wilson(right, right + wrong)) if right + wrong else (None,) * 3
        rows.append((rule, *(by_outcome.get(name, 0) for name in OUTCOMES), *told))
    return pl.DataFrame(rows, schema=PRECISION, orient="row")


def worst_circuits(
    session: Session, *, days: int = 28, order: Order = "cases", limit: int = 20
) -> pl.DataFrame:
    """The circuits with most cases, highest yearly cost or most starts over the last `days` days.

    Columns: `circuit_id, appliance, site_id, site_name, area, cases` [that stood within these days],
    `open_cases, cost_per_year` [currency, of the open ones], `currency, days` [with a log], `starts,
    short_runs, max_starts_1h`.
    """
    return session.frame(WORST, {"days": days, "order": order, "limit": limit})
