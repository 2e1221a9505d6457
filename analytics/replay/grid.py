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
def _median_step(ts: Array, guess: int) -> int:
    """Median distance of neighbours in sorted `ts` (at least 2); a guess that most of them equal is it."""
    equal = 0
    for i in range(1, len(ts)):
        equal += ts[i] - ts[i - 1] == guess
    if 2 * equal > len(ts) - 1:
        return guess
    return int(np.median(np.diff(ts)))


@njit(cache=True, nogil=True)
def _places(ts: Array, days: Array, step: int) -> Any:
    """Cell of each sample and the cells it may hold: three intervals of its local day (`days`: begins)."""
    cells, held = np.empty(len(ts), np.int32), np.empty(len(ts), np.int32)
    interval = step
    cell, a = 0, 0
    while a < len(ts):
        d = np.searchsorted(days, ts[a], "right")
        b = len(ts) if d == len(days) else np.searchsorted(ts, days[d], "left")
        if b - a >= LEAST_SAMPLES:
            interval = _median_step(ts[a:b], step)
        held[a:b] = max(1, (EXTENT_INTERVALS * interval + step // 2) // step)
        for i in range(a, b):
            if i > 0 and ts[i] - ts[i - 1] == step:  # spares a division
                cell += 1
            else:
                cell = (ts[i] - ts[0] + step // 2) // step
            cells[i] = cell
        a = b
    held[-1] = 1
    return cells, held


@njit(cache=True, nogil=True)
def _spread(cells: Array, held: Array, values: Array, out: Array) -> None:
    """Fill `out` (NaN where no sample holds) with the mean of the values of each cell."""
    count, filled, i = len(cells), 0, 0
    while i < count:
        while i + 1 < count and cells[i] == filled and cells[i + 1] == filled + 1:  # the log as it should be
            out[filled] = values[i]
            filled += 1
            i += 1
        cell, total, j = cells[i], values[i], i + 1
        while j < count and cells[j] == cell:
            total += values[j]
            j += 1
        stop = min(len(out), cell + held[j - 1])
        if j < count:
            stop = min(stop, cells[j])
        for k in range(filled, cell):
            out[k] = np.nan
        for k in range(cell, stop):
            out[k] = total if j == i + 1 else total / (j - i)
        filled, i = stop, j


def lay(ts_us: Instants, columns: list[Floats], days_us: Instants) -> tuple[Grid, list[Floats]]:
    """Lay float columns at sorted, distinct instants `ts_us` [us] (at least 2) on their grid.

    `days_us`: the local midnights [us]. Returns the grid and the columns (n,), NaN in holes. Raises
    ValueError where the instants span more cells than any log.
    """
    step = _median_step(ts_us, int(ts_us[1] - ts_us[0]))
    n = int((ts_us[-1] - ts_us[0] + step // 2) // step) + 1
    if n > MOST_CELLS:
        raise ValueError(f"its power log spans {n} intervals of {step / 1e6:g} s")
    cells, held = _places(ts_us, days_us, step)
    laid = [np.empty(n, np.float32) for _ in columns]
    for column, out in zip(columns, laid, strict=True):
        _spread(cells, held, column, out)
    return Grid(int(ts_us[0]), step, n), laid


@njit(cache=True, nogil=True)
def paint(out: Array, begins: Array, ends: Array, values: Array) -> None:
    """Set out[begin:end] = value for each stretch in order, later ones over earlier ones."""
    for k in range(len(begins)):
        for i in range(begins[k], ends[k]):
            out[i] = values[k]
