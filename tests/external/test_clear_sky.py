"""The product's clear sky against pvlib's exact sun, another model, and measured sun.

Day classes by the variability index: clear below 2, broken above 5 (Trueblood et al. 2013, from memory); the
index itself is pvanalytics' (Stein, Hansen & Reno 2012, SAND2012-2088C), over minutes with the sun up.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest
from coilbook.analytics.clear_sky import irradiance
from measured_sun import GOLDEN, PAYERNE, TUCSON, Minutes, clear_sky, measured
from pvanalytics.metrics import variability_index
from surplus_home import Home

# name, latitude, longitude [deg], altitude [m]
PLACES = (
    ("Payerne", 46.815, 6.944, 491),
    ("Golden", 39.742, -105.18, 1829),
    ("Lord Howe", -31.5, 159.1, 10),
    ("Quito", -0.2, -78.5, 2850),
    ("Tromso", 69.6, 18.9, 10),
)
SPA_TOLERANCE = 8.0  # [W/m2]; the product takes Spencer's series without refraction
YEAR_TOLERANCE = 0.16  # of a year's energy
MONTH = ("ghi_1min_one_month_broken_and_clear", "ghi_wm2")


def year(latitude: float, longitude: float) -> tuple[pd.DatetimeIndex, np.ndarray[Any, Any]]:
    """Instants of 2026, 17 min apart, and the product's irradiance."""
    times = pd.date_range("2026-01-01", "2027-01-01", freq="17min", tz="UTC")
    one = np.ones(len(times))
    return times, irradiance(times.tz_localize(None).to_numpy(), one * latitude, one * longitude)


@pytest.mark.parametrize(("name", "latitude", "longitude", "altitude"), PLACES)
def test_the_quick_sun_is_as_good_as_the_exact_one(
    name: str, latitude: float, longitude: float, altitude: float
) -> None:
    """Haurwitz's model on NREL's solar position algorithm (Reda & Andreas 2004), both pvlib's."""
    times, got = year(latitude, longitude)
    zenith = pvlib.solarposition.spa_python(times, latitude, longitude)["apparent_zenith"]
    exact = pvlib.clearsky.haurwitz(zenith)["ghi"].to_numpy()
    assert exact.max() > 600
    assert np.abs(got - exact).max() < SPA_TOLERANCE, name


@pytest.mark.parametrize(("name", "latitude", "longitude", "altitude"), PLACES)
def test_a_year_against_a_model_that_knows_turbidity_and_altitude(
    name: str, latitude: float, longitude: float, altitude: float
) -> None:
    """Ineichen & Perez 2002 with pvlib's monthly turbidity."""
    times, got = year(latitude, longitude)
    place = pvlib.location.Location(latitude, longitude, altitude=altitude)
    other = place.get_clearsky(times, model="ineichen")["ghi"].to_numpy()
    assert got.sum() / other.sum() == pytest.approx(1, abs=YEAR_TOLERANCE), name
    assert np.corrcoef(got, other)[0, 1] > 0.995


def index_of(home: Home, minutes: Minutes) -> float:
    """Variability index over the minutes with sun."""
    sky, ghi = clear_sky(home, minutes), minutes.series()
    up = (sky > 50) & ghi.notna()
    return float(variability_index(ghi[up], sky[up]))


def test_a_clear_and_a_broken_day() -> None:
    assert index_of(TUCSON, measured("ghi_1min_clear_day", "ghi_wm2")) < 2
    assert index_of(GOLDEN, measured("ghi_1min_broken_day", "ghi_wm2")) > 5


def test_a_clear_day_follows_the_clear_sky() -> None:
    """Minutes that `detect_clearsky` (Reno & Hansen 2016) calls clear, held against another model's sky."""
    minutes = measured("ghi_1min_clear_day", "ghi_wm2")
    sky, ghi = clear_sky(TUCSON, minutes), minutes.series()
    times = minutes.times().tz_localize("UTC")
    place = pvlib.location.Location(TUCSON.latitude, TUCSON.longitude, altitude=786)
    other = place.get_clearsky(times, model="ineichen")["ghi"].to_numpy()
    up = (sky > 200).to_numpy()
    clear = pvlib.clearsky.detect_clearsky(ghi[up], pd.Series(other, ghi.index)[up], infer_limits=True)
    assert clear.mean() > 0.9
    ratio = (ghi / sky)[up][clear]
    assert ratio.median() == pytest.approx(1, abs=0.1)
    assert ratio.quantile(0.95) / ratio.quantile(0.05) < 1.1


def test_clear_minutes_of_half_a_month_and_no_others_follow_the_clear_sky() -> None:
    minutes = measured(*MONTH)
    sky, ghi = clear_sky(PAYERNE, minutes), minutes.series().ffill().fillna(0)
    up = sky > 200
    clear = pvlib.clearsky.detect_clearsky(ghi, sky, infer_limits=True)[up]
    ratio = (ghi / sky)[up]
    assert 100 < clear.sum() < 0.2 * up.sum()
    assert ratio[clear].between(0.9, 1.1).all()
    assert (~ratio[~clear].between(0.9, 1.1)).mean() > 0.8
