"""A small invented fleet put straight into a store: one pool pump a site, without a minimum run."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from coilbook.ingest.schema import BY_NAME
from coilbook.ingest.store import Store

T0 = datetime(2026, 3, 1, 6)  # noqa: DTZ001 - midnight in Chicago
RATED_W = 1500.0


def registry_frame(table: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows of a registry table; columns left out are empty."""
    kinds = {
        "VARCHAR": pl.String,
        "BIGINT": pl.Int64,
        "DOUBLE": pl.Float64,
        "BOOLEAN": pl.Boolean,
        "DATE": pl.Date,
        "TIME": pl.Time,
        "TIMESTAMP": pl.Datetime("us"),
    }
    schema = {c.name: kinds[c.type] for c in BY_NAME[table].columns}
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def sun_w(days: int, peak_w: float, broken: float, seed: int, step_s: int = 60) -> np.ndarray[Any, Any]:
    """PV over whole days [W]: half a sine from 06 to 18 h, cut to a quarter in a share `broken` of 10 min."""
    per_day = 86400 // step_s
    hour = (np.arange(days * per_day) % per_day) * step_s / 3600
    clear = peak_w * np.maximum(0.0, np.sin((hour - 6) / 12 * np.pi))
    generator = np.random.default_rng(seed)
    shade = np.where(generator.random(days * 144) < broken, 0.25, 1.0)
    return clear * np.repeat(shade, 600 // step_s)


def power_frame(site_id: str, pv_w: Any, house_w: Any, t0: datetime = T0, step_s: int = 60) -> pl.DataFrame:
    """Rows of the power log, grid_w from the balance."""
    n = len(pv_w)
    ts = np.datetime64(t0, "us") + np.arange(n) * np.timedelta64(step_s, "s")
    return pl.DataFrame(
        {
            "site_id": [site_id] * n,
            "ts": ts,
            "pv_w": np.asarray(pv_w, float),
            "house_w": np.asarray(house_w, float),
            "grid_w": np.asarray(house_w, float) - np.asarray(pv_w, float),
            "load_id": np.ones(n, np.int64),
        }
    )


def add_site(
    store: Store, k: int, days: int, broken: float, *, area: str = "north", with_power: bool = True
) -> None:
    """Site S{k:03d} with circuit S{k:03d}-c1, in Chicago; its pump stood still while logged."""
    site_id = f"S{k:03d}"
    with store.writing() as session:
        site = {
            "site_id": site_id,
            "name": site_id,
            "area": area,
            "timezone": "America/Chicago",
            "pv_kw": 5.0 + k % 3,
            "battery_kwh": 10.0 if k % 2 else None,
            "tariff_id": "T1",
        }
        session.put("site", registry_frame("site", [site]))
        circuit = {
            "circuit_id": f"{site_id}-c1",
            "site_id": site_id,
            "controller_id": f"{site_id}-k",
            "appliance": "pool_pump",
            "rated_w": RATED_W,
            "load_a": 6.2,
            "mech_life_ops": 100_000.0,
            "min_run_s": 0.0,
            "min_rest_s": 0.0,
            "shed_when_islanded": True,
        }
        session.put("circuit", registry_frame("circuit", [circuit]))
        lock = {
            "circuit_id": f"{site_id}-c1",
            "window_id": "k1",
            "kind": "lockout",
            "days": "daily",
            "start": time(17),
            "end": time(21),
        }
        session.put("schedule", registry_frame("schedule", [lock]))
        if with_power:
            pv = sun_w(days, 4000.0 + 100 * (k % 5), broken, k)
            house = 400.0 + 50.0 * np.random.default_rng(1000 + k).random(len(pv))
            session.put("power_log", power_frame(site_id, pv, house))


def add_tariff(store: Store, currency: str = "EUR") -> None:
    """Tariff T1: 0.18 a kWh, 0.42 from 17 to 21 h, 0.05 for export."""
    bounds = ((time(0), time(17), 0.18), (time(17), time(21), 0.42), (time(21), time(0), 0.18))
    rows = [
        {
            "tariff_id": "T1",
            "days": "daily",
            "start": start,
            "end": end,
            "import_per_kwh": price,
            "export_per_kwh": 0.05,
            "currency": currency,
        }
        for start, end, price in bounds
    ]
    with store.writing() as session:
        session.put("tariff", registry_frame("tariff", rows))


def small_fleet(path: Path, sites: int = 10, days: int = 30, broken: float = 0.4) -> Store:
    """An open store at `path` with `sites` sites in two areas."""
    store = Store.open(path)
    add_tariff(store)
    for k in range(sites):
        add_site(store, k, days, broken, area="north" if k < sites // 2 else "south")
    return store


def day(year: int, month: int, number: int) -> date:
    """A date, for short test lines."""
    return datetime(year, month, number, tzinfo=UTC).date()
