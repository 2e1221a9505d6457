"""One row, judged exactly: contract columns as text in, a typed row out, or `Bad` with a reason code.

Columns are looked at in the contract's order; the subject's place in the registry comes last, so that a row
held back for an unknown circuit lacks nothing else.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from coilbook.ingest import times, values
from coilbook.ingest.kinds import Field, Kind
from coilbook.ingest.known import Known
from coilbook.ingest.values import Bad

Fields = Mapping[str, str | None]

# A wall time of a profile's own zone carries that zone along, also through quarantine.
TS_ZONE = "ts_zone"


@dataclass(frozen=True)
class Context:
    """What a row is judged against: the registry, and the moment of the load [naive UTC]."""

    known: Known
    now: datetime


@dataclass(frozen=True)
class Row:
    """A good row: the store's columns without `load_id`; `local` is set while its instant is open."""

    values: dict[str, Any]
    local: times.Local | None = None


def judge(kind: Kind, fields: Fields, context: Context) -> Row:
    """The typed row; raises `Bad`."""
    row: dict[str, Any] = {}
    for field in kind.fields:
        text = fields.get(field.name)
        text = text.strip() if text is not None else ""
        if text:
            row.update(_READ[field.read](field, text))
        elif field.must:
            raise Bad("missing_field", f"{field.name} is empty")
        else:
            row.update(_EMPTY.get(field.read, _empty)(field))
    _CHECKS.get(kind.name, _no_check)(row, context)
    site = _site(kind, row, context)
    if "site_id" in kind.table.names():
        row["site_id"] = site
    local = _settle_ts(row, fields.get(TS_ZONE), site, context) if kind.has_ts else None
    return Row(row, local)


def _settle_ts(
    row: dict[str, Any], zone_name: str | None, site: str | None, context: Context
) -> times.Local | None:
    value, is_instant = row["ts"]
    if not is_instant:
        resolved = times.resolve(value, zone_name or context.known.zones[site or ""])
        if isinstance(resolved, times.Local):
            times.check_range(resolved.first, context.now)
            row["ts"] = None
            return resolved
        value = resolved
    times.check_range(value, context.now)
    row["ts"] = value
    return None


def _site(kind: Kind, row: dict[str, Any], context: Context) -> str | None:
    if not kind.owner:
        return row.get("site_id")
    subject = row[kind.owner]
    site = context.known.sites_of(kind.owner).get(subject)
    if site is None:
        reason = "unknown_site" if kind.owner == "site_id" else "unknown_circuit"
        what = kind.owner.removesuffix("_id")
        raise Bad(reason, f"{what} {values.shown(subject)} is not in the registry", subject)
    return site


def _check_power(row: dict[str, Any], context: Context) -> None:
    if row["house_w"] is None and row["grid_w"] is None:
        raise Bad("missing_field", "house_w and grid_w are both empty; expected one of them at least")


def _check_validity(row: dict[str, Any], context: Context) -> None:
    begin, end = row["valid_from"], row["valid_to"]
    if begin and end and end < begin:
        raise Bad("out_of_range", f"valid_to {end} is before valid_from {begin}")


def _check_service(row: dict[str, Any], context: Context) -> None:
    when = datetime(row["date"].year, row["date"].month, row["date"].day)  # noqa: DTZ001 - a date, at its midnight
    times.check_range(when, context.now, "date")


def _no_check(row: dict[str, Any], context: Context) -> None:
    pass


_CHECKS: dict[str, Callable[[dict[str, Any], Context], None]] = {
    "power": _check_power,
    "service": _check_service,
    "sites": _check_validity,
    "circuits": _check_validity,
    "windows": _check_validity,
    "tariffs": _check_validity,
}


def _cause(field: Field, text: str) -> dict[str, Any]:
    word, raw = values.cause(text)
    return {"cause": word, "cause_raw": raw}


_READ: dict[str, Callable[[Field, str], dict[str, Any]]] = {
    "instant": lambda field, text: {field.name: times.read(text)},
    "text": lambda field, text: {field.name: text},
    "number": lambda field, text: {field.name: values.number(field, text)},
    "whole": lambda field, text: {field.name: values.whole(field, text)},
    "state": lambda field, text: {"closed": values.state(field, text)},
    "cause": _cause,
    "flag": lambda field, text: {field.name: values.flag(field, text)},
    "day": lambda field, text: {field.name: values.day(field, text)},
    "wall": lambda field, text: {field.name: values.wall(field, text)},
    "end": lambda field, text: {field.name: values.wall(field, text)},
    "choice": lambda field, text: {field.name: values.choice(field, text)},
    "days": lambda field, text: {field.name: values.days(field, text)},
    "zone": lambda field, text: {field.name: values.zone_name(field, text)},
}


def _empty(field: Field) -> dict[str, Any]:
    return {field.name: None}


_EMPTY: dict[str, Callable[[Field], dict[str, Any]]] = {
    "cause": lambda field: {"cause": None, "cause_raw": None},
}
