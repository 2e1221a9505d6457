"""A site's charts as Vega-Lite specs: query, data and chart put together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

from coilbook.analytics.queries import site as queries
from coilbook.analytics.queries.timeline import timeline
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.dashboards.charts.look import AnyChart, spec
from coilbook.dashboards.charts.run_lengths import run_lengths_chart, run_lengths_data
from coilbook.dashboards.charts.starts_per_day import starts_per_day_chart, starts_per_day_data
from coilbook.dashboards.charts.timeline import power_data, timeline_chart, timeline_data
from coilbook.dashboards.charts.wear import wear_chart, wear_data
from coilbook.dashboards.charts.window_calendar import window_calendar_chart, window_calendar_data
from coilbook.ingest.local_time import ONE_DAY, midnight
from coilbook.ingest.store import Session


@dataclass(frozen=True)
class ChartRange:
    """What a chart shows of a site: local dates `first` to `last`, both included."""

    site_id: str
    zone: str
    first: date
    last: date

    def instants(self) -> tuple[datetime, datetime]:
        """The range as naive UTC instants `[start, end)`."""
        return midnight(self.zone, self.first), midnight(self.zone, self.last + ONE_DAY)


Draw = Callable[[Session, ChartRange, RuleSettings], AnyChart | None]


def chart_spec(session: Session, name: str, wanted: ChartRange, rules: RuleSettings) -> dict[str, Any] | None:
    """The spec of chart `name` (a key of `CHARTS`); None where there is nothing to draw."""
    chart = CHARTS[name](session, wanted, rules)
    return None if chart is None else spec(chart, name=name)


def _timeline(session: Session, r: ChartRange, rules: RuleSettings) -> AnyChart | None:
    start, end = r.instants()
    t = timeline(session, r.site_id, start, end)
    if t.circuits.is_empty():
        return None
    bars = timeline_data(t.circuits, t.runs, t.windows, t.dips, t.islands, t.holes, t.timezone)
    return timeline_chart(bars, power_data(t.power, t.timezone), t.circuits, start, end, t.timezone)


def _windows(session: Session, r: ChartRange, rules: RuleSettings) -> AnyChart | None:
    days = window_calendar_data(queries.windows_record(session, r.site_id, r.first, r.last))
    return None if days.is_empty() else window_calendar_chart(days)


def _starts(session: Session, r: ChartRange, rules: RuleSettings) -> AnyChart | None:
    days = queries.starts_per_day(session, r.site_id, r.first, r.last)
    shown = starts_per_day_data(days, queries.circuits(session, r.site_id), starts_limits(rules))
    return None if shown.is_empty() else starts_per_day_chart(shown)


def _run_lengths(session: Session, r: ChartRange, rules: RuleSettings) -> AnyChart | None:
    counts = run_lengths_data(queries.run_lengths(session, r.site_id, r.first, r.last))
    return None if counts.is_empty() else run_lengths_chart(counts)


def _wear(session: Session, r: ChartRange, rules: RuleSettings) -> AnyChart | None:
    parts = wear_data(queries.wear(session, r.site_id, r.first, r.last))
    return None if parts.is_empty() else wear_chart(parts)


CHARTS: Mapping[str, Draw] = {
    "timeline": _timeline,
    "windows": _windows,
    "starts": _starts,
    "run-lengths": _run_lengths,
    "wear": _wear,
}


def starts_limits(rules: RuleSettings) -> dict[str, float]:
    """Starts allowed in an hour by appliance, as `short_cycling` holds circuits to."""
    return asdict(rules.rules["short_cycling"].max_starts_per_hour)
