"""Instants as the site's wall clock shows them.

Charts are given wall time dressed as UTC milliseconds and a UTC scale, so that no browser shifts it. In the
hour that a clock change repeats, two instants share one wall time and lie over each other.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import polars as pl


def wall(column: str, zone: str) -> pl.Expr:
    """A naive UTC instant column as naive wall time of `zone`."""
    return (
        pl.col(column)
        .dt.replace_time_zone("UTC")
        .dt.convert_time_zone(zone)
        .dt.replace_time_zone(None)
        .alias(column)
    )


def wall_ms(column: str, zone: str) -> pl.Expr:
    """The same as milliseconds since 1970 of that wall time [ms]."""
    return wall(column, zone).dt.epoch("ms").alias(column)


def wall_time(instant: datetime, zone: str) -> datetime:
    """One naive UTC instant as naive wall time of `zone`."""
    return instant.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None)


def utc_instant(wall_clock: datetime, zone: str) -> datetime:
    """The naive UTC instant of a wall time of `zone`, read with `fold=0` (PEP 495)."""
    return wall_clock.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)
