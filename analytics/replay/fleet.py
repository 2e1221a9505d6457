"""The fleet replayed site by site: a few sites at a time in memory, totals of each circuit kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
from coilbook.analytics.replay.calendar import Days, wall_instants
from coilbook.analytics.replay.candidates import Candidate
from coilbook.analytics.replay.circuit import Line, Outcome, replay_circuit
from coilbook.analytics.replay.cohort import variability
from coilbook.analytics.replay.fleet_log import PowerLog, groups, power_logs
from coilbook.analytics.replay.gates import (
    Codes,
    Mask,
    Prices,
    circuit_gates,
    covered_cells,
    halves,
    price_classes,
    within_months,
)
from coilbook.analytics.replay.grid import Floats, Grid, lay
from coilbook.analytics.replay.kernel import Scratch
from coilbook.analytics.replay.registry import Circuit, Registry, Site
from coilbook.analytics.replay.request import Cancelled, TuneRequest
from coilbook.analytics.replay.take_out import (
    METER,
    RUNS,
    Learned,
    by_circuit,
    metered_w,
    on_shares,
    take_out,
)
from coilbook.ingest.local_time import local_date
from coilbook.ingest.store import Store
from numpy.typing import NDArray

Progress = Callable[[int, int], None]
Cancel = Callable[[], bool]

EARLIEST, LATEST = datetime(1970, 1, 2), datetime(2200, 1, 1)  # noqa: DTZ001 - instants are naive UTC
DAY_S = 86400.0
NO_LOG = "no power log of its site in the time asked for"


@dataclass(frozen=True)
class Replayed:
    """One circuit's totals. Candidates are the request's, then the circuit's present minimum run.

    `days` (2,) [d]: covered time of each half. `own_w` [W] with its `source`.
    """

    circuit: Circuit
    site: Site
    own_w: float
    source: str
    currency: str
    days: NDArray[np.float64]
    step_s: float
    variability: float
    outcome: Outcome


@dataclass(frozen=True)
class LeftOut:
    """A circuit that was not replayed, and why."""

    circuit: Circuit
    reason: str


@dataclass(frozen=True)
class _Cells:
    """A site's log on its grid, with what is the same for all its circuits."""

    grid: Grid
    days: Days
    net_w: Floats
    house_w: Floats
    islanded: Mask
    holes: Mask
    halves: Codes
    prices: Prices
    variability: float


