"""Cases: what findings come to, subject by subject, and what became of cases that stood before.

`cases_from` is pure: the same findings, judged days and standing cases give the same cases. A case is `new`
or `back` while the day it opened on is the site's newest whole local day or later, so on one morning;
`continuing` from then on; `cleared` after enough clean days; `withdrawn`, with the day it was, once late
logs have taken away all its findings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from coilbook.analytics.case_runs import Run, Settled, runs_of, schema
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
    settled: Mapping[tuple[str, str], Settled] | None = None,
) -> pl.DataFrame:
    """Rows of `service_case`.

    `findings`: rows of `finding`. `judged_days`: rule, subject, local_date of whole days that were judged,
    and `exposed` [there was something to judge]. `last_days`: site_id, last_day [newest whole local day].
    `standing`: rows of `service_case` as they stand; a run that overlaps one of them keeps its case_id.
    `settled`: of a rule and subject, what is known before the findings that matter.
    """
    openings = _openings(settings)
    known = findings.filter(pl.col("rule").is_in(list(openings)))
    runs = runs_of(known, judged_days, openings, settings.cases, settled or {})
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


def _openings(settings: RuleSettings) -> dict[str, tuple[int, int]]:
    """Rule to (n, m): a case opens when n of the subject's last m judged days had findings."""
    return {name: (made.case_findings, made.case_days) for name, made in settings.rules.items()}


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


def update_cases(
    session: Session,
    site_ids: Sequence[str],
    horizon: datetime,
    settings: RuleSettings,
    since: date | None = None,
) -> int:
    """Compute the cases of `site_ids` anew from their findings, inside the caller's transaction.

    `horizon`: newest instant in any log of the fleet [naive UTC]. `since`: local day before which neither
    findings nor judged days changed since cases were last computed; only cases that this can touch are
    looked at, whatever the history. None: all. Returns the number of cases that stand.
    """
    choose_sites(session, site_ids)
    openings = _openings(settings)
    rules = [(r.name, r.exposure, openings[r.name][1]) for r in RULES if r.name in openings]
    session.temporary("_rule", pl.DataFrame(rules, schema=["rule", "exposure", "among"], orient="row"))
    last_days = _last_days(session.frame(ZONES), horizon)
    session.temporary("_last_day", last_days)
    begin = {"since": since or date.min}
    session.run(TOUCHED, begin)
    session.run(SETTLED, begin)
    session.run(READ_FROM)
    cases = cases_from(
        session.frame(FINDINGS),
        session.frame(JUDGED_DAYS),
        last_days,
        session.frame(STANDING),
        settings,
        dict(_settled(session)),
    )
    session.run(FORGET)
    session.put("service_case", cases)
    return int(session.rows(STAND)[0][0])


def _settled(session: Session) -> Iterator[tuple[tuple[str, str], Settled]]:
    for rule, subject, through, cleared, first, opened, days in session.rows(
        "SELECT rule, subject, through, cleared_on, first_finding_on, opened_on, days FROM _settled"
    ):
        # Whether a run was back is told on the morning it opened only, which has passed.
        standing = Run(rule, subject, first, opened, through, None, days, back=False) if opened else None
        yield (rule, subject), Settled(through, standing, cleared)


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

# A case that was cleared or withdrawn before the first day that changed stays as it is while no finding of
# its subject follows; one that stands may clear on any day.
TOUCHED = """
    CREATE OR REPLACE TEMP TABLE _touched AS
    SELECT rule, subject FROM finding SEMI JOIN _judged_site USING (site_id) WHERE local_date >= $since
    UNION
    SELECT rule, subject
    FROM service_case SEMI JOIN _judged_site USING (site_id)
    WHERE state NOT IN ('cleared', 'withdrawn')
        OR greatest(opened_on, last_finding_on, coalesce(cleared_on, opened_on)) >= $since
"""

