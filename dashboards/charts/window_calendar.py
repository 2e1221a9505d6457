"""The window record as a calendar: a panel for each circuit's run windows and lockouts, a square a day."""

from __future__ import annotations

from functools import cache

import altair as alt
import polars as pl
from coilbook.dashboards import palette, words
from coilbook.dashboards.charts.forms import Spec, filled, rows, rows_of, slot, stacked
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, checked, local_dates
from coilbook.dashboards.labels import said
from coilbook.dashboards.phrases import phrase

DAY_PX = 13
WEEK_PX = 20
"""Width of a week where the page has room for it [px]."""

WEEKDAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]
COLUMNS = 3
RANK = list(palette.VERDICT)
"""Verdicts from good to bad; of several windows in one day the worst colours the square."""


def window_calendar_data(record: pl.DataFrame) -> pl.DataFrame:
    """One row a panel and day: `panel, local_date, week` [its Monday], `weekday, verdict, colour, said`.

    `record` as `analytics.queries.site.windows_record` returns it. `verdict` is the worst of the
    day's windows, `said` tells each.
    """
    date = pl.col("local_date")
    rank = pl.col("verdict").replace_strict(
        {v: i for i, v in enumerate(RANK)}, default=0, return_dtype=pl.Int32
    )
    each = phrase(
        "{}: {}, on {} min",
        "window_id",
        said("verdict", words.VERDICT),
        (pl.col("on_s") / 60).round().cast(pl.Int64),
    )
    days = (
        record.sort("circuit_id", "kind", "local_date", "start_ts", descending=[False, True, False, False])
        .with_columns(rank.alias("_rank"), each.alias("_each"))
        .group_by("circuit_id", "kind", "local_date", maintain_order=True)
        .agg(
            pl.col("verdict").sort_by("_rank").last(),
            pl.col("_each").drop_nulls().str.join("; ").alias("said"),
        )
    )
    return days.select(
        phrase("{}s of circuit {}", said("kind", words.KIND), "circuit_id").alias("panel"),
        date,
        (date - pl.duration(days=date.dt.weekday() - 1)).cast(pl.Date).alias("week"),
        date.dt.weekday()
        .replace_strict(dict(enumerate(WEEKDAYS, 1)), return_dtype=pl.String)
        .alias("weekday"),
        "verdict",
        pl.col("verdict")
        .replace_strict(palette.VERDICT, default=palette.GREY, return_dtype=pl.String)
        .alias("colour"),
        "said",
    )


def window_calendar_chart(days: pl.DataFrame, zone: str) -> Spec:
    """`days` as `window_calendar_data` returns them; at least one row."""
    weeks = _weeks(days["week"].min(), days["week"].max())
    panels = [
        _panel(str(name), days.filter(pl.col("panel") == name), weeks, zone)
        for name in days["panel"].unique(maintain_order=True)
    ]
    return stacked(panels, concat="concat", columns=COLUMNS, spacing=22)


def _panel(name: str, days: pl.DataFrame, weeks: list[str], zone: str) -> Spec:
    drawn = days.drop("panel", "verdict").with_columns(
        pl.col("week").cast(pl.String),
        pl.col("local_date").dt.to_string("%a %-d %b %Y").alias("local_date"),
    )
    made = filled(chart_form(), title=name, weeks=weeks, dates=local_dates(zone), days=rows(drawn))
    return {**made, "width": WEEK_PX * len(weeks)}


@cache
def chart_form() -> Spec:
    """Slots: `title`, `weeks` [dates of Mondays], what `dates` are called, `days`."""
    # A month is named at its first Monday; a date alone is read as UTC.
    month = "utcdate(toDate(datum.value)) <= 7 ? utcFormat(toDate(datum.value), '%b %Y') : ''"
    tips = [
        alt.Tooltip("local_date:N", title=slot("dates")),
        alt.Tooltip("said:N", title="windows"),
    ]
    panel = (
        alt.Chart(rows_of("days"), title=slot("title"))
        .mark_rect(cornerRadius=1)
        .encode(
            x=alt.X(
                "week:O",
                scale=alt.Scale(domain=[slot("weeks")], paddingInner=0.12),
                axis=axis_of(
                    labelExpr=month,
                    title="weeks",
                    ticks=False,
                    domain=False,
                    labelAngle=0,
                    labelOverlap=False,
                ),
            ),
            y=alt.Y(
                "weekday:O",
                scale=alt.Scale(domain=WEEKDAYS, paddingInner=0.12),
                axis=axis_of(title=None, ticks=False, domain=False, minExtent=AXIS_PX, maxExtent=AXIS_PX),
            ),
            color=alt.Color("colour:N", scale=None),
            tooltip=tips,
        )
        .properties(height=DAY_PX * 7)
    )
    return checked(panel)


def _weeks(first: object, last: object) -> list[str]:
    weeks = pl.date_range(pl.lit(first), pl.lit(last), "1w", eager=True)
    return weeks.cast(pl.String).to_list()
