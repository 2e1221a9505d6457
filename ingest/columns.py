"""Rows judged column-wise: the regular majority of a block, with the same outcome as `rows.judge` has.

A row is regular where every column has a shape that needs no second look; only then its values are taken.
All other rows, good or bad, are left for the exact judge.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import polars as pl
from coilbook.ingest import values
from coilbook.ingest.kinds import CAUSES, Field, Kind
from coilbook.ingest.rows import TS_ZONE, Context
from coilbook.ingest.times import AHEAD, EARLIEST

COLUMN_WISE = ("switch", "power", "circuit_power", "status")

SAMPLE = 4096
_SECONDS = r"([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]"
_UTC = rf"^[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}}T{_SECONDS}Z$"
_ANY = (
    r"^([0-9]{4}-[0-9]{2}-[0-9]{2}T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9])(?:\.([0-9]{1,6}))?"
    r"(Z|[+-](?:[01][0-9]|2[0-3]):[0-5][0-9])?$"
)
_FORM = "%Y-%m-%dT%H:%M:%S"


def judge(kind: Kind, text: pl.DataFrame, context: Context) -> tuple[pl.DataFrame, pl.Series]:
    """Typed columns of all rows of contract text, and which rows are regular; others' values mean nothing."""
    sites = context.known.sites_of(kind.owner)
    site = text[kind.owner].replace_strict(sites, default=None, return_dtype=pl.String)
    parts: list[pl.Series] = []
    regular = site.is_not_null()
    for field in kind.fields:
        if field.read == "instant":
            ts = _instants(text, site, context.known.zones)
            parts.append(ts)
            regular &= ts.is_between(EARLIEST, context.now + AHEAD).fill_null(False)
        elif field.name in text.columns:
            good, columns = _READ[field.read](field, text[field.name])
            parts.extend(columns)
            regular &= good
            if field.must:
                regular &= columns[0].is_not_null()
        else:
            parts.extend(_absent(field, text.height))
    if kind.owner != "site_id":
        parts.append(site.alias("site_id"))
    frame = pl.DataFrame(parts)
    if kind.name == "power":
        regular &= frame["house_w"].is_not_null() | frame["grid_w"].is_not_null()
    return frame, regular


def _instants(text: pl.DataFrame, site: pl.Series, zones: Mapping[str, str]) -> pl.Series:
    """Naive UTC instants; null where a second look is needed."""
    ts = text["ts"]
    found = _by_words(ts)
    places = found.is_null().arg_true()
    if not len(places):
        return found
    zone = site.replace_strict(dict(zones), default=None, return_dtype=pl.String)
    if TS_ZONE in text.columns:
        zone = text.select(pl.coalesce(TS_ZONE, zone)).to_series()
    rest = pl.DataFrame({"ts": ts, "zone": zone})[places]
    return found.scatter(places, _other_shapes(rest))


def _by_words(ts: pl.Series) -> pl.Series:
    """Instants of texts in the usual shape; where a text comes many times, it is read once."""
    if len(ts) < 4 * SAMPLE or ts.gather_every(len(ts) // SAMPLE).n_unique() > SAMPLE // 2:
        return _usual(ts)
    encoded = ts.to_arrow().dictionary_encode()
    words, places = pl.Series("ts", encoded.dictionary, pl.String), pl.Series(encoded.indices)
    return _usual(words).gather(places)


def _usual(ts: pl.Series) -> pl.Series:
    instants = ts.str.to_datetime(_FORM + "Z", time_unit="us", strict=False)
    usual = ts.str.contains(_UTC).fill_null(False)
    return instants if usual.all() else instants.set(~usual, None)


def _other_shapes(rest: pl.DataFrame) -> pl.Series:
    parts = rest.select(
        pl.col("ts").str.extract(_ANY, 1).str.to_datetime(_FORM, time_unit="us", strict=False).alias("wall"),
        pl.col("ts").str.extract(_ANY, 2).str.pad_end(6, "0").cast(pl.Int64).fill_null(0).alias("micros"),
        pl.col("ts").str.extract(_ANY, 3).alias("offset"),
        "zone",
    ).with_columns((pl.col("wall") + pl.duration(microseconds="micros")).alias("wall"))
    sign = pl.when(pl.col("offset").str.starts_with("-")).then(-1).otherwise(1)
    minutes = pl.col("offset").str.slice(1, 2).cast(pl.Int64, strict=False) * 60 + pl.col("offset").str.slice(
        4, 2
    ).cast(pl.Int64, strict=False)
    offset = pl.when(pl.col("offset") == "Z").then(0).otherwise(sign * minutes)
    found = parts.select((pl.col("wall") - pl.duration(minutes=offset)).alias("ts"))["ts"]
    for name in parts.filter(pl.col("offset").is_null())["zone"].drop_nulls().unique().to_list():
        here = (pl.col("zone") == name) & pl.col("offset").is_null()
        there = parts.select(
            pl.when(here)
            .then(pl.col("wall"))
            .dt.replace_time_zone(name, ambiguous="null", non_existent="null")
            .dt.convert_time_zone("UTC")
            .dt.replace_time_zone(None)
            .alias("ts")
        )["ts"]
        found = found.zip_with(there.is_null(), there)
    return found


def _text(field: Field, text: pl.Series) -> tuple[pl.Series, list[pl.Series]]:
    column = text.str.strip_chars()
    if field.must or not (column == "").any():
        return column.ne_missing(""), [column]
    return column.ne_missing(""), [column.set(column == "", None)]


def _number(field: Field, text: pl.Series) -> tuple[pl.Series, list[pl.Series]]:
    column = text.cast(pl.Float64, strict=False)
    good = column.is_between(field.low, field.high).fill_null(False)
    return good | text.is_null(), [column]


def _whole(field: Field, text: pl.Series) -> tuple[pl.Series, list[pl.Series]]:
    column = text.cast(pl.Int64, strict=False)
    good = column.is_between(int(max(field.low, -(2**62))), int(min(field.high, 2**62))).fill_null(False)
    return good | text.is_null(), [column]


def _word(field: Field, text: pl.Series) -> tuple[pl.Series, list[pl.Series]]:
    words = values.STATES if field.read == "state" else values.FLAGS
    name = "closed" if field.read == "state" else field.name
    column = text.str.to_lowercase().replace_strict(words, default=None, return_dtype=pl.Boolean).alias(name)
    return column.is_not_null() | text.is_null(), [column]


def _cause(field: Field, text: pl.Series) -> tuple[pl.Series, list[pl.Series]]:
    column = text.str.to_lowercase()
    return column.is_in(CAUSES) | text.is_null(), [
        column,
        pl.Series("cause_raw", [None], pl.String).new_from_index(0, len(text)),
    ]


_READ: dict[str, Callable[[Field, pl.Series], tuple[pl.Series, list[pl.Series]]]] = {
    "text": _text,
    "number": _number,
    "whole": _whole,
    "state": _word,
    "flag": _word,
    "cause": _cause,
}
_TYPES = {"number": pl.Float64, "whole": pl.Int64, "state": pl.Boolean, "flag": pl.Boolean}


def _absent(field: Field, height: int) -> list[pl.Series]:
    names = ["cause", "cause_raw"] if field.read == "cause" else [field.name]
    dtype = _TYPES.get(field.read, pl.String)
    return [pl.Series(name, [None], dtype).new_from_index(0, height) for name in names]
