"""All facts of a fleet."""

from __future__ import annotations

from datetime import date, datetime

from reference.circuit_day import circuit_days
from reference.coverage import Fact, controller_days, coverage, runs
from reference.rows import Fleet
from reference.site_view import site_views
from reference.surplus_start import ClearExpectation, surplus_starts
from reference.wear import wear
from reference.windows import lockout_results, window_results


def steady(site_id: str, day: date, ts: datetime) -> float | None:
    """A clear sky that is not known."""
    return None


def facts_of(fleet: Fleet, clear: ClearExpectation = steady) -> dict[str, list[Fact]]:
    """The facts by table name, each row with the columns of its table that the reference works out."""
    found: dict[str, list[Fact]] = {}
    for site in site_views(fleet):
        parts = {
            "run": runs(site),
            "coverage": coverage(site),
            "circuit_day": circuit_days(site),
            "controller_day": controller_days(site),
            "window_result": window_results(site),
            "lockout_result": lockout_results(site),
            "surplus_start": surplus_starts(site, clear),
            "wear": wear(site),
        }
        for table, rows in parts.items():
            found.setdefault(table, []).extend(rows)
    return found
