"""Power logs out of the store, several neighbouring sites at a time.

Nightly loads lie in the store sorted by site within each night, so that the samples of neighbouring
sites lie together: reading them in one query costs little more than reading one of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

import numpy as np
from coilbook.ingest.store import Session
from numpy.typing import NDArray

ROWS_AT_ONCE = 4_000_000
MOST_SITES_AT_ONCE = 16
NO_PV: NDArray[np.float32] = np.empty(0, np.float32)

# Net is what would flow out: generation and battery less all consumption, or the export itself. Other sites
# are left out last, when a row is narrow; columns that are hardly ever wanted are not read.
POWER = """
SELECT * FROM (
    SELECT
        CAST(list_position($sites, site_id) AS UTINYINT) AS code,
        ts,
        CAST(coalesce(pv_w + coalesce(battery_w, 0) - house_w, -grid_w, 'nan') AS FLOAT) AS net_w,
        CAST(coalesce(house_w, pv_w + grid_w + coalesce(battery_w, 0), 'nan') AS FLOAT) AS house_w
    FROM power_log
    WHERE site_id BETWEEN $first_site AND $last_site AND ts >= $first AND ts < $stop
)
WHERE code > 0
"""
POWER_AND_PV = """
SELECT * FROM (
    SELECT
        CAST(list_position($sites, site_id) AS UTINYINT) AS code,
        ts,
        CAST(coalesce(pv_w + coalesce(battery_w, 0) - house_w, -grid_w, 'nan') AS FLOAT) AS net_w,
        CAST(coalesce(house_w, pv_w + grid_w + coalesce(battery_w, 0), 'nan') AS FLOAT) AS house_w,
        CAST(coalesce(pv_w, house_w - grid_w - coalesce(battery_w, 0), 'nan') AS FLOAT) AS pv_w
    FROM power_log
    WHERE site_id BETWEEN $first_site AND $last_site AND ts >= $first AND ts < $stop
)
WHERE code > 0
"""
ISLANDED = """
SELECT site_id, epoch_us(ts) AS ts_us FROM power_log
WHERE islanded AND site_id BETWEEN $first_site AND $last_site AND ts >= $first AND ts < $stop
"""


@dataclass(frozen=True)
class PowerLog:
    """Samples of one site by time:

    `ts_us` [us since 1970, UTC], powers [W] (NaN = not known), `islanded` 0 or 1.
    """

    site_id: str
    ts_us: NDArray[np.int64]
    net_w: NDArray[np.float32]
    house_w: NDArray[np.float32]
    pv_w: NDArray[np.float32]
    islanded: NDArray[np.uint8]


def groups(session: Session, sites: Sequence[str]) -> list[list[str]]:
    """`sites` in order, in groups small enough to be read at once."""
    found = session.one("SELECT (SELECT count(*) FROM power_log), (SELECT count(DISTINCT site_id) FROM site)")
    rows, count = found or (0, 0)
    size = max(1, min(MOST_SITES_AT_ONCE, ROWS_AT_ONCE * max(1, count) // max(1, rows)))
    ordered = sorted(sites)
    return [ordered[k : k + size] for k in range(0, len(ordered), size)]


def power_logs(
    session: Session, sites: Sequence[str], first: datetime, stop: datetime, with_pv: bool = False
) -> Iterator[PowerLog]:
    """The power logs of `sites` within [first, stop) (naive UTC), in that order; empty where a site has
    none.

    `pv_w` is read only `with_pv`, and empty otherwise.
    """
    values: dict[str, Any] = {"first_site": min(sites), "last_site": max(sites), "first": first, "stop": stop}
    alone = session.frame(ISLANDED, values).partition_by("site_id", as_dict=True)
    frame = session.frame(POWER_AND_PV if with_pv else POWER, values | {"sites": list(sites)})
    codes = frame["code"].to_numpy()
    columns = [frame["ts"].to_physical(), *(frame[name] for name in frame.columns[2:])]
    arrays = [column.to_numpy() for column in columns]
    del frame, columns
    stretches = _stretches(codes, arrays[0])
    for k, site_id in enumerate(sites):
        log = _in_time(site_id, [_joined(array, stretches.get(k + 1, [])) for array in arrays])
        if (site_id,) in alone:
            log.islanded[np.isin(log.ts_us, alone[(site_id,)]["ts_us"].to_numpy())] = 1
        yield log


def _stretches(codes: NDArray[np.uint8], ts: NDArray[np.int64]) -> dict[int, list[slice]]:
    """The rows of each site as stretches that rise in time, those by their begin.

    Nightly loads leave the rows of the sites by turns.
    """
    cuts = np.flatnonzero((codes[1:] != codes[:-1]) | (ts[1:] < ts[:-1])) + 1
    edges = [0, *cuts.tolist(), len(codes)]
    found: dict[int, list[slice]] = {}
    for a, b in sorted(((a, b) for a, b in pairwise(edges) if b > a), key=lambda part: ts[part[0]]):
        found.setdefault(int(codes[a]), []).append(slice(a, b))
    return found


def _joined(array: NDArray[Any], parts: list[slice]) -> NDArray[Any]:
    if len(parts) == 1:
        return array[parts[0]]
    return np.concatenate([array[part] for part in parts]) if parts else array[:0]


def _in_time(site_id: str, arrays: list[NDArray[Any]]) -> PowerLog:
    ts = arrays[0]
    if len(ts) > 1 and not (ts[1:] > ts[:-1]).all():
        order = np.argsort(ts, kind="stable")
        arrays = [array[order] for array in arrays]
    pv_w = arrays[3] if len(arrays) > 3 else NO_PV
    return PowerLog(site_id, arrays[0], arrays[1], arrays[2], pv_w, np.zeros(len(ts), np.uint8))