# What need not be computed again, and from which day on findings are read. A case that stood open through the
# last m findings before `since` is taken up on the first of them. Else all through the last case that had
# cleared by then is settled; m findings more are read, since an opening counts those, too.
SETTLED = """
    CREATE OR REPLACE TEMP TABLE _settled AS
    WITH found AS (
        SELECT rule, subject, local_date, row_number() OVER (
            PARTITION BY rule, subject ORDER BY local_date DESC
        ) AS place
        FROM finding SEMI JOIN _touched USING (rule, subject)
        WHERE explained_by IS NULL AND local_date < $since
    ),
    standing AS (
        SELECT c.rule, c.subject, c.first_finding_on, c.opened_on, f.local_date AS from_on
        FROM service_case c
        JOIN _rule r USING (rule)
        JOIN found f ON f.rule = c.rule AND f.subject = c.subject AND f.place = r.among
        WHERE c.opened_on < f.local_date AND c.state <> 'withdrawn' AND coalesce(c.cleared_on >= $since, true)
    ),
    grown AS (
        SELECT s.*, count(f.local_date) AS days
        FROM standing s
        LEFT JOIN found f
            ON f.rule = s.rule AND f.subject = s.subject
            AND f.local_date >= s.first_finding_on AND f.local_date < s.from_on
        GROUP BY ALL
    ),
    cleared AS (
        SELECT
            rule,
            subject,
            max(last_finding_on) AS through,
            arg_max(cleared_on, last_finding_on) AS cleared_on
        FROM service_case SEMI JOIN _touched USING (rule, subject)
        WHERE state = 'cleared' AND cleared_on < $since
        GROUP BY ALL
    )
    SELECT
        rule,
        subject,
        from_on,
        from_on - 1 AS through,
        NULL::DATE AS cleared_on,
        first_finding_on,
        opened_on,
        days
    FROM grown
    UNION ALL
    SELECT c.rule, c.subject, min(f.local_date), c.through, c.cleared_on, NULL, NULL, NULL
    FROM cleared c
    ANTI JOIN grown USING (rule, subject)
    JOIN _rule r USING (rule)
    JOIN found p ON p.rule = c.rule AND p.subject = c.subject AND p.local_date = c.through
    JOIN found f
        ON f.rule = c.rule AND f.subject = c.subject AND f.place BETWEEN p.place AND p.place + r.among - 1
    GROUP BY ALL
"""

READ_FROM = """
    CREATE OR REPLACE TEMP TABLE _read AS
    SELECT
        t.rule,
        t.subject,
        coalesce(s.from_on, DATE '0001-01-01') AS from_on,
        coalesce(s.through, DATE '0001-01-01') AS through
    FROM _touched t
    LEFT JOIN _settled s USING (rule, subject)
"""

FINDINGS = """
    SELECT f.*
    FROM finding f
    JOIN _read r ON r.rule = f.rule AND r.subject = f.subject AND f.local_date >= r.from_on
"""

STANDING = """
    SELECT c.*
    FROM service_case c
    JOIN _read r ON r.rule = c.rule AND r.subject = c.subject AND c.last_finding_on > r.through
"""

FORGET = """
    DELETE FROM service_case USING _read r
    WHERE r.rule = service_case.rule AND r.subject = service_case.subject
        AND service_case.last_finding_on > r.through
"""

STAND = """
    SELECT count(*) FROM service_case SEMI JOIN _judged_site USING (site_id)
    WHERE state NOT IN ('cleared', 'withdrawn')
"""

JUDGED_DAYS = """
    WITH key AS (
        SELECT f.rule, f.subject, f.site_id, d.exposure, min(f.local_date) AS first_on
        FROM finding f
        JOIN _read r ON r.rule = f.rule AND r.subject = f.subject AND f.local_date >= r.from_on
        JOIN _rule d ON d.rule = f.rule
        GROUP BY ALL
    ),
    chance AS (
        SELECT 'start' AS exposure, circuit_id AS subject, local_date FROM circuit_day WHERE starts > 0
        UNION ALL SELECT 'surplus_start', circuit_id, local_date FROM surplus_start
        UNION ALL SELECT 'window', circuit_id, local_date FROM window_result
        UNION ALL SELECT 'lockout', circuit_id, local_date FROM lockout_result
    ),
    met AS (
        SELECT DISTINCT c.*
        FROM chance c
        SEMI JOIN key
            ON key.exposure = c.exposure AND key.subject = c.subject AND key.first_on <= c.local_date
    )
    SELECT key.rule, key.subject, day.local_date,
        key.exposure = 'day' OR met.subject IS NOT NULL AS exposed
    FROM key
    JOIN coverage day ON day.site_id = key.site_id AND day.local_date >= key.first_on
    JOIN _last_day ON _last_day.site_id = key.site_id AND day.local_date <= _last_day.last_day
    LEFT JOIN met
        ON met.exposure = key.exposure AND met.subject = key.subject AND met.local_date = day.local_date
    ANTI JOIN not_judged lacking  -- without a place a part of a rule is not judged; the rest can clear a case
        ON lacking.rule = key.rule AND lacking.subject = key.subject AND lacking.local_date = day.local_date
        AND lacking.reason <> 'place'
"""
