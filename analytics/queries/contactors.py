"""Which contactors come due when, and the parts to order for them."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.ingest.store import Session

DUE = """
WITH newest AS (SELECT horizon::DATE AS day FROM review ORDER BY review_id DESC LIMIT 1),
home AS (
    SELECT site_id, name AS site_name, area FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
),
kit AS (
    SELECT circuit_id, site_id, appliance, contactor, poles, load_a, coil_v, valid_to FROM circuit
    QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1
),
worn AS (
    SELECT wear.* FROM wear
    SEMI JOIN (SELECT circuit_id, max(local_date) AS local_date FROM wear GROUP BY circuit_id) latest
        ON latest.circuit_id = wear.circuit_id AND latest.local_date = wear.local_date
)
SELECT
    date_trunc('quarter', greatest(worn.date_80, newest.day))::DATE AS quarter, kit.circuit_id,
    kit.appliance, kit.site_id, home.site_name, home.area, kit.contactor, kit.poles, kit.load_a, kit.coil_v,
    worn.local_date AS counted_to, worn.ops, worn.used, worn.ops_per_day, worn.date_80, worn.date_80_early,
    worn.date_80_late, worn.date_100, worn.date_100_early, worn.date_100_late, coalesce(worn.date_100 <=
    newest.day, false) AS overdue
FROM kit
JOIN newest ON kit.valid_to IS NULL OR kit.valid_to >= newest.day
JOIN home ON home.site_id = kit.site_id
LEFT JOIN worn ON worn.circuit_id = kit.circuit_id
ORDER BY worn.date_80 NULLS LAST, kit.circuit_id
"""


@dataclass(frozen=True)
class ContactorPlan:
    """`due`: one row a contactor, earliest first; `parts`: what to have in stock by quarter.

    `later`: contactors that come due after the last quarter, or close too seldom ever to; `unknown`:
    contactors without life figures or without a log, of which nothing can be said.
    """

    due: pl.DataFrame
    parts: pl.DataFrame
    later: int
    unknown: int


def contactor_plan(session: Session, *, quarters: int = 8) -> ContactorPlan:
    """The contactors that come due in this quarter and the following, `quarters` in all.

    A contactor is due in the quarter in which 80 % of its life is expected to be used (`date_80` of the wear
    fact); one that is past it is due now. `overdue` = all of it is used.
    """
    fitted = session.frame(DUE)
    known = fitted.filter(pl.col("used").is_not_null())
    dated = known.filter(pl.col("quarter").is_not_null() & pl.col("date_80").is_not_null())
    due = dated.filter(pl.col("quarter") < _end(session, quarters))
    return ContactorPlan(due, parts(due), known.height - due.height, fitted.height - known.height)


def _end(session: Session, quarters: int) -> pl.Expr:
    found = session.one(
        "SELECT (date_trunc('quarter', horizon) + to_months(3 * ?::INTEGER))::DATE"
        " FROM review ORDER BY review_id DESC LIMIT 1",
        [quarters],
    )
    return pl.lit(found[0] if found else None, pl.Date)


def parts(due: pl.DataFrame) -> pl.DataFrame:
    """The parts of `due`: `quarter, contactor, poles, load_a, coil_v, number`, in this order.

    Contactors of one name and coil are one part, and `load_a` [A] the greatest current among them; where the
    registry names no contactor, currents are kept apart, since no one part is known to carry them all.
    """
    unnamed = pl.when(pl.col("contactor").is_null()).then("load_a").alias("_apart")
    keys = ["quarter", "contactor", "poles", "coil_v"]
    return (
        due.group_by(*keys, unnamed)
        .agg(pl.col("load_a").max(), number=pl.len().cast(pl.Int64))
        .select("quarter", "contactor", "poles", "load_a", "coil_v", "number")
        .sort("quarter", "contactor", "poles", "coil_v", "load_a", nulls_last=True)
    )
