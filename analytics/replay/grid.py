"""A site's samples laid on a uniform grid at the log's own interval, with its holes.

The interval is the median distance of the log's samples. Cell k begins at t0 + k x interval, t0 being
the first sample; a sample goes to the cell whose begin lies nearest and holds until the next sample's
cell, at most for three intervals of its own local day: what `coverage` calls covered. Cells outside hold
NaN. Several samples of one cell give their mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[Any]
Floats = NDArray[np.float32]
Instants = NDArray[np.int64]

EXTENT_INTERVALS = 3
LEAST_SAMPLES = 3  # of a day, for an interval of its own
MOST_CELLS = 40_000_000  # 76 years at 1 min; beyond, the log's times are broken


@dataclass(frozen=True)
class Grid:
    """A uniform grid: `t0_us` [us since 1970, UTC], `step_us` [us], `n` cells."""

    t0_us: int
    step_us: int
    n: int

    @property
    def step_s(self) -> float:
        """The interval [s]."""
        return self.step_us / 1e6

    def cells(self, instants_us: Instants) -> Instants:
        """For instants [us], the first cell that begins at or after each, within 0 and n."""
        return np.clip(-((self.t0_us - instants_us) // self.step_us), 0, self.n)


@njit(cache=True, nogil=True)
def _median_step(ts: Array) -> int:
    """Median distance of neighbours in sorted `ts` (at least 2).

    One value held by most of them is the median.
    """
    held, votes, most = 0, 0, 0
    for i in range(1, len(ts)):
        step = ts[i] - ts[i - 1]
        if votes == 0:
            held = step
        votes += 1 if step == held else -1
    for i in range(1, len(ts)):
        most += ts[i] - ts[i - 1] == held
    if 2 * most > len(ts) - 1:
        return int(held)
    return int(np.median(np.diff(ts)))


@njit(cache=True, nogil=True)
def _reaches(ts: Array, days: Array, step: int) -> Any:
    """The most time that each sample may cover: three intervals of its local day (`days`: begins, sorted)."""
    reach = np.empty(len(ts), np.int64)
    interval = step
    a = 0
    while a < len(ts):
        d = np.searchsorted(days, ts[a], "right")
        b = len(ts) if d == len(days) else np.searchsorted(ts, days[d], "left")
        if b - a >= LEAST_SAMPLES:
            interval = _median_step(ts[a:b])
        reach[a:b] = EXTENT_INTERVALS * interval
        a = b
    return reach


@njit(cache=True, nogil=True)
def _spread(ts: Array, reach: Array, step: int, values: Array, out: Array) -> None:
    """Fill `out` (NaN where no sample holds) from `values` at sorted `ts`."""
    n, count = len(out), len(ts)
    out[:] = np.nan
    i = 0
    while i < count:
        cell = (ts[i] - ts[0] + step // 2) // step
        total, j = 0.0, i
        while j < count and (ts[j] - ts[0] + step // 2) // step == cell:
            total += values[j]
            j += 1
        held = max(1, (reach[j - 1] + step // 2) // step) if j < count else 1
        stop = min(n, cell + held)
        if j < count:
            stop = min(stop, (ts[j] - ts[0] + step // 2) // step)
        out[cell:stop] = total / (j - i)
        i = j


def lay(ts_us: Instants, columns: list[Floats], days_us: Instants) -> tuple[Grid, list[Floats]]:
    """Lay float columns at sorted, distinct instants `ts_us` [us] on their grid; `days_us`: local
    midnights [us].

    Returns the grid and the columns (n,), NaN in holes. One sample alone has no interval and gives no cell.
    """
    if len(ts_us) < 2:
        return Grid(int(ts_us[0]) if len(ts_us) else 0, 60_000_000, 0), [np.empty(0, np.float32)] * len(
            columns
        )
    step = _median_step(ts_us)
    n = int((ts_us[-1] - ts_us[0] + step // 2) // step) + 1
    if n > MOST_CELLS:
        raise ValueError(f"a log of {n} intervals of {step / 1e6:g} s is too long to replay")
    reach = _reaches(ts_us, days_us, step)
    laid = [np.empty(n, np.float32) for _ in columns]
    for column, out in zip(columns, laid, strict=True):
        _spread(ts_us, reach, step, column, out)
    return Grid(int(ts_us[0]), step, n), laid


@njit(cache=True, nogil=True)
def paint(out: Array, begins: Array, ends: Array, values: Array) -> None:
    """Set out[begin:end] = value for each stretch in order, later ones over earlier ones."""
    for k in range(len(begins)):
        for i in range(begins[k], ends[k]):
            out[i] = values[k]