def replay_fleet(
    store: Store,
    registry: Registry,
    circuits: Sequence[Circuit],
    request: TuneRequest,
    learned: Mapping[str, Learned],
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> tuple[list[Replayed], list[LeftOut]]:
    """Replay `circuits` under the request's candidates, in order of their sites and ids.

    `progress(done, all)` counts sites. Raises `Cancelled` soon after `cancel()` is true.
    """
    by_site: dict[str, list[Circuit]] = {}
    for circuit in circuits:
        by_site.setdefault(circuit.site_id, []).append(circuit)
    with store.reading() as session:
        bunches = groups(session, list(by_site))

    def bunch(sites: list[str]) -> list[Replayed | LeftOut]:
        return list(_replay_sites(store, registry, sites, by_site, request, learned, cancel))

    replayed: list[Replayed] = []
    left_out: list[LeftOut] = []
    done = 0
    pool = ThreadPoolExecutor(request.threads)
    try:
        for sites, found in zip(bunches, pool.map(bunch, bunches), strict=True):
            replayed += [one for one in found if isinstance(one, Replayed)]
            left_out += [one for one in found if isinstance(one, LeftOut)]
            done += len(sites)
            if progress is not None:
                progress(done, len(by_site))
    finally:
        pool.shutdown(cancel_futures=True)
    return replayed, left_out


def _replay_sites(
    store: Store,
    registry: Registry,
    sites: list[str],
    by_site: Mapping[str, list[Circuit]],
    request: TuneRequest,
    learned: Mapping[str, Learned],
    cancel: Cancel | None,
) -> Iterator[Replayed | LeftOut]:
    stop_if(cancel)
    first, stop = bounds(request)
    scratch: Scratch | None = None
    with store.reading() as session:
        values = {"sites": sites, "first": first, "stop": stop}
        runs, meters = by_circuit(session, RUNS, values), by_circuit(session, METER, values)
        with_pv = request.cohort.variability is not None
        for log in power_logs(session, sites, first, stop, with_pv):
            stop_if(cancel)
            cells = _cells(log, registry, request)
            if isinstance(cells, _Cells) and (scratch is None or scratch.length != cells.grid.n):
                scratch = Scratch(cells.grid.n)
            for circuit in by_site[log.site_id]:
                yield _replay_one(
                    circuit, cells, registry, request, runs.get(circuit.circuit_id),
                    meters.get(circuit.circuit_id), learned.get(circuit.circuit_id), scratch,
                )  # fmt: skip


def _replay_one(
    circuit: Circuit,
    cells: _Cells | str,
    registry: Registry,
    request: TuneRequest,
    runs: list[NDArray[Any]] | None,
    meter: list[NDArray[Any]] | None,
    learned: Learned | None,
    scratch: Scratch | None,
) -> Replayed | LeftOut:
    if isinstance(cells, str):
        return LeftOut(circuit, cells)
    wanted = request.cohort.variability
    if wanted is not None and not wanted[0] <= cells.variability < wanted[1]:
        return LeftOut(circuit, "the variability of its site's PV lies outside the cohort")
    grid = cells.grid
    metered = None if meter is None else metered_w(grid, meter)
    out = take_out(cells.net_w, cells.house_w, on_shares(grid, runs), metered, learned, circuit.rated_w)
    if isinstance(out, str):
        return LeftOut(circuit, out)
    shed = cells.islanded if circuit.shed else np.zeros(grid.n, np.bool_)
    gates = circuit_gates(grid, cells.days, registry.windows.get(circuit.circuit_id, ()), shed, cells.holes)
    covered, unpriced = covered_cells(gates, cells.halves, cells.prices.classes)
    if covered.sum() == 0:
        return LeftOut(circuit, NO_LOG)
    if unpriced:
        return LeftOut(circuit, "its site's tariff has no price for some hours")
    line = Line(
        out.surplus_w, out.own_w, grid.step_s, gates, cells.prices.classes, cells.halves,
        cells.prices.buy_per_kwh, cells.prices.sell_per_kwh,
    )  # fmt: skip
    tried = (*request.candidates, Candidate(circuit.min_run_s))
    outcome = replay_circuit(line, tried, circuit.min_rest_s, request.short_run_s, scratch)
    site, days = registry.sites[circuit.site_id], covered * (grid.step_s / DAY_S)
    currency, index = cells.prices.currency, cells.variability
    return Replayed(circuit, site, out.own_w, out.source, currency, days, grid.step_s, index, outcome)


def _cells(log: PowerLog, registry: Registry, request: TuneRequest) -> _Cells | str:
    """The site's cells, or why it has none."""
    if len(log.ts_us) < 2:
        return NO_LOG
    site = registry.sites[log.site_id]
    days = _days(site.timezone, log)
    midnights = wall_instants(days, time(0))
    columns = [log.net_w, log.house_w]
    island = log.islanded.any()
    columns += [log.islanded.astype(np.float32)] if island else []
    columns += [log.pv_w] if request.cohort.variability is not None else []
    try:
        grid, laid = lay(log.ts_us, columns, midnights)
    except ValueError as exc:
        return str(exc)
    islanded = laid[2] > 0.5 if island else np.zeros(grid.n, np.bool_)
    index = variability(laid[-1], grid, midnights) if request.cohort.variability is not None else float("nan")
    holes = np.isnan(laid[0])
    if request.months:
        holes |= ~within_months(grid, days, request.months)
    _cut(holes, grid, site.timezone, request)
    rows = registry.prices.get(site.tariff_id or "", [])
    prices = price_classes(grid, days, rows)
    return _Cells(grid, days, laid[0], laid[1], islanded, holes, halves(grid, days), prices, index)


def _cut(holes: Mask, grid: Grid, zone: str, request: TuneRequest) -> None:
    """Make holes of the cells outside the local dates asked for."""
    if request.first is not None:
        holes[: _cell_of(grid, zone, request.first)] = True
    if request.last is not None:
        holes[_cell_of(grid, zone, request.last + timedelta(days=1)) :] = True


def _cell_of(grid: Grid, zone: str, day: date) -> int:
    begin = wall_instants(Days(zone, day, day), time(0))[:1]
    return int(grid.cells(begin)[0])


def _days(zone: str, log: PowerLog) -> Days:
    """The log's local days, and the one before them, whose windows may run past midnight."""
    ends = [
        datetime.fromtimestamp(int(ts) / 1e6, UTC).replace(tzinfo=None)
        for ts in (log.ts_us[0], log.ts_us[-1])
    ]
    return Days(zone, local_date(zone, ends[0]) - timedelta(days=1), local_date(zone, ends[1]))


def bounds(request: TuneRequest) -> tuple[datetime, datetime]:
    """UTC bounds that hold the local dates asked for in every zone."""
    slack = timedelta(days=1)
    first = EARLIEST if request.first is None else datetime.combine(request.first, time(0)) - slack
    stop = LATEST if request.last is None else datetime.combine(request.last, time(0)) + 2 * slack
    return first, stop


def stop_if(cancel: Cancel | None) -> None:
    """Raise `Cancelled` where the work has been called off."""
    if cancel is not None and cancel():
        raise Cancelled("the tuning was called off")
