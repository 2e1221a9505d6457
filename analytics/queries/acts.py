"""What people did about cases, each act with the case it belongs to now.

An act goes with the finding that was the newest of its case when it was made (`seen_on`), not with the case's
name. So when late logs join, split or rename cases, it stands at the case that holds that finding; where no
case does any more, at the one that it was made on.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl
from coilbook.ingest.store import Session

ACTS = """
WITH held AS (
    FROM service_case
    WHERE $case_ids::VARCHAR[] IS NULL OR (rule, subject) IN (
        SELECT (rule, subject) FROM service_case WHERE case_id IN (SELECT unnest($case_ids::VARCHAR[]))
    )
),
said AS (
    FROM case_act WHERE $case_ids::VARCHAR[] IS NULL OR (rule, subject) IN (SELECT (rule, subject) FROM held)
)
SELECT
    coalesce(holder.case_id, act.case_id) AS case_id, act.act_id, act.kind, act.who, act."at", act.to_person,
    act.until, act.text, act.outcome, act.undoes, act.rule, act.subject, act.seen_on
FROM said act
LEFT JOIN held holder
    ON holder.rule = act.rule AND holder.subject = act.subject AND holder.state <> 'withdrawn'
    AND act.seen_on BETWEEN holder.first_finding_on AND holder.last_finding_on
WHERE $case_ids::VARCHAR[] IS NULL
    OR coalesce(holder.case_id, act.case_id) IN (SELECT unnest($case_ids::VARCHAR[]))
ORDER BY act.act_id
"""

PEOPLE = """
SELECT DISTINCT person FROM (
    SELECT who AS person FROM case_act UNION ALL SELECT to_person FROM case_act WHERE to_person IS NOT NULL
)
ORDER BY person
"""


def acts(session: Session, case_ids: Sequence[str] | None = None) -> pl.DataFrame:
    """Acts of the cases named, or of all, oldest first.

    Columns: those of `case_act`, `case_id` being that of the case which the act belongs to now.
    """
    return session.frame(ACTS, {"case_ids": None if case_ids is None else list(case_ids)})


def newest_act_id(session: Session) -> int:
    """Number of the newest act of all; 0 before the first. It changes whenever anybody does anything."""
    found = session.one("SELECT max(act_id) FROM case_act")
    return int(found[0]) if found and found[0] is not None else 0


def people(session: Session) -> list[str]:
    """Everybody who has acted or was assigned a case, by name."""
    return [row[0] for row in session.rows(PEOPLE)]
