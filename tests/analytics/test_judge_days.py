"""Which part of a day was due, and when a site counts as silent: first rows, horizons and changed clocks."""

from __future__ import annotations

from datetime import date, datetime

import polars as pl
from coilbook.analytics.rules.shape import table_schema
from coilbook.analytics.rules.silent import Settings
from coilbook.analytics.site_days import site_days

LORD_HOWE, DENVER = "Australia/Lord_Howe", "America/Denver"


def one_day(
    zone: str,
    day: date,
    horizon: str,
    *,
    covered_s: float | None,
    first: str = "2026-01-01",
    powered: bool = True,
) -> dict[str, object] | None:
    """The site-day of one site; `covered_s` None: no row at all."""
    sites = pl.DataFrame(
        {"site_id": ["s"], "local_date": [day], "timezone": [zone], "placed": [True]}
    ).with_columns(pl.lit(None, pl.String).alias(name) for name in ("area", "tariff_id", "currency"))
    sites = sites.with_columns(
        pl.lit(None, pl.Float64).alias(name)
        for name in ("import_min", "import_max", "export_min", "export_max")
    )
    row = {
        "site_id": "s",
        "local_date": day,
        "covered_s": covered_s,
        "first_ts": datetime.fromisoformat(first),
    }
    coverage = pl.DataFrame([row] if covered_s is not None else [], schema=table_schema("coverage"))
    start = datetime.fromisoformat(first)
    first_rows = pl.DataFrame(
        {"site_id": ["s"], "first_ts": [start], "power_from": [start.date() if powered else None]},
        schema={"site_id": pl.String, "first_ts": pl.Datetime("us"), "power_from": pl.Date},
    )
    days = site_days(sites, coverage, first_rows, datetime.fromisoformat(horizon), Settings())
    return days.row(0, named=True) if days.height else None


def test_days_of_23_and_23_and_a_half_hours_are_due_for_just_that() -> None:
    spring = one_day(DENVER, date(2026, 3, 8), "2026-03-10", covered_s=82800.0)
    half = one_day(LORD_HOWE, date(2026, 10, 4), "2026-10-06", covered_s=84600.0)
    assert spring is not None
    assert half is not None
    assert (spring["due_s"], spring["covered_share"]) == (82800.0, 1.0)
    assert (half["due_s"], half["covered_share"]) == (84600.0, 1.0)


def test_eighty_percent_is_enough_and_less_is_silent() -> None:
    for covered, silent in ((69120.0, False), (69119.0, True)):
        found = one_day(DENVER, date(2026, 3, 14), "2026-03-16", covered_s=covered)
        assert found is not None
        assert found["silent"] is silent


def test_a_day_not_begun_at_the_horizon_and_a_day_before_the_first_row_are_not_there() -> None:
    assert one_day(DENVER, date(2026, 3, 14), "2026-03-14T06:00", covered_s=None) is None
    assert one_day(DENVER, date(2026, 3, 14), "2026-03-20", covered_s=None, first="2026-03-15T06:00") is None


def test_under_six_hours_of_the_day_it_is_too_early_and_at_six_it_is_not() -> None:
    early = one_day(DENVER, date(2026, 3, 14), "2026-03-14T11:59", covered_s=None)
    due = one_day(DENVER, date(2026, 3, 14), "2026-03-14T12:00", covered_s=None)
    assert early is not None
    assert due is not None
    assert (early["early"], early["silent"], due["early"], due["silent"]) == (True, False, False, True)


def test_a_site_without_power_log_is_silent_only_without_any_row() -> None:
    for covered, silent in ((600.0, False), (None, True)):
        found = one_day(DENVER, date(2026, 3, 14), "2026-03-16", covered_s=covered, powered=False)
        assert found is not None
        assert found["silent"] is silent


def test_the_day_is_complete_once_the_horizon_has_reached_its_end() -> None:
    for horizon, complete in (("2026-03-15T05:59", False), ("2026-03-15T06:00", True)):
        found = one_day(DENVER, date(2026, 3, 14), horizon, covered_s=80000.0)
        assert found is not None
        assert found["complete"] is complete
