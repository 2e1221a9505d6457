"""A circuit taken out of its house: its own power, and the surplus that would have been there without it.

`surplus_w` = pv + battery - (house - own power as it was drawn), by sample: what would flow out were the
circuit off and the battery to go on as it did. Own power is the circuit's meter; else its learned step
times the share of the sample in which it was on; else `rated_w` times that share. A replay needs one
number for what the appliance draws while closed: the median of the meter over cells wholly on, else the
learned step, else `rated_w`.

A circuit is left out where nothing says its power, or where the house does not show it: its closings were
seen as absent, or what is left of the house goes under zero by a tenth of its power in most of its on-time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from coilbook.analytics.replay.grid import Grid
from coilbook.ingest.store import Session
from numba import njit
from numpy.typing import NDArray

LEAST_CHECKS = 5
ABSENT_SHARE = 0.8
LEAST_CELLS = 10
DRAWS_W = 50.0  # a reading up to 50 W on a circuit is the coil (common practice)
UNDER_ZERO = 0.1
WHOLLY = 0.999
UNDER_ZERO_SHARE = 0.5

RUNS = """
SELECT circuit_id, epoch_us(start) AS start_us, epoch_us(coalesce("end", $stop)) AS end_us
FROM run WHERE site_id IN (SELECT unnest($sites)) AND start < $stop AND coalesce("end", $stop) > $first
ORDER BY circuit_id, start
"""
METER = """
SELECT circuit_id, epoch_us(ts) AS ts_us, circuit_w
FROM circuit_power_log
WHERE site_id IN (SELECT unnest($sites)) AND ts >= $first AND ts < $stop AND circuit_w IS NOT NULL
ORDER BY circuit_id, ts
"""

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Learned:
    """What a circuit's own switching taught:

    median step [W], closings seen and absent in the house's power.
    """

    step_w: float | None
    seen: int
    absent: int


@dataclass(frozen=True)
class TakenOut:
    """A circuit's own power [W] with its `source` (meter, learned, rated), and the surplus without it
    (n,) [W].
    """

    own_w: float
    source: str
    surplus_w: Floats


def learned_steps(frame: pl.DataFrame | None) -> dict[str, Learned]:
    """By circuit, from a frame with `circuit_id, step_w [W], seen, absent` (closings counted);

    None = nothing learned.
    """
    if frame is None:
        return {}
    rows = frame.select("circuit_id", "step_w", "seen", "absent").iter_rows()
    return {circuit_id: Learned(step_w, seen, absent) for circuit_id, step_w, seen, absent in rows}


def by_circuit(session: Session, query: str, values: dict[str, Any]) -> dict[str, list[NDArray[Any]]]:
    """The rows of `RUNS` or `METER` as columns by circuit."""
    parts = session.frame(query, values).partition_by("circuit_id", as_dict=True, include_key=False)
    return {str(key[0]): [column.to_numpy() for column in part] for key, part in parts.items()}


@njit(cache=True, nogil=True)
def _add_shares(t0: int, step: int, starts: Any, ends: Any, out: Any) -> None:
    """Add to each cell the share of it that lies within the runs."""
    n = len(out)
    for k in range(len(starts)):
        a, b = max(starts[k] - t0, 0), min(ends[k] - t0, n * step)
        if b <= a:
            continue
        i, j = a // step, b // step
        if i == j:
            out[i] += (b - a) / step
            continue
        out[i] += ((i + 1) * step - a) / step
        for c in range(i + 1, j):
            out[c] += 1.0
        if j < n:
            out[j] += (b - j * step) / step


@njit(cache=True, nogil=True)
def _under_zero(house_w: Any, drawn: Any, shares: Any, limit: float) -> Any:
    """Cells wholly on with a known house, and those of them where the rest of it lies under `limit`."""
    known, under = 0, 0
    for i in range(len(shares)):
        if shares[i] > WHOLLY and not np.isnan(house_w[i]):
            known += 1
            under += house_w[i] - drawn[i] < limit
    return known, under


def on_shares(grid: Grid, runs: list[NDArray[Any]] | None) -> Floats:
    """Share of each cell in which the circuit was on (n,), from runs as begins and ends [us]."""
    shares = np.zeros(grid.n, np.float32)
    if runs is not None:
        _add_shares(grid.t0_us, grid.step_us, runs[0], runs[1], shares)
    return shares


def metered_w(grid: Grid, meter: list[NDArray[Any]]) -> Floats:
    """Mean power of the meter samples that begin in each cell (n,) [W]; NaN in cells without one."""
    ts, watts = meter
    cells = (ts - grid.t0_us) // grid.step_us
    inside = (cells >= 0) & (cells < grid.n)
    count = np.bincount(cells[inside], minlength=grid.n)
    total = np.bincount(cells[inside], weights=watts[inside], minlength=grid.n)
    means = np.full(grid.n, np.nan, np.float32)
    np.divide(total, count, out=means, where=count > 0, casting="unsafe")
    return means


def take_out(
    net_w: Floats,
    house_w: Floats,
    shares: Floats,
    meter: Floats | None,
    learned: Learned | None,
    rated_w: float | None,
) -> TakenOut | str:
    """Take a circuit out of its site's cells (n,) [W]; a text says why it cannot be done."""
    if learned is not None and learned.absent >= max(
        LEAST_CHECKS, ABSENT_SHARE * (learned.seen + learned.absent)
    ):
        return "its power is not seen in the house's (closings without a step)"
    own_w, source = _own_power(shares, meter, learned, rated_w)
    if own_w is None:
        return "its own power is not known (no meter, no learned step, no rated_w)"
    drawn = shares * np.float32(own_w)
    if meter is not None:
        drawn = np.where(np.isnan(meter), drawn, meter)
    known, under = _under_zero(house_w, drawn, shares, -UNDER_ZERO * own_w)
    if known >= LEAST_CELLS and under > UNDER_ZERO_SHARE * known:
        return "its power is not seen in the house's (the rest of the house would be negative)"
    return TakenOut(own_w, source, net_w + drawn)


def _own_power(
    shares: Floats, meter: Floats | None, learned: Learned | None, rated_w: float | None
) -> tuple[float | None, str]:
    if meter is not None:
        drawing = meter[(shares > WHOLLY) & (meter > DRAWS_W)]
        if len(drawing) >= LEAST_CELLS:
            return float(np.median(drawing)), "meter"
    if learned is not None and learned.step_w is not None and learned.step_w > DRAWS_W:
        return float(learned.step_w), "learned"
    if rated_w is not None and rated_w > 0:
        return float(rated_w), "rated"
    return None, ""
