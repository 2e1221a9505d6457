"""The registry as a replay needs it:

newest rows of sites and circuits, windows and prices with their history.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from coilbook.analytics.replay.calendar import Price, Window, ended
from coilbook.ingest.schema import BY_NAME
from coilbook.ingest.store import Session

SITES = """
SELECT site_id, area, timezone, pv_kw, coalesce(battery_kwh, 0) > 0 AS battery, tariff_id FROM site
QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
ORDER BY site_id
"""
CIRCUITS = """
SELECT
    circuit_id, site_id, appliance, rated_w, load_a, mech_life_ops, elec_life_ops, elec_life_a,
    coalesce(min_run_s, 0) AS min_run_s, coalesce(min_rest_s, 0) AS min_rest_s,
    coalesce(shed_when_islanded, false) AS shed, valid_to,
    surplus_on_w IS NOT NULL
    OR circuit_id IN (SELECT circuit_id FROM run WHERE cause_on = 'surplus') AS follows
FROM circuit
QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1
ORDER BY circuit_id
"""
WINDOWS = """
SELECT circuit_id, days, start, "end", valid_from, valid_to, window_id, kind, need_minutes * 60 FROM schedule
ORDER BY ALL
"""
PRICES = """
SELECT tariff_id, days, start, "end", valid_from, valid_to, import_per_kwh, coalesce(export_per_kwh, 0),
currency FROM tariff WHERE import_per_kwh IS NOT NULL ORDER BY ALL
"""


@dataclass(frozen=True)
class Site:
    """Newest registry row of a site; `pv_kw` [kW]."""

    site_id: str
    area: str | None
    timezone: str
    pv_kw: float | None
    battery: bool
    tariff_id: str | None


@dataclass(frozen=True)
class Circuit:
    """Newest registry row of a circuit, columns and units as in the schema; empty run and rest are 0 s.

    `follows`: its controller follows surplus: an on level in the registry, or a start on surplus in its log.
    """

    circuit_id: str
    site_id: str
    appliance: str
    rated_w: float | None
    load_a: float | None
    mech_life_ops: float | None
    elec_life_ops: float | None
    elec_life_a: float | None
    min_run_s: float
    min_rest_s: float
    shed: bool
    valid_to: date | None
    follows: bool = False


@dataclass(frozen=True)
class Registry:
    """Sites by id, circuits in order of their id, windows by circuit, prices by tariff."""

    sites: dict[str, Site]
    circuits: tuple[Circuit, ...]
    windows: dict[str, list[Window]]
    prices: dict[str, list[Price]]


def read_registry(session: Session) -> Registry:
    """The registry of the whole fleet."""
    windows: dict[str, list[Window]] = {}
    for circuit_id, days, start, end, valid_from, valid_to, window_id, kind, need_s in session.rows(WINDOWS):
        row = Window(days, start, end, valid_from, valid_to, window_id, kind, need_s)
        windows.setdefault(circuit_id, []).append(row)
    prices: dict[str, list[Price]] = {}
    for tariff_id, *values in session.rows(PRICES):
        prices.setdefault(tariff_id, []).append(Price(*values))
    windows = {circuit_id: ended(rows) for circuit_id, rows in windows.items()}
    prices = {tariff_id: ended(rows) for tariff_id, rows in prices.items()}
    sites = {row[0]: Site(*row) for row in session.rows(SITES)}
    circuits = tuple(Circuit(*row) for row in session.rows(CIRCUITS))
    return Registry(sites, tuple(c for c in circuits if c.site_id in sites), windows, prices)


def circuit_columns() -> list[str]:
    """The columns of the registry's circuits file, in its order."""
    return [name for name in BY_NAME["circuit"].names() if name != "load_id"]
