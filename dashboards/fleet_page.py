"""The page of the fleet: for who plans rounds and parts, and for who answers for the rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from urllib.parse import urlencode

import polars as pl
from coilbook.dashboards import fleet_tables, words
from coilbook.dashboards.charts import room
from coilbook.dashboards.charts.cases_by_week import cases_by_week_data
from coilbook.dashboards.charts.contactors_due import contactors_due_data, quarter_name
from coilbook.dashboards.charts.firmware_cohorts import firmware_cohorts_data
from coilbook.dashboards.charts.rule_precision import rule_precision_data
from coilbook.dashboards.render import render
from coilbook.dashboards.summaries import used_up
from coilbook.dashboards.tables import Table

WEEKS = (13, 26, 52)
ORDERS = {"cases": "most cases", "cost": "highest yearly cost", "starts": "most starts"}
WORST_BY = {"cases": "cases", "cost": "cost_per_year", "starts": "starts"}
"""The column of each order; a circuit with none of it is not among the worst."""

MOST_DUE = 40


@dataclass(frozen=True)
class FleetChoice:
    """What the address asks for: weeks shown, only one area or rule, and the order of the worst circuits."""

    weeks: int = WEEKS[1]
    area: str = ""
    rule: str = ""
    order: str = "cases"

    def query(self) -> str:
        """`?weeks=26&…`."""
        told = {"weeks": self.weeks, "area": self.area, "rule": self.rule, "order": self.order}
        return f"?{urlencode({name: value for name, value in told.items() if value})}"


@dataclass(frozen=True)
class FleetRecord:
    """What the page is told: frames as the queries of `analytics.queries` return them.

    `weeks` holds all areas and rules; `due, parts, later, unknown` are those of the contactor plan.
    """

    weeks: pl.DataFrame
    precision: pl.DataFrame
    worst: pl.DataFrame
    due: pl.DataFrame
    parts: pl.DataFrame
    later: int
    unknown: int
    firmware: pl.DataFrame
    horizon: datetime | None


def narrowed(weeks: pl.DataFrame, choice: FleetChoice) -> pl.DataFrame:
    """The cases by week of the area and rule chosen."""
    if choice.area:
        weeks = weeks.filter(pl.col("area") == choice.area)
    return weeks.filter(pl.col("rule") == choice.rule) if choice.rule else weeks


def fleet_page(record: FleetRecord, choice: FleetChoice) -> str:
    """The page as HTML."""
    weeks = narrowed(record.weeks, choice)
    precision = rule_precision_data(record.precision)
    rates = firmware_cohorts_data(record.firmware)
    quarters = contactors_due_data(record.due)
    return render(
        "fleet.html",
        choice=choice,
        orders=ORDERS,
        all_weeks=WEEKS,
        areas=_values(record.weeks["area"]),
        rules=[(rule, words.plain(rule, words.RULE)) for rule in _values(record.weeks["rule"])],
        horizon=record.horizon,
        by_rule=_weeks_table(weeks, "rule"),
        by_area=_weeks_table(weeks, "area"),
        precision=fleet_tables.precision_table(precision),
        precision_known=precision["precision"].is_not_null().any(),
        worst=list(record.worst.filter(pl.col(WORST_BY[choice.order]) > 0).iter_rows(named=True)),
        due=_due(record.due, record.horizon),
        due_more=max(0, record.due.height - MOST_DUE),
        overdue=int(quarters["overdue"].sum()),
        due_all=record.due.height,
        parts=fleet_tables.parts_table(record.parts),
        later=record.later,
        unknown=record.unknown,
        firmware=fleet_tables.firmware_table(rates),
        rooms={
            "by_rule": room.cases_by_week(weeks["rule"].n_unique()),
            "by_area": room.cases_by_week(weeks["area"].n_unique()),
            "precision": room.intervals(1, precision["precision"].count()),
            "contactors": room.CONTACTORS_DUE,
            "firmware": room.intervals(rates["measure"].n_unique(), rates["firmware"].n_unique()),
        },
    )


def _weeks_table(weeks: pl.DataFrame, by: str) -> Table:
    counts = cases_by_week_data(weeks, "rule" if by == "rule" else "area") if weeks.height else EMPTY_WEEKS
    return fleet_tables.weeks_table(counts, by.capitalize())


EMPTY_WEEKS = pl.DataFrame(
    schema={
        "panel": pl.String,
        "week": pl.Date,
        "whole": pl.Boolean,
        "opened": pl.Int64,
        "cleared": pl.Int64,
        "standing": pl.Int64,
    }
)


def _due(due: pl.DataFrame, horizon: datetime | None) -> Sequence[dict[str, Any]]:
    """The contactors due first, for the page's list, with `used_80` and `used_100` in words."""
    first = due.head(MOST_DUE).with_columns(quarter_name("quarter").alias("name"))
    today = horizon.date() if horizon else date(1970, 1, 1)
    return [
        {**row, **{f"used_{level}": used_up(row, level, today) for level in (80, 100)}}
        for row in first.iter_rows(named=True)
    ]


def _values(column: pl.Series) -> list[str]:
    return sorted({value for value in column if value})
