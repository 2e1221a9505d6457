"""What overrides the surplus in each cell of a site's grid, what a kWh costs there, and which half it
belongs to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import time
from typing import Any

import numpy as np
from coilbook.analytics.replay.calendar import (
    Days,
    Price,
    Window,
    by_key,
    in_force,
    occasions,
    on_days,
    wall_instants,
)
from coilbook.analytics.replay.grid import Grid, paint
from coilbook.analytics.replay.kernel import FREE, HOLE, LOCKOUT, RUN_WINDOW
from numba import njit
from numpy.typing import NDArray

NO_PRICE = 255
_MIDNIGHT = time(0)

Codes = NDArray[np.uint8]
Instants = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Prices:
    """`classes` (n,): index into the prices a kWh [currency] or NO_PRICE; one `currency`, '' where none."""

    classes: Codes
    buy_per_kwh: NDArray[np.float64]
    sell_per_kwh: NDArray[np.float64]
    currency: str


def halves(grid: Grid, days: Days) -> Codes:
    """0 and 1 by turns for weeks of the site's calendar, Monday to Sunday (n,)."""
    weeks = np.array([(days.first.toordinal() - 1 + k) // 7 for k in range(len(days))])
    return _by_day(grid, days, (weeks % 2).astype(np.uint8))


def within_months(grid: Grid, days: Days, months: Sequence[int]) -> Mask:
    """Which cells lie in the given months (1 to 12) of the site's calendar (n,)."""
    dates = np.datetime64(days.first, "D") + np.arange(len(days))
    month = dates.astype("datetime64[M]").astype(np.int64) % 12 + 1
    return _by_day(grid, days, np.isin(month, list(months)).astype(np.uint8)).astype(np.bool_)


def _by_day(grid: Grid, days: Days, values: Codes) -> Codes:
    out = np.zeros(grid.n, np.uint8)
    edges = grid.cells(wall_instants(days, _MIDNIGHT))
    paint(out, edges[:-1], edges[1:], values)
    return out


def price_classes(grid: Grid, days: Days, rows: Sequence[Price]) -> Prices:
    """The tariff of a site on its grid.

    Of spans that overlap, the one that began last holds, as in the facts; of those that began together the
    one that ends first, then the dearer one.
    """
    kinds = sorted({(row.buy_per_kwh, row.sell_per_kwh) for row in rows})
    if len(kinds) > NO_PRICE:
        raise ValueError(f"a tariff of {len(kinds)} different prices is too fine to replay")
    spans = [np.empty((0, 3), np.int64)]
    for history in by_key(rows, "days", "start"):
        for row, mask in zip(history, in_force(days, history), strict=True):
            held = mask & on_days(days, row.days)
            begins, ends = (instants[held] for instants in occasions(days, row))
            value = kinds.index((row.buy_per_kwh, row.sell_per_kwh))
            spans.append(np.stack([begins, ends, np.full(len(begins), value)], axis=1))
    begins, ends, values = np.concatenate(spans).T
    order = np.lexsort((values, -ends, begins))  # kinds rise with the price bought; what holds comes last
    out = np.full(grid.n, NO_PRICE, np.uint8)
    paint(out, grid.cells(begins[order]), grid.cells(ends[order]), values[order].astype(np.uint8))
    buy, sell = (np.array([kind[k] for kind in kinds]) for k in (0, 1))
    return Prices(out, buy, sell, rows[0].currency if rows else "")


def circuit_gates(grid: Grid, days: Days, windows: Sequence[Window], shed: Mask, holes: Mask) -> Codes:
    """The gate of each cell: hole before lockout (or shed) before run window before free.

    A run window with a need is in force from its start until the need is met: that is what a clock does
    with it.
    """
    out = np.full(grid.n, FREE, np.uint8)
    for kind, gate in (("run", RUN_WINDOW), ("lockout", LOCKOUT)):
        for history in by_key([w for w in windows if w.kind == kind], "window_id"):
            for row, mask in zip(history, in_force(days, history), strict=True):
                begins, ends = occasions(days, row)
                if row.need_s is not None:
                    ends = np.minimum(ends, begins + round(row.need_s * 1e6))
                _paint(out, grid, (begins, ends), mask & on_days(days, row.days), gate)
    out[shed] = LOCKOUT
    out[holes] = HOLE
    return out


def _paint(out: Codes, grid: Grid, spans: tuple[Instants, Instants], mask: Mask, value: int) -> None:
    begins, ends = grid.cells(spans[0][mask]), grid.cells(spans[1][mask])
    paint(out, begins, ends, np.full(len(begins), value, np.uint8))


@njit(cache=True, nogil=True)
def covered_cells(gates: Codes, halves: Codes, prices: Codes) -> Any:
    """Cells of each half outside holes (2,), and whether one of them has no price."""
    count, unpriced = np.zeros(2, np.int64), False
    for i in range(len(gates)):
        if gates[i] != HOLE:
            count[halves[i]] += 1
            unpriced |= prices[i] == NO_PRICE
    return count, unpriced
