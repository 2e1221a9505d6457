"""How variable a site's sun is, from its own PV: a number that sorts sites by climate."""

from __future__ import annotations

from typing import Any

import numpy as np
from coilbook.analytics.replay.grid import Grid
from numpy.typing import NDArray

BIN_S = 900.0
BRIGHT = 0.1  # of the site's greatest mean; days that stay under it say nothing


def variability(pv_w: NDArray[np.float32], grid: Grid, midnights_us: NDArray[Any]) -> float:
    """Median over days of the way that 15-min means of PV go up and down, against once up and down [1].

    A cloudless day gives 1, a broken one several times that. In the manner of the variability index of
    Stein, Hansen & Reno (SAND2012-2088C), but of power, without a clear-sky model, and at one resolution
    for every log (the index depends on it). NaN where no day is bright enough.
    """
    k = max(1, round(BIN_S / grid.step_s))
    bins = grid.n // k
    if bins == 0:
        return float("nan")
    whole = pv_w[: bins * k].reshape(bins, k).astype(np.float64)
    known = ~np.isnan(whole)
    means = np.where(known, whole, 0.0).sum(axis=1) / np.maximum(1, known.sum(axis=1))
    begins = grid.t0_us + np.arange(bins) * (k * grid.step_us)
    day = np.searchsorted(midnights_us, begins, side="right")
    path, peak = np.zeros(len(midnights_us) + 1), np.zeros(len(midnights_us) + 1)
    same = day[1:] == day[:-1]
    np.add.at(path, day[1:][same], np.abs(np.diff(means))[same])
    np.maximum.at(peak, day, means)
    bright = peak > BRIGHT * means.max()
    return float(np.median(path[bright] / (2.0 * peak[bright]))) if bright.any() else float("nan")
