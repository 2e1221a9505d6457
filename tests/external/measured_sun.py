"""Measured sun, generation and a measured house, by the minute, and where each was measured.

Payerne, 1 to 15 June 2016: Baseline Surface Radiation Network (data release guidelines apply). Golden (14
October 2018) and Tucson (18 October 2018): NREL MIDC stations BMS and UAT, as shipped with pvlib
0.10.5 (BSD-3); which station is whose is from memory. SERF East, Golden, 18 and 19 March 2022: PVDAQ, shipped
with pvanalytics (MIT), so these two days run anywhere. House: UCI "Individual household electric power
consumption" (Hebrail & Berard, CC BY 4.0). All but SERF East lie beside the repository, in `shared/data`.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pvanalytics
import pytest
from coilbook.analytics.clear_sky import irradiance
from contract_store import MEASURED
from surplus_home import Home, Watts

SERF_EAST = Path(pvanalytics.__file__).parent / "data" / "serf_east_1min_ac_power.csv"

PAYERNE = Home("payerne", "Europe/Zurich", 46.815, 6.944)
GOLDEN = Home("golden", "America/Denver", 39.742, -105.18)
TUCSON = Home("tucson", "America/Phoenix", 32.229, -110.955)


class Minutes(NamedTuple):
    """One value a minute from `begin` [naive UTC] on; NaN where none was measured."""

    begin: datetime
    values: Watts

    def times(self) -> pd.DatetimeIndex:
        return pd.date_range(self.begin, periods=len(self.values), freq="1min")

    def series(self) -> pd.Series[Any]:
        return pd.Series(self.values, self.times())


def measured(name: str, column: str) -> Minutes:
    """A column of a file of `shared/data`; skips the test where it is not there."""
    path = MEASURED / f"{name}.csv.gz"
    if not path.exists():
        pytest.skip(f"no measured data: {path.name} does not lie beside the repository, in shared/data")
    return read(path, "ts", column)


def serf_east() -> Minutes:
    """AC power [W] of a roof on two clear days, a little below zero at night."""
    return read(SERF_EAST, "measured_on", "ac_power__752")


def read(path: Path, ts: str, column: str) -> Minutes:
    frame = pd.read_csv(path, usecols=[ts, column], dtype={ts: str, column: float})
    series = pd.Series(frame[column].to_numpy(), pd.DatetimeIndex(pd.to_datetime(frame[ts], utc=True)))
    whole = series.resample("1min").first()
    return Minutes(whole.index[0].tz_localize(None).to_pydatetime(), whole.to_numpy())


def clear_sky(home: Home, minutes: Minutes) -> pd.Series[Any]:
    """The product's clear-sky irradiance [W/m2] at each minute."""
    times, one = minutes.times(), np.ones(len(minutes.values))
    return pd.Series(irradiance(times.to_numpy(), one * home.latitude, one * home.longitude), times)
