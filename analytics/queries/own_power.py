"""Power of a site's switched circuits, sample by sample."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl
from coilbook.ingest.store import Session

Floats = npt.NDArray[np.float64]

METER = """
SELECT circuit_id, ts, circuit_w FROM circuit_power_log
WHERE site_id = $site_id AND ts >= $first AND ts < $stop
ORDER BY circuit_id, ts
"""


def own_power(
    session: Session, site_id: str, samples: pl.DataFrame, runs: pl.DataFrame, circuits: pl.DataFrame
) -> Floats:
    """Sum over the circuits of their power in each sample [W], length of `samples` (`ts, stop`, sorted).

    A circuit's power is the mean of its meter's samples that begin in the extent, else `rated_w` times
    the share of the extent in which it was on; a circuit with neither counts nothing.
    """
    total = np.zeros(samples.height)
    if samples.is_empty():
        return total
    begin, stop = _seconds(samples["ts"]), _seconds(samples["stop"])
    bounds = {"site_id": site_id, "first": samples["ts"].min(), "stop": samples["stop"].max()}
    meters = session.frame(METER, bounds).partition_by("circuit_id", as_dict=True)
    ran = runs.partition_by("circuit_id", as_dict=True)
    for circuit_id, rated_w in circuits.select("circuit_id", "rated_w").iter_rows():
        power = np.zeros(samples.height)
        if (circuit_id,) in ran and rated_w is not None:
            power = rated_w * _on_share(ran[(circuit_id,)], begin, stop)
        if (circuit_id,) in meters:
            measured = _metered(meters[(circuit_id,)], begin, stop)
            power = np.where(np.isnan(measured), power, measured)
        total += power
    return total


def _on_share(runs: pl.DataFrame, begin: Floats, stop: Floats) -> Floats:
    starts, stops = _seconds(runs["start"]), _seconds(runs["stop"])
    edges = np.column_stack([starts, stops]).ravel()
    on_so_far = np.column_stack(
        [np.cumsum(stops - starts) - (stops - starts), np.cumsum(stops - starts)]
    ).ravel()
    on = np.interp(stop, edges, on_so_far) - np.interp(begin, edges, on_so_far)
    length = stop - begin
    return np.divide(on, length, out=np.zeros_like(on), where=length > 0)


def _metered(meter: pl.DataFrame, begin: Floats, stop: Floats) -> Floats:
    ts = _seconds(meter["ts"])
    sums = np.concatenate([[0.0], np.cumsum(meter["circuit_w"].fill_null(0.0).to_numpy())])
    first, last = np.searchsorted(ts, begin), np.searchsorted(ts, stop)
    count = (last - first).astype(np.float64)
    means: Floats = np.full_like(begin, np.nan)
    np.divide(sums[last] - sums[first], count, out=means, where=count > 0)
    return means


def _seconds(instants: pl.Series) -> Floats:
    micros: Floats = instants.cast(pl.Datetime("us")).to_physical().to_numpy().astype(np.float64)
    return micros / 1e6
