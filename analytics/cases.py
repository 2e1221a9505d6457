"""Cases: what findings come to, subject by subject, and what became of cases that stood before.

`cases_from` is pure: the same findings, judged days and standing cases give the same cases. A case is `new`
or `back` while the day it opened on is the site's newest whole local day or later, so on one morning;
`continuing` from then on; `cleared` after enough clean days; `withdrawn`, with the day it was, once late
logs have taken away all its findings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from coilbook.analytics.case_runs import Run, runs_of, schema
from coilbook.analytics.rule_frames import choose_sites
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.analytics.rules import RULES
from coilbook.analytics.rules.shape import table_schema
from coilbook.ingest.local_time import local_date
from coilbook.ingest.store import Session

NEWEST = (
    "subject_kind",
    "site_id",
    "severity",
    "cost_per_year",
    "currency",
    "confidence",
    "sentence",
    "next_step",
)


def cases_from(
    findings: pl.DataFrame,
    judged_days: pl.DataFrame,
    last_days: pl.DataFrame,
    standing: pl.DataFrame,
    settings: RuleSettings,
) -> pl.DataFrame:
    """Rows of `service_case`.

    `findings`: rows of `finding`. `judged_days`: rule, subject, local_date of whole days that were judged,
    and `exposed` [there was something to judge]. `last_days`: site_id, last_day [newest whole local day].
    `standing`: rows of `service_case` as they stand; a run that overlaps one of them keeps its case_id.
    """
    openings = {name: (made.case_findings, made.case_days) for name, made in settings.rules.items()}
    runs = runs_of(
        findings.filter(pl.col("rule").is_in(list(openings))), judged_days, openings, settings.cases
    )
    ids = _ids(runs, standing)
    frame = pl.DataFrame([asdict(run) for run in runs], schema=schema()).with_columns(
        case_id=pl.Series(ids, dtype=pl.String)
    )
    newest = findings.select("rule", "subject", pl.col("local_date").alias("last_finding_on"), *NEWEST)
    cases = frame.join(newest, on=["rule", "subject", "last_finding_on"], how="left").join(
        last_days, on="site_id", how="left"
    )
    return pl.concat([_typed(cases.with_columns(state=_state())), _withdrawn(standing, ids, last_days)]).sort(
        "case_id"
    )


def _state() -> pl.Expr:
    c = pl.col
    fresh = c("last_day").is_null() | (c("opened_on") >= c("last_day"))
    return (
        pl.when(c("cleared_on").is_not_null())
        .then(pl.lit("cleared"))
        .when(fresh & c("back"))
        .then(pl.lit("back"))
        .when(fresh)
        .then(pl.lit("new"))
        .otherwise(pl.lit("continuing"))
    )


def _ids(runs: list[Run], standing: pl.DataFrame) -> list[str]:
    """One case_id a run: that of a standing case which it overlaps, else one made from its first finding."""
    free: dict[tuple[str, str], list[tuple[str, date, date]]] = {}
    columns = ("case_id", "rule", "subject", "first_finding_on", "last_finding_on")
    for case_id, rule, subject, first, last in standing.sort("case_id").select(columns).iter_rows():
        free.setdefault((rule, subject), []).append((case_id, first, last))
    ids: list[str | None] = [_take(free, run, own=True) for run in runs]
    for i, run in enumerate(runs):
        ids[i] = ids[i] or _take(free, run, own=False) or _own_id(run)
    return [name for name in ids if name]


def _own_id(run: Run) -> str:
    return f"{run.rule}:{run.subject}:{run.first_finding_on}"


def _take(free: dict[tuple[str, str], list[tuple[str, date, date]]], run: Run, *, own: bool) -> str | None:
    cases = free.get((run.rule, run.subject), [])
    for case in cases:
        case_id, first, last = case
        overlaps = first <= run.last_finding_on and last >= run.first_finding_on
        if case_id == _own_id(run) if own else overlaps:
            cases.remove(case)
            return case_id
    return None


def _withdrawn(standing: pl.DataFrame, ids: list[str], last_days: pl.DataFrame) -> pl.DataFrame:
    gone = standing.filter(~pl.col("case_id").is_in(ids)).join(last_days, on="site_id", how="left")
    already = pl.col("state") == "withdrawn"
    return _typed(
        gone.with_columns(
            state=pl.lit("withdrawn"),
            cleared_on=pl.when(already).then("cleared_on").otherwise(pl.coalesce("last_day", "cleared_on")),
        )
    )


def _typed(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.select(pl.col(name).cast(type_) for name, type_ in table_schema("service_case").items())


def update_cases(session: Session, site_ids: Sequence[str], horizon: datetime, settings: RuleSettings) -> int:
    """Compute the cases of `site_ids` anew from all their findings, inside the caller's transaction.

    `horizon`: newest instant in any log of the fleet [naive UTC]. Returns the number of cases that stand.
    """
    choose_sites(session, site_ids)
    exposures = {"rule": [r.name for r in RULES], "exposure": [r.exposure for r in RULES]}
    session.temporary("_exposure", pl.DataFrame(exposures))
    last_days = _last_days(session.frame(ZONES), horizon)
    session.temporary("_last_day", last_days)
    cases = cases_from(
        session.frame(FINDINGS), session.frame(JUDGED_DAYS), last_days, session.frame(STANDING), settings
    )
    session.run("DELETE FROM service_case WHERE site_id IN (SELECT site_id FROM _judged_site)")
    session.put("service_case", cases)
    return cases.filter(~pl.col("state").is_in(["cleared", "withdrawn"])).height


def _last_days(zones: pl.DataFrame, horizon: datetime) -> pl.DataFrame:
    """site_id, last_day: the newest local day that the horizon has passed."""
    rows: list[tuple[Any, ...]] = [
        (site, local_date(zone, horizon) - timedelta(days=1)) for site, zone in zones.iter_rows()
    ]
    return pl.DataFrame(rows, schema={"site_id": pl.String, "last_day": pl.Date}, orient="row")


ZONES = """
    SELECT site_id, timezone FROM site SEMI JOIN _judged_site USING (site_id)
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
"""

FINDINGS = "SELECT * FROM finding SEMI JOIN _judged_site USING (site_id)"

STANDING = "SELECT * FROM service_case SEMI JOIN _judged_site USING (site_id)"

JUDGED_DAYS = """
    WITH key AS (
        SELECT rule, subject, site_id, exposure, min(local_date) AS first_on
        FROM finding SEMI JOIN _judged_site USING (site_id) JOIN _exposure USING (rule)
        GROUP BY ALL
    ),
    met AS (
        SELECT 'start' AS exposure, circuit_id AS subject, local_date FROM circuit_day WHERE starts > 0
        UNION ALL SELECT DISTINCT 'surplus_start', circuit_id, local_date FROM surplus_start
        UNION ALL SELECT DISTINCT 'window', circuit_id, local_date FROM window_result
        UNION ALL SELECT DISTINCT 'lockout', circuit_id, local_date FROM lockout_result
    )
    SELECT key.rule, key.subject, day.local_date,
        key.exposure = 'day' OR met.subject IS NOT NULL AS exposed
    FROM key
    JOIN coverage day ON day.site_id = key.site_id AND day.local_date >= key.first_on
    JOIN _last_day ON _last_day.site_id = key.site_id AND day.local_date <= _last_day.last_day
    LEFT JOIN met
        ON met.exposure = key.exposure AND met.subject = key.subject AND met.local_date = day.local_date
    ANTI JOIN not_judged lacking
        ON lacking.rule = key.rule AND lacking.subject = key.subject AND lacking.local_date = day.local_date
"""
