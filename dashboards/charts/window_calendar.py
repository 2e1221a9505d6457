"""The window record as a calendar: one panel a window, one column a week, one square a day."""

from __future__ import annotations

import altair as alt
import polars as pl
from coilbook.dashboards import palette, words
from coilbook.dashboards.charts.look import AXIS_PX, data
from coilbook.dashboards.labels import said

DAY_PX = 13
WEEKDAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]


def window_calendar_data(record: pl.DataFrame) -> pl.DataFrame:
    """One row a window and day: `window, local_date, week` [its Monday], `weekday, verdict, colour, said`.

    `record` as `analytics.queries.site.windows_record` returns it.
    """
    date = pl.col("local_date")
    return record.select(
        pl.format("{} {}, circuit {}", said("kind", words.KIND), "window_id", "circuit_id").alias("window"),
        date,
        (date - pl.duration(days=date.dt.weekday() - 1)).cast(pl.Date).alias("week"),
        date.dt.weekday()
        .replace_strict(dict(enumerate(WEEKDAYS, 1)), return_dtype=pl.String)
        .alias("weekday"),
        "verdict",
        pl.col("verdict")
        .replace_strict(palette.VERDICT, default=palette.GREY, return_dtype=pl.String)
        .alias("colour"),
        said("verdict", words.VERDICT).alias("said"),
        (pl.col("on_s") / 60).round(1).alias("on_min"),
        (pl.col("need_s") / 60).round(1).alias("need_min"),
    )


def window_calendar_chart(days: pl.DataFrame) -> alt.VConcatChart:
    """`days` as `window_calendar_data` returns them; at least one row."""
    first, last = days["week"].min(), days["week"].max()
    weeks = alt.Scale(domain=_weeks(first, last), paddingInner=0.12)
    panels = [
        _panel(name, days.filter(pl.col("window") == name), weeks)
        for name in days["window"].unique(maintain_order=True)
    ]
    return alt.vconcat(*panels, spacing=18)


def _panel(name: str, days: pl.DataFrame, weeks: alt.Scale) -> alt.Chart:
    drawn = days.drop("window").with_columns(
        pl.col("week").cast(pl.String),
        pl.col("local_date").dt.to_string("%a %-d %b %Y").alias("local_date"),
    )
    # A month is named at its first Monday; a date alone is read as UTC.
    month = "utcdate(toDate(datum.value)) <= 7 ? utcFormat(toDate(datum.value), '%b %y') : ''"
    panel: alt.Chart = (
        alt.Chart(data(drawn), title=f"{name}: what became of each day")
        .mark_rect(cornerRadius=1)
        .encode(
            x=alt.X(
                "week:O",
                scale=weeks,
                axis=alt.Axis(
                    labelExpr=month, title=None, ticks=False, domain=False, labelAngle=0, labelOverlap=True
                ),
            ),
            y=alt.Y(
                "weekday:O",
                scale=alt.Scale(domain=WEEKDAYS, paddingInner=0.12),
                axis=alt.Axis(title=None, ticks=False, domain=False, minExtent=AXIS_PX, maxExtent=AXIS_PX),
            ),
            color=alt.Color("colour:N", scale=None),
            tooltip=[
                alt.Tooltip("local_date:N", title="local date"),
                alt.Tooltip("said:N", title="verdict"),
                alt.Tooltip("on_min:Q", title="on [min]"),
                alt.Tooltip("need_min:Q", title="needed [min]"),
            ],
        )
        .properties(width=900, height=DAY_PX * 7)
    )
    return panel


def _weeks(first: object, last: object) -> list[str]:
    weeks = pl.date_range(pl.lit(first), pl.lit(last), "1w", eager=True)
    return weeks.cast(pl.String).to_list()
