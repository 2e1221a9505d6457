"""Before and after a firmware version: starts, short runs and findings of the circuits that got it.

A comparison of the same controllers with themselves, in the weeks before and after the day on which they
first reported a version. The season goes on meanwhile, so a difference is a question, not an answer.
Garwood's limits take events as independent; starts come in bursts, and their true interval is wider.
"""

from __future__ import annotations

import polars as pl
from coilbook.analytics.intervals import garwood
from coilbook.ingest.store import Session

MEASURES = ("starts", "short_runs", "findings")

# Numbers stand for controllers and circuits in the wide joins: comparing texts is what takes the time there.
COHORTS = """
WITH newest AS (SELECT horizon::DATE AS day FROM review ORDER BY review_id DESC LIMIT 1),
told AS (
    SELECT controller_id, firmware, min(local_date) AS first_on
    FROM controller_day
    WHERE firmware IS NOT NULL AND local_date > (SELECT day FROM newest) - $within::INTEGER
    GROUP BY ALL
),
change AS (
    SELECT controller_id, firmware, first_on, row_number() OVER (ORDER BY controller_id, first_on) AS change,
        lag(firmware) OVER (PARTITION BY controller_id ORDER BY first_on) AS firmware_before
    FROM told
    QUALIFY firmware_before IS NOT NULL
),
either_side AS (
    SELECT change.change, d.local_date, d.local_date > change.first_on AS since
    FROM change
    JOIN controller_day d ON d.controller_id = change.controller_id
        AND d.local_date BETWEEN change.first_on - $days::INTEGER AND change.first_on + $days::INTEGER
        AND d.firmware = CASE WHEN d.local_date < change.first_on
            THEN change.firmware_before ELSE change.firmware END
    JOIN coverage v ON v.site_id = d.site_id AND v.local_date = d.local_date
        AND v.covered_s >= $covered_share * v.day_s
    WHERE d.local_date <> change.first_on
),
around AS (
    FROM either_side SEMI JOIN (
        SELECT change FROM either_side GROUP BY change
        HAVING count(*) FILTER (WHERE since) BETWEEN 1 AND count(*) - 1
    ) both_sides USING (change)
),
asked AS (SELECT min(local_date) AS first, max(local_date) AS last FROM around),
kit AS (
    SELECT circuit_id, controller_id FROM circuit
    QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1
),
fitted AS (
    SELECT change.change, kit.circuit_id,
        row_number() OVER (ORDER BY change.change, kit.circuit_id) AS circuit
    FROM change JOIN kit ON kit.controller_id = change.controller_id
),
switched AS (
    SELECT a.change, a.since, count(DISTINCT f.circuit) AS circuits, count(*) AS days,
        sum(cd.starts) AS starts, sum(cd.short_runs) AS short_runs
    FROM circuit_day cd
    JOIN fitted f ON f.circuit_id = cd.circuit_id
    JOIN around a ON a.change = f.change AND a.local_date = cd.local_date
    WHERE cd.local_date BETWEEN (SELECT first FROM asked) AND (SELECT last FROM asked)
    GROUP BY ALL
),
subject AS (
    SELECT change, circuit_id AS subject FROM fitted
    UNION ALL SELECT change, controller_id FROM change
),
found AS (
    SELECT a.change, a.since, count(*) AS findings
    FROM finding f
    JOIN subject ON subject.subject = f.subject
    JOIN around a ON a.change = subject.change AND a.local_date = f.local_date
    WHERE f.explained_by IS NULL
        AND f.local_date BETWEEN (SELECT first FROM asked) AND (SELECT last FROM asked)
    GROUP BY ALL
)
SELECT change.firmware, CASE WHEN s.since THEN 'after' ELSE 'before' END AS period,
    count(*) AS controllers, sum(s.circuits)::BIGINT AS circuits, sum(s.days) / 7 AS circuit_weeks,
    sum(s.starts)::BIGINT AS starts, sum(s.short_runs)::BIGINT AS short_runs,
    coalesce(sum(found.findings), 0)::BIGINT AS findings
FROM switched s
JOIN change USING (change)
LEFT JOIN found ON found.change = s.change AND found.since = s.since
GROUP BY change.firmware, s.since
ORDER BY change.firmware, s.since
"""

SCHEMA = {
    "firmware": pl.String,
    "period": pl.String,
    "controllers": pl.Int64,
    "circuits": pl.Int64,
    "circuit_weeks": pl.Float64,
    "measure": pl.String,
    "count": pl.Int64,
    "per_circuit_week": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}


def firmware_cohorts(
    session: Session, *, days: int = 28, within: int = 182, covered_share: float = 0.8
) -> pl.DataFrame:
    """Rates per circuit-week before and after each version that came within the last `within` days.

    Of each controller that had another version before: up to `days` days on either side of the day of the
    change, which itself is left out, days covered for at least `covered_share`, and only controllers with
    days on both sides. Columns of `SCHEMA`: three rows (`starts`, `short_runs`, `findings` that no other
    explains, those of the controller included) for each of `before` and `after`, with Garwood's 95 % limits
    `low, high`.
    """
    values = {"days": days, "within": within, "covered_share": covered_share}
    rows = []
    for row in session.frame(COHORTS, values).iter_rows(named=True):
        for measure in MEASURES:
            count, weeks = row[measure], row["circuit_weeks"]
            head = [row[name] for name in list(SCHEMA)[:5]]
            rows.append((*head, measure, count, count / weeks, *garwood(count, weeks)))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")
