"""A home whose roof follows measured sun, and a plain controller that switches one circuit on surplus.

The controller looks at each whole minute: it closes when the two minutes past had the on level to spare,
and opens when the minute past fell under the off level, once the least run time is over.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from coilbook.ingest.store import Store
from contract_store import Row, reviewed

MINUTE = timedelta(minutes=1)
Watts = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True)
class Home:
    """Place, circuit and settings of a home with a 5 kW roof unless told otherwise."""

    site: str
    timezone: str
    latitude: float
    longitude: float
    own_w: float = 3000.0
    on_w: float = 3200.0
    off_w: float = 1500.0
    min_run: int = 30  # [min]
    min_rest: int = 5  # [min]


def switched(home: Home, surplus_w: Watts) -> list[bool]:
    """Whether the circuit is closed in each minute, given the surplus without it."""
    closed, since = False, -home.min_rest
    found = []
    for minute in range(len(surplus_w)):
        past = surplus_w[max(0, minute - 2) : minute]
        if closed and minute - since >= home.min_run and past[-1] < home.off_w:
            closed, since = False, minute
        elif not closed and minute - since >= home.min_rest and len(past) == 2 and past.min() >= home.on_w:
            closed, since = True, minute
        found.append(closed)
    return found


def files_of(home: Home, begin: datetime, pv_w: Watts, base_w: Watts) -> dict[str, list[Row]]:
    """Registry and logs; a sample a minute from `begin` [UTC] on, where generation is known."""
    closed = switched(home, np.nan_to_num(pv_w) - base_w)
    site: dict[str, object] = {"site_id": home.site, "timezone": home.timezone}
    circuit = {"circuit_id": f"{home.site}-c", "site_id": home.site, "controller_id": f"{home.site}-k"}
    settings = {"appliance": "water_heater", "rated_w": home.own_w, "surplus_on_w": home.on_w}
    settings |= {
        "surplus_off_w": home.off_w,
        "min_run_s": 60 * home.min_run,
        "min_rest_s": 60 * home.min_rest,
    }
    power: list[Row] = []
    switch: list[Row] = []
    for minute, on in enumerate(closed):
        ts = begin + MINUTE * minute
        house = base_w[minute] + home.own_w * on
        if not np.isnan(pv_w[minute]):
            sample = {"ts": ts, "site_id": home.site, "pv_w": round(float(pv_w[minute]), 3)}
            power.append({**sample, "house_w": round(float(house), 3)})
        if on != (minute > 0 and closed[minute - 1]):
            state = {"ts": ts, "circuit_id": circuit["circuit_id"], "state": "on" if on else "off"}
            switch.append({**state, "cause": "surplus", "seq": len(switch)})
    place = {"latitude": home.latitude, "longitude": home.longitude, "pv_kw": 5}
    return {"sites": [site | place], "circuits": [circuit | settings], "power": power, "switch": switch}


@contextmanager
def lived(folder: Path, home: Home, begin: datetime, pv_w: Watts, base_w: Watts) -> Iterator[Store]:
    """A reviewed store of the home's logs."""
    with reviewed(folder, files_of(home, begin, pv_w, base_w)) as store:
        yield store


def fridge(minutes: int) -> Watts:
    """A house that draws 200 W, and 120 W more for a third of each hour."""
    return np.where(np.arange(minutes) % 60 < 20, 320.0, 200.0)
