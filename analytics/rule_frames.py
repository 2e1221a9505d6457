"""Reads what rules need from the store: facts of the days asked for, registry as it held on them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.analytics.rules.shape import (
    CIRCUITS,
    FACTS,
    TARIFF_HOURS,
    WINDOWS,
    Frames,
    Rule,
    table_schema,
)
from coilbook.analytics.site_days import site_days
from coilbook.ingest.store import Session

WEEKDAYS = {"mon": 1, "tue": 2, "wed": 4, "thu": 8, "fri": 16, "sat": 32, "sun": 64}
SETS = {"daily": 127, "weekdays": 31, "weekends": 96}


def choose_sites(session: Session, site_ids: Sequence[str] | None) -> None:
    """Note the sites to be read, all of the registry where None, in the session's table `_judged_site`."""
    if site_ids is None:
        session.run("CREATE OR REPLACE TEMP TABLE _judged_site AS SELECT DISTINCT site_id FROM site")
    else:
        session.temporary(
            "_judged_site", pl.DataFrame({"site_id": list(site_ids)}, schema={"site_id": pl.String})
        )


def read_frames(
    session: Session,
    rules: Sequence[Rule[Any]],
    first: date,
    last: date,
    horizon: datetime,
    settings: RuleSettings,
) -> Frames:
    """The frames that `rules` need for the local days `first..last` of the sites chosen before."""
    days = {"first": first, "last": last}
    sites = session.frame(SITES, days)
    first_rows = session.frame(FIRST_ROWS)
    facts = {table: _fact(session, table, rules, first, last) for table in FACTS}
    return Frames(
        horizon=horizon,
        first=first,
        last=last,
        site_days=site_days(sites, facts["coverage"], first_rows, horizon, settings.rules["silent"]),
        circuits=_typed(
            session.frame(CIRCUIT_DAYS, days).join(sites, on=["site_id", "local_date"], how="left"), CIRCUITS
        ),
        windows=_typed(_hours(session.frame(WINDOW_DAYS, days)), WINDOWS),
        tariff_hours=_typed(_hours(session.frame(TARIFF_DAYS, days)), TARIFF_HOURS),
        **facts,
    )


def _fact(session: Session, table: str, rules: Sequence[Rule[Any]], first: date, last: date) -> pl.DataFrame:
    back = [rule.reads[table] for rule in rules if table in rule.reads]
    if table == "coverage":  # what was seen of a day matters to every rule
        back.append(0)
    if not back:
        return pl.DataFrame(schema=table_schema(table))
    return session.frame(FACT_ROWS[table], {"first": first - timedelta(days=max(back)), "last": last})


def _typed(frame: pl.DataFrame, schema: dict[str, Any]) -> pl.DataFrame:
    return frame.select(pl.col(name).cast(type_) for name, type_ in schema.items())


def _hours(frame: pl.DataFrame) -> pl.DataFrame:
    """Registry hours as bits of weekdays and minutes of the wall day."""
    texts = frame["days"].unique().to_list()
    parsed = pl.DataFrame(
        {"days": texts, "_days": [weekdays(text) for text in texts]},
        schema={"days": pl.String, "_days": pl.Int32},
    )
    minutes = [
        (pl.col(n).dt.hour().cast(pl.Int32) * 60 + pl.col(n).dt.minute()).alias(f"{n}_min")
        for n in ("start", "end")
    ]
    past_midnight = pl.when(pl.col("end_min") <= pl.col("start_min")).then(1440).otherwise(0)
    return (
        frame.join(parsed, on="days", how="left", nulls_equal=True)
        .with_columns(minutes)
        .with_columns(pl.col("end_min") + past_midnight, days=pl.col("_days"))
    )


def weekdays(days: str | None) -> int:
    """Bits of "daily", "weekdays", "weekends" or "Mon,Tue,..." (1 = Monday); empty means daily."""
    text = (days or "daily").strip().lower()
    if text in SETS:
        return SETS[text]
    named = {part.strip()[:3] for part in text.split(",")}
    return sum(bit for name, bit in WEEKDAYS.items() if name in named)


