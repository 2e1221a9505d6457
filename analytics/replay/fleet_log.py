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

# Net is what would flow out: generation and battery less all consumption, or the export itself.
POWER = """
SELECT
    CAST(list_position($sites, site_id) AS UTINYINT) AS code,
    ts,
    CAST(coalesce(pv_w + coalesce(battery_w, 0) - house_w, -grid_w, 'nan') AS FLOAT) AS net_w,
    CAST(coalesce(house_w, pv_w + grid_w + coalesce(battery_w, 0), 'nan') AS FLOAT) AS house_w,
    CAST(
        CASE WHEN $with_pv THEN coalesce(pv_w, house_w - grid_w - coalesce(battery_w, 0)) ELSE 'nan' END
        AS FLOAT
    ) AS pv_w,
    CAST(coalesce(islanded, false) AS UTINYINT) AS islanded
FROM power_log
WHERE site_id BETWEEN $first_site AND $last_site AND ts >= $first AND ts < $stop AND code > 0
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

    `pv_w` is read only `with_pv`.
    """
    values: dict[str, Any] = {"sites": list(sites), "first_site": min(sites), "last_site": max(sites)}
    values |= {"first": first, "stop": stop, "with_pv": with_pv}
    frame = session.frame(POWER, values)
    codes = frame["code"].to_numpy()
    columns = [frame["ts"].to_physical(), *(frame[name] for name in ("net_w", "house_w", "pv_w", "islanded"))]
    arrays = [column.to_numpy() for column in columns]
    del frame, columns
    turns = np.flatnonzero(np.diff(codes)) + 1
    if len(turns) >= len(sites):  # rows of the sites take turns, as nightly loads leave them
        order = np.argsort(codes, kind="stable")
        codes, arrays = codes[order], [array[order] for array in arrays]
        turns = np.flatnonzero(np.diff(codes)) + 1
    edges = [0, *turns.tolist(), len(codes)]
    parts = {int(codes[a]): slice(a, b) for a, b in pairwise(edges) if b > a}
    for k, site_id in enumerate(sites):
        yield _in_time(site_id, [array[parts.get(k + 1, slice(0, 0))] for array in arrays])


def _in_time(site_id: str, arrays: list[NDArray[Any]]) -> PowerLog:
    ts = arrays[0]
    if len(ts) > 1 and not (ts[1:] > ts[:-1]).all():
        order = np.argsort(ts, kind="stable")
        arrays = [array[order] for array in arrays]
    return PowerLog(site_id, *arrays)
