"""One site's history put together from the queries of analytics."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from coilbook.analytics.queries import morning as morning_queries
from coilbook.analytics.queries import settings as settings_queries
from coilbook.analytics.queries import site as site_queries
from coilbook.api.models import SiteHistory
from coilbook.ingest.store import Session

CAUTIONS = (
    "The circuit may be energised from more than one source: grid, PV inverter, battery.",
    "The controller can close the contactor at any moment without warning: "
    "put it out of automatic control first.",
    "Isolate every source, lock and tag, wait for capacitors, "
    "and prove dead with a tester proved before and after.",
    "A contactor that does not open is to be isolated at the breaker.",
    "Work inside is for licensed people under the local code, which overrides anything said here.",
)


def site_history(session: Session, site_id: str, record: timedelta, *, now: datetime) -> SiteHistory | None:
    """The site's history with its record over the last `record`; None where the registry has no such site.

    `now`: the wall clock [naive UTC]. Snoozed and closed cases are among the open ones, and say so.
    """
    card = site_queries.site_card(session, site_id)
    if card is None:
        return None
    known = {"site_id": site_id, "site_name": card.name, "area": card.area}
    since, until = _record_days(card.first_day, card.last_day, record)
    windows = site_queries.windows_record(session, site_id, since, until)
    starts = site_queries.starts_per_day(session, site_id, since, until)
    return SiteHistory.model_validate(
        {
            **vars(card),
            "record_from": since if card.last_day else None,
            "circuits": site_queries.circuits(session, site_id).to_dicts(),
            "open_cases": morning_queries.morning(
                session, site_id=site_id, now=now, include_snoozed=True, include_closed=True
            ).to_dicts(),
            "past_cases": [{**row, **known} for row in site_queries.past_cases(session, site_id).to_dicts()],
            "windows": _window_tallies(windows),
            "switching": _circuit_tallies(starts),
            "plan": settings_queries.schedule(session, site_id).to_dicts(),
            "settings_history": settings_queries.settings_history(session, site_id).to_dicts(),
            "service_log": site_queries.service_log(session, site_id).to_dicts(),
            "cautions": list(CAUTIONS),
        }
    )


def _record_days(first: date | None, last: date | None, record: timedelta) -> tuple[date, date]:
    """The local days the record covers, both included; a day of no meaning where there is no log."""
    if first is None or last is None:
        return date.min, date.min
    return max(first, last - record + timedelta(days=1)), last


def _window_tallies(windows: pl.DataFrame) -> list[dict[str, Any]]:
    keys = ["circuit_id", "window_id", "kind"]
    counts = windows.group_by([*keys, "verdict"]).len().sort([*keys, "verdict"])
    tallies: dict[tuple[str, ...], dict[str, int]] = {}
    for *key, verdict, days in counts.iter_rows():
        tallies.setdefault(tuple(key), {})[verdict] = days
    return [dict(zip(keys, key, strict=True), verdicts=verdicts) for key, verdicts in tallies.items()]


def _circuit_tallies(starts: pl.DataFrame) -> list[dict[str, Any]]:
    return (
        starts.group_by("circuit_id")
        .agg(
            pl.len().alias("days"),
            pl.col("starts", "on_s", "short_runs").sum(),
            *(_known_sum(name) for name in ("own_wh", "grid_wh")),
        )
        .sort("circuit_id")
        .to_dicts()
    )


def _known_sum(name: str) -> pl.Expr:
    """The sum of what is known; null where nothing is."""
    return pl.when(pl.col(name).is_not_null().any()).then(pl.col(name).sum()).alias(name)
