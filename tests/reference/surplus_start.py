"""The fact `surplus_start`."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta

from reference.balance import base_w, grid_w, meter_mean_w, surplus_w
from reference.circuit_day import UNSEEN
from reference.clock import ZERO, date_at
from reference.coverage import Fact
from reference.extents import Extent, beginning_within, touching
from reference.rows import PowerSample
from reference.runs import Run
from reference.site_view import CircuitView, SiteView
from reference.spans import overlap, seconds

ClearExpectation = Callable[[str, date, datetime], float | None]
Samples = list[Extent[PowerSample]]


def surplus_starts(site: SiteView, clear: ClearExpectation) -> list[Fact]:
    """One row for each run begun on surplus."""
    return [
        _of_run(site, circuit, run, clear)
        for circuit in site.circuits
        for run in circuit.runs
        if run.cause_on == "surplus"
    ]


def mean(values: list[float | None]) -> float | None:
    """The plain mean of the known values."""
    known = [v for v in values if v is not None]
    return sum(known) / len(known) if known else None


def samples_before(site: SiteView, start: datetime) -> Samples:
    """Those wholly in the 10 min before, else the last whole one that ended at most 20 min before."""
    near = beginning_within(site.power, start - timedelta(seconds=600), start)
    found = [e for e in near if e.end <= start]
    if found:
        return found
    whole = [e for e in site.power if e.ts < start and e.end <= start]
    return [e for e in whole[-1:] if e.end >= start - timedelta(seconds=1200)]


def hold_end(site: SiteView, circuit: CircuitView, run: Run) -> datetime:
    """The end of the run or of its least time; without a least time the hold is empty."""
    settings = circuit.settings(date_at(site.zone, run.start))
    if settings is None or settings.min_run_s is None:
        return run.start
    return min(run.stop, run.start + timedelta(seconds=settings.min_run_s))


def first_dip(
    site: SiteView, circuit: CircuitView, run: Run, until: datetime
) -> tuple[Samples, datetime | None]:
    """The samples of the first dip of 2 min or more, and its end."""
    settings = circuit.settings(date_at(site.zone, run.start))
    level = None if settings is None else settings.surplus_off_w
    if level is None and settings is not None:
        level = settings.rated_w
    stretch: Samples = []
    for sample in [*beginning_within(site.power, run.start, until), None]:
        surplus = None if sample is None else surplus_w(circuit, sample)
        low = surplus is not None and level is not None and surplus < level
        neighbour = sample is not None and (not stretch or sample.ts == stretch[-1].end)
        if not (low and neighbour) and stretch:
            end = min(stretch[-1].end, until)
            if end - stretch[0].ts >= timedelta(seconds=120):
                return stretch, end
            stretch = []
        if low and sample is not None:
            stretch.append(sample)
    return [], None


def run_energy(site: SiteView, circuit: CircuitView, run: Run) -> tuple[float | None, float | None]:
    """Energy of a run and the part of it bought [Wh]; settings are those of the day on which it began."""
    rated = circuit.rated_w(date_at(site.zone, run.start))
    return _own_wh(circuit, run, rated), _bought_wh(site, run, circuit, rated)


def _own_wh(circuit: CircuitView, run: Run, rated: float | None) -> float | None:
    """What the meter says where it covers the run, rated_w x time for the rest."""
    metered = [(e.row.circuit_w, overlap([e.span], *run.span)) for e in touching(circuit.meter, *run.span)]
    rest = run.stop - run.start - sum((part for _, part in metered), ZERO)
    own = sum(watts * seconds(part) for watts, part in metered) / 3600
    if rated is None:
        return own if rest <= UNSEEN else None
    return own + rated * seconds(rest) / 3600


def _bought_wh(site: SiteView, run: Run, circuit: CircuitView, rated: float | None) -> float | None:
    total, seen = 0.0, ZERO
    for sample in touching(site.power, *run.span):
        part = overlap([run.span], sample.ts, sample.end)
        import_w = max(0.0, grid_w(sample.row) or 0.0)
        mean_w = meter_mean_w(circuit, sample)
        seen += part
        if mean_w is not None:
            total += min(mean_w, import_w) * seconds(part)
        elif part > ZERO and rated is None:
            return None
        elif part > ZERO and rated is not None:
            total += min(rated * (part / sample.length), import_w) * seconds(sample.length)
    return None if run.stop - run.start - seen > UNSEEN else total / 3600


def _of_run(site: SiteView, circuit: CircuitView, run: Run, clear: ClearExpectation) -> Fact:
    day = date_at(site.zone, run.start)
    before = samples_before(site, run.start)
    until = hold_end(site, circuit, run)
    dip, dip_end = first_dip(site, circuit, run, until)
    pv_before = mean([e.row.pv_w for e in before])
    base_before = mean([base_w(circuit, e) for e in before])
    d_pv = _difference(pv_before, mean([e.row.pv_w for e in dip]))
    d_base = _difference(mean([base_w(circuit, e) for e in dip]), base_before)
    d_clear = None
    if before and dip and dip_end is not None:
        then, now = _middle(before[0].ts, before[-1].end), _middle(dip[0].ts, dip_end)
        d_clear = _difference(clear(site.site.site_id, day, then), clear(site.site.site_id, day, now))
    own, bought = run_energy(site, circuit, run)
    return {
        "site_id": site.site.site_id,
        "circuit_id": circuit.circuit_id,
        "local_date": day,
        "start": run.start,
        "surplus_before_w": mean([surplus_w(circuit, e) for e in before]),
        "pv_before_w": pv_before,
        "base_before_w": base_before,
        "hold_end": until,
        "own_wh": own,
        "grid_wh": bought,
        "solar_share": 1 - bought / own if own is not None and own > 0 and bought is not None else None,
        "dip_ts": dip[0].ts if dip else None,
        "dip_end_ts": dip_end,
        "d_pv_w": d_pv,
        "d_base_w": d_base,
        "d_clear_w": d_clear,
        "why": why(bool(before), _hold_seen(site, run, until), bool(dip), d_pv, d_base, d_clear),
    }


def _difference(left: float | None, right: float | None) -> float | None:
    return None if left is None or right is None else left - right


def _middle(a: datetime, b: datetime) -> datetime:
    return a + (b - a) / 2


def _hold_seen(site: SiteView, run: Run, until: datetime) -> bool:
    """Whether 90 % of the hold is covered; an empty hold is."""
    return 10 * overlap(site.covered, run.start, until) >= 9 * (until - run.start)


def why(
    before: bool, hold_seen: bool, dip: bool, d_pv: float | None, d_base: float | None, d_clear: float | None
) -> str:
    """What became of the surplus, in the order of the definition; an unknown clear sky counts as steady."""
    if not before or (not hold_seen and not dip):
        return "unknown"
    if not dip:
        return "none"
    fall, clear_fall = d_pv or 0.0, d_clear or 0.0
    if fall > 0 and clear_fall >= fall / 2:
        return "sunset"
    if fall > 0 and fall - clear_fall >= max(0.0, d_base or 0.0):
        return "cloud"
    return "house"