FIRST_ROWS = """
    SELECT site_id, min(first_ts) AS first_ts, min(local_date) FILTER (samples > 0) AS power_from
    FROM coverage SEMI JOIN _judged_site USING (site_id)
    GROUP BY site_id HAVING min(first_ts) IS NOT NULL
"""

SITES = """
    WITH day AS (
        SELECT unnest(generate_series($first::DATE, $last::DATE, INTERVAL 1 DAY))::DATE AS local_date
    ),
    price AS (
        SELECT local_date, tariff_id, min(import_per_kwh) AS import_min, max(import_per_kwh) AS import_max,
            min(export_per_kwh) AS export_min, max(export_per_kwh) AS export_max, min(currency) AS currency
        FROM (
            SELECT * FROM tariff JOIN day
            ON coalesce(valid_from <= local_date, true) AND coalesce(valid_to >= local_date, true)
            QUALIFY row_number() OVER (
                PARTITION BY tariff_id, days, "start", local_date ORDER BY valid_from DESC NULLS LAST
            ) = 1
        )
        GROUP BY local_date, tariff_id
    ),
    zone AS (  -- facts count local days by the newest row's zone, and the sun by its place
        SELECT site_id, timezone, latitude IS NOT NULL AND longitude IS NOT NULL AS placed FROM site
        QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
    ),
    site_day AS (
        SELECT *,
            coalesce(valid_from <= local_date, true) AND coalesce(valid_to >= local_date, true) AS holds
        FROM site SEMI JOIN _judged_site USING (site_id) CROSS JOIN day
        QUALIFY row_number() OVER (
            PARTITION BY site_id, local_date ORDER BY holds DESC, valid_from DESC NULLS LAST
        ) = 1
    )
    SELECT site_id, local_date, zone.timezone, zone.placed, area, tariff_id,
        import_min, import_max, export_min, export_max, currency
    FROM site_day JOIN zone USING (site_id) LEFT JOIN price USING (tariff_id, local_date)
"""

CIRCUIT_DAYS = """
    WITH day AS (
        SELECT unnest(generate_series($first::DATE, $last::DATE, INTERVAL 1 DAY))::DATE AS local_date
    )
    SELECT * FROM circuit SEMI JOIN _judged_site USING (site_id) JOIN day
    ON coalesce(valid_from <= local_date, true) AND coalesce(valid_to >= local_date, true)
    QUALIFY row_number() OVER (PARTITION BY circuit_id, local_date ORDER BY valid_from DESC NULLS LAST) = 1
"""

WINDOW_DAYS = """
    WITH day AS (
        SELECT unnest(generate_series($first::DATE, $last::DATE, INTERVAL 1 DAY))::DATE AS local_date
    ),
    owner AS (SELECT DISTINCT circuit_id, site_id FROM circuit SEMI JOIN _judged_site USING (site_id))
    SELECT * FROM schedule JOIN owner USING (circuit_id) JOIN day
    ON coalesce(valid_from <= local_date, true) AND coalesce(valid_to >= local_date, true)
    QUALIFY row_number() OVER (
        PARTITION BY circuit_id, kind, window_id, local_date ORDER BY valid_from DESC NULLS LAST
    ) = 1
"""

TARIFF_DAYS = """
    WITH day AS (
        SELECT unnest(generate_series($first::DATE, $last::DATE, INTERVAL 1 DAY))::DATE AS local_date
    )
    SELECT * FROM tariff JOIN day
    ON coalesce(valid_from <= local_date, true) AND coalesce(valid_to >= local_date, true)
    QUALIFY row_number() OVER (
        PARTITION BY tariff_id, days, "start", local_date ORDER BY valid_from DESC NULLS LAST
    ) = 1
"""

FACT_ROWS = {
    table: f'SELECT * FROM "{table}"'  # noqa: S608 - names, not values
    " SEMI JOIN _judged_site USING (site_id) WHERE local_date BETWEEN $first AND $last"
    for table in FACTS
}
