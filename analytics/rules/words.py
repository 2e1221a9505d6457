"""Numbers, durations and local times as people read them, as Polars expressions."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl
from coilbook.ingest.phrases import phrase

THIN = "\u202f"
"""Stands between thousands: a narrow space at which no line ends."""
MINUS = "\u2212"


def duration(seconds: pl.Expr) -> pl.Expr:
    """A duration [s] in words: "45 s", "4 min", "1 h 20 min"."""
    minutes = (seconds / 60).round(mode="half_away_from_zero").cast(pl.Int64)
    hours, rest = minutes // 60, minutes % 60
    exact = (seconds < 120) & (seconds % 60 != 0)
    return (
        pl.when(exact)
        .then(phrase("{} s", seconds.round(mode="half_away_from_zero").cast(pl.Int64)))
        .when(minutes < 60)
        .then(phrase("{} min", minutes))
        .when(rest == 0)
        .then(phrase("{} h", _grouped(hours)))
        .otherwise(phrase("{} h {} min", _grouped(hours), rest))
    )


def decimals(value: pl.Expr, places: int) -> pl.Expr:
    """A number with exactly `places` (at least 1) decimals: "1\u202f234.50", "\u22122.5"."""
    scale = 10**places
    scaled = (value.abs() * scale).round(mode="half_away_from_zero").cast(pl.Int64)
    fraction = (scaled % scale).cast(pl.String).str.zfill(places)
    return phrase("{}{}.{}", _sign((value < 0) & (scaled > 0)), _grouped(scaled // scale), fraction)


def whole(value: pl.Expr) -> pl.Expr:
    """A number rounded to a whole one: "90\u202f817", "\u22129"."""
    rounded = value.cast(pl.Float64).round(mode="half_away_from_zero").cast(pl.Int64)
    return phrase("{}{}", _sign(rounded < 0), _grouped(rounded.abs()))


def number(value: pl.Expr) -> pl.Expr:
    """A number of at most two decimals, without a trailing ".0"."""
    rounded = value.cast(pl.Float64).abs().round(2)
    fraction = rounded.cast(pl.String).str.extract(r"(\.\d+)$").fill_null("").str.replace(r"^\.0$", "")
    return phrase(
        "{}{}{}", _sign((value < 0) & (rounded > 0)), _grouped(rounded.floor().cast(pl.Int64)), fraction
    )


def power(watts: pl.Expr) -> pl.Expr:
    """Power [W] as "850 W" or "1.5 kW"."""
    return (
        pl.when(watts.abs() < 1000)
        .then(phrase("{} W", whole(watts)))
        .otherwise(phrase("{} kW", decimals(watts / 1000, 1)))
    )


def energy(watt_hours: pl.Expr) -> pl.Expr:
    """Energy [Wh] as "80 Wh" or "2.1 kWh"."""
    return (
        pl.when(watt_hours.abs() < 100)
        .then(phrase("{} Wh", whole(watt_hours)))
        .otherwise(phrase("{} kWh", decimals(watt_hours / 1000, 1)))
    )


def money(amount: pl.Expr, currency: pl.Expr) -> pl.Expr:
    """An amount as "1.02 EUR"."""
    return phrase("{} {}", decimals(amount, 2), currency)


def day(local_date: pl.Expr) -> pl.Expr:
    """A local date as "14 March"."""
    return local_date.dt.strftime("%-d %B")


def day_and_year(local_date: pl.Expr) -> pl.Expr:
    """A local date as "14 March 2026"."""
    return local_date.dt.strftime("%-d %B %Y")


def counted(count: pl.Expr, one: str, many: str) -> pl.Expr:
    """A count with its noun: "1 run", "5 runs"."""
    return phrase("{} {}", whole(count), pl.when(count == 1).then(pl.lit(one)).otherwise(pl.lit(many)))


def rfc3339(ts: pl.Expr) -> pl.Expr:
    """A naive UTC instant as RFC 3339 with `Z`."""
    return ts.dt.strftime("%Y-%m-%dT%H:%M:%S%.fZ")


def evidence(**values: pl.Expr) -> pl.Expr:
    """The named values as one JSON object."""
    named = [value.alias(name) for name, value in values.items()]
    return pl.struct(named).struct.json_encode()


def with_clock(frame: pl.DataFrame, columns: Mapping[str, str], pattern: str = "%H:%M") -> pl.DataFrame:
    """`frame` with naive UTC instants shown at the zone of its `timezone` column.

    `columns` maps an instant's column to the text column to add; `pattern` is a strftime pattern.
    """
    if frame.is_empty():
        return frame.with_columns(pl.lit(None, pl.String).alias(name) for name in columns.values())
    parts = []
    for (zone,), part in frame.with_row_index("_row").partition_by("timezone", as_dict=True).items():
        local = [
            pl.col(ts)
            .dt.replace_time_zone("UTC")
            .dt.convert_time_zone(str(zone))
            .dt.strftime(pattern)
            .alias(name)
            for ts, name in columns.items()
        ]
        parts.append(part.with_columns(local))
    return pl.concat(parts).sort("_row").drop("_row")


def _grouped(number: pl.Expr) -> pl.Expr:
    """Digits of a whole number of at least 0, by threes from the right."""
    backwards = number.cast(pl.String).str.reverse().str.replace_all(r"(\d{3})", "${1}" + THIN)
    return backwards.str.strip_chars_end(THIN).str.reverse()


def _sign(below_zero: pl.Expr) -> pl.Expr:
    return pl.when(below_zero).then(pl.lit(MINUS)).otherwise(pl.lit(""))
