"""Rows into a store, facts out of it, and the cells in which two readings differ."""

from __future__ import annotations

from dataclasses import asdict, fields
from datetime import date, datetime
from math import isclose, isnan
from typing import Any

import numpy as np
import polars as pl
from coilbook.analytics.clear_sky import expectation
from coilbook.ingest.schema import BY_NAME
from coilbook.ingest.store import Session, Store

from reference.clock import date_at, dates
from reference.coverage import Fact
from reference.rows import (
    CircuitRow,
    Fleet,
    MeterSample,
    PowerSample,
    ServiceEntry,
    SiteRow,
    StatusReport,
    SwitchEvent,
    TariffRow,
    WindowRow,
)
from reference.surplus_start import ClearExpectation

TABLES = {
    "switch": "switch_log",
    "power": "power_log",
    "meter": "circuit_power_log",
    "status": "status_log",
    "service": "service_log",
    "sites": "site",
    "circuits": "circuit",
    "windows": "schedule",
    "tariffs": "tariff",
}
RECORDS: dict[str, Any] = {
    "switch": SwitchEvent,
    "power": PowerSample,
    "meter": MeterSample,
    "status": StatusReport,
    "service": ServiceEntry,
    "sites": SiteRow,
    "circuits": CircuitRow,
    "windows": WindowRow,
    "tariffs": TariffRow,
}
TYPES: dict[str, Any] = {
    "VARCHAR": pl.String,
    "BIGINT": pl.Int64,
    "DOUBLE": pl.Float64,
    "BOOLEAN": pl.Boolean,
    "TIMESTAMP": pl.Datetime("us"),
    "DATE": pl.Date,
    "TIME": pl.Time,
}


def put(store: Store, fleet: Fleet, load_id: int = 1) -> None:
    """Append the rows of a fleet and mark the local days that they touch."""
    with store.writing() as session:
        for name, table in TABLES.items():
            _append(session, table, [asdict(row) for row in getattr(fleet, name)], load_id)
        marks = [{"site_id": site_id, "local_date": day} for site_id, day in sorted(touched(session, fleet))]
        _append(session, "dirty_day", marks, load_id)


def _append(session: Session, table: str, rows: list[dict[str, Any]], load_id: int) -> None:
    columns = {c.name: TYPES[c.type] for c in BY_NAME[table].columns}
    full = [{**row, "load_id": load_id} for row in rows]
    session.put(table, pl.DataFrame(full, schema=columns))


def touched(session: Session, fleet: Fleet) -> set[tuple[str, date]]:
    """(site_id, local_date) that a load marks: of log rows; of work at a circuit, and the days after it."""
    zones = dict(session.rows("SELECT site_id, timezone FROM site"))
    logs: list[Any] = [*fleet.switch, *fleet.power, *fleet.meter, *fleet.status]
    found = {(row.site_id, date_at(zones[row.site_id], row.ts)) for row in logs}
    for entry in fleet.service:
        last = session.one(LAST_ROW, {"site_id": entry.site_id})
        newest = max(entry.date, date_at(zones[entry.site_id], last[0])) if last and last[0] else entry.date
        found |= {(entry.site_id, day) for day in dates(entry.date, newest)}
    return found


LAST_ROW = """
    SELECT max(ts) FROM (
        SELECT site_id, ts FROM switch_log UNION ALL SELECT site_id, ts FROM power_log
        UNION ALL SELECT site_id, ts FROM circuit_power_log UNION ALL SELECT site_id, ts FROM status_log
    ) WHERE site_id = $site_id
"""


def fleet_of(store: Store) -> Fleet:
    """All rows of a store."""
    fleet = Fleet()
    with store.reading() as session:
        for name, table in TABLES.items():
            columns = [column.name for column in fields(RECORDS[name])]
            quoted = ", ".join(f'"{column}"' for column in columns)
            for row in session.rows(f'SELECT {quoted} FROM "{table}"'):  # noqa: S608 - names
                getattr(fleet, name).append(RECORDS[name](*row))
    return fleet


def stored(store: Store, table: str) -> list[Fact]:
    """All rows of a fact, sorted by its grain."""
    spec = BY_NAME[table]
    columns = ", ".join(f'"{name}"' for name in spec.names())
    grain = ", ".join(f'"{name}"' for name in spec.grain)
    with store.reading() as session:
        rows = session.rows(f'SELECT {columns} FROM "{table}" ORDER BY {grain}')  # noqa: S608 - names
    return [dict(zip(spec.names(), row, strict=True)) for row in rows]


def same(got: object, expected: object) -> bool:
    """Equal; numbers with a fraction within 1e-6, relative or absolute."""
    if isinstance(got, float) and isinstance(expected, int | float):
        return isclose(got, expected, rel_tol=1e-6, abs_tol=1e-6)
    return got == expected


def differences(table: str, got: list[Fact], expected: list[Fact], *, exactly: bool = False) -> list[str]:
    """One line for each cell that differs and each row of one side only; columns as `expected` has them."""
    grain = BY_NAME[table].grain

    def by_key(rows: list[Fact]) -> dict[tuple[Any, ...], Fact]:
        keyed = {tuple(row[name] for name in grain): row for row in rows}
        assert len(keyed) == len(rows), f"{table}: two rows with one key"
        return keyed

    left, right = by_key(got), by_key(expected)
    lines = [f"{table} {_shown(key)}: row missing" for key in right.keys() - left.keys()]
    lines += [f"{table} {_shown(key)}: row too many: {left[key]}" for key in left.keys() - right.keys()]
    for key in left.keys() & right.keys():
        for column, value in right[key].items():
            alike = repr(left[key][column]) == repr(value) if exactly else same(left[key][column], value)
            if not alike:
                lines.append(f"{table} {_shown(key)} {column}: got {left[key][column]!r}, expected {value!r}")
    return sorted(lines)


def _shown(key: tuple[Any, ...]) -> str:
    return "(" + ", ".join(str(part) for part in key) + ")"


def clear_sky_of(store: Store) -> ClearExpectation:
    """The clear-sky expectation [W] from a store's own envelopes: (site_id, local_date, instant)."""
    with store.reading() as session:
        everywhere = session.frame("SELECT * FROM pv_envelope ORDER BY site_id, local_date")
        places = session.frame("SELECT site_id, latitude, longitude FROM site")

    by_site = {str(key[0]): part for key, part in everywhere.group_by(["site_id"], maintain_order=True)}

    def clear(site_id: str, day: date, ts: datetime) -> float | None:
        envelopes = by_site.get(site_id, everywhere.clear())
        asked = pl.DataFrame({"site_id": [site_id], "local_date": [day]})
        watts = float(expectation(envelopes, places, asked, np.array([ts], dtype="datetime64[us]"))[0])
        return None if isnan(watts) else watts

    return clear
