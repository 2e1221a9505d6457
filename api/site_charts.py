"""The charts of a site's page: each as a Vega-Lite spec, and the rows behind it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl
from coilbook.analytics.queries import site as site_queries
from coilbook.analytics.queries.timeline import Timeline, timeline
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.dashboards.charts import run_lengths, starts_per_day, wear, window_calendar
from coilbook.dashboards.charts import timeline as timeline_chart
from coilbook.dashboards.charts.forms import Spec
from coilbook.dashboards.charts.look import AnyChart
from coilbook.ingest.store import Session


@dataclass(frozen=True)
class Drawn:
    """The rows of a chart and how to draw them; drawing rows that are none raises."""

    rows: pl.DataFrame
    draw: Callable[[], AnyChart | Spec]


def prepare() -> None:
    """Build the forms of a site's charts, a second's work, so that no reader waits for them."""
    for known in (True, False):
        timeline_chart.chart_form(with_power=known)
        starts_per_day.chart_form(limited=known)
        run_lengths.chart_form(limited=known)
    wear.chart_form()
    window_calendar.chart_form()


def drawn_timeline(seen: Timeline, marks: Sequence[datetime] = ()) -> Drawn:
    """Lanes over power; `marks` are minutes of evidence [wall time of the site]."""
    bars = timeline_chart.timeline_data(
        seen.circuits, seen.runs, seen.windows, seen.dips, seen.islands, seen.holes, seen.timezone
    )
    power = timeline_chart.power_data(seen.power, seen.timezone)
    rows = bars.drop("top", "bottom", "colour")
    return Drawn(
        rows,
        lambda: timeline_chart.timeline_chart(
            bars, power, seen.circuits, seen.start, seen.end, seen.timezone, marks
        ),
    )


def drawn_power(session: Session, site_id: str, start: datetime, end: datetime) -> Drawn:
    """The power under the lanes, for its rows."""
    seen = timeline(session, site_id, start, end)
    return Drawn(timeline_chart.power_data(seen.power, seen.timezone), drawn_timeline(seen).draw)


def drawn_record(
    session: Session, card: site_queries.SiteCard, chart: str, first: date, last: date, settings: RuleSettings
) -> Drawn | None:
    """The chart `windows`, `starts`, `lengths` or `wear` over local dates; None for any other name."""
    site_id, zone = card.site_id, card.timezone
    if chart == "windows":
        rows = window_calendar.window_calendar_data(
            site_queries.windows_record(session, site_id, first, last)
        )
        return Drawn(rows, lambda: window_calendar.window_calendar_chart(rows, zone))
    if chart == "starts":
        days = site_queries.starts_per_day(session, site_id, first, last)
        starts = starts_per_day.starts_per_day_data(
            days, site_queries.circuits(session, site_id), starts_limits(settings)
        )
        return Drawn(starts, lambda: starts_per_day.starts_per_day_chart(starts, zone))
    if chart == "lengths":
        counts = run_lengths.run_lengths_data(site_queries.run_lengths(session, site_id, first, last))
        return Drawn(counts, lambda: run_lengths.run_lengths_chart(counts))
    if chart == "wear":
        parts = wear.wear_data(site_queries.wear(session, site_id, first, last))
        return Drawn(parts, lambda: wear.wear_chart(parts, zone))
    return None


def starts_limits(settings: RuleSettings) -> dict[str, float]:
    """Starts an hour [1/h] that each kind of appliance is held to."""
    limits = settings.rules["short_cycling"].max_starts_per_hour
    return {name: float(value) for name, value in vars(limits).items()}
