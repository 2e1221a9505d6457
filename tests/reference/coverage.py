"""The facts `run`, `coverage` and `controller_day`."""

from __future__ import annotations

from datetime import date
from typing import Any

from reference.clock import ZERO, date_at
from reference.extents import interval_of
from reference.rows import SwitchEvent
from reference.site_view import SiteView
from reference.spans import gaps, overlap, seconds

Fact = dict[str, Any]


def runs(site: SiteView) -> list[Fact]:
    """One row a run."""
    return [
        {
            "site_id": site.site.site_id,
            "circuit_id": circuit.circuit_id,
            "local_date": date_at(site.zone, run.start),
            "start": run.start,
            "end": run.end,
            "duration_s": seconds(run.stop - run.start),
            "cause_on": run.cause_on,
            "cause_off": run.cause_off,
        }
        for circuit in site.circuits
        for run in circuit.runs
    ]


def coverage(site: SiteView) -> list[Fact]:
    """One row a site-day."""
    stamps = {day: [e.ts for e in site.power if e.day == day] for day in site.days}
    return [_coverage_of_day(site, day, stamps) for day in site.days]


def _coverage_of_day(site: SiteView, day: date, stamps: dict[date, list[Any]]) -> Fact:
    begin, end = site.day_span(day)
    interval = interval_of(stamps, day) if stamps[day] else None
    holes = gaps(site.covered, begin, min(end, site.horizon))
    rows = site.stamps_of_day[day]
    return {
        "site_id": site.site.site_id,
        "local_date": day,
        "day_s": seconds(end - begin),
        "samples": len(stamps[day]),
        "interval_s": None if interval is None else seconds(interval),
        "covered_s": seconds(overlap(site.covered, begin, end)),
        "longest_gap_s": seconds(max([b - a for a, b in holes], default=ZERO)),
        "first_ts": rows[0] if rows else None,
        "last_ts": rows[-1] if rows else None,
        "islanded_s": seconds(overlap([e.span for e in site.power if e.row.islanded], begin, end)),
        "last_sample_ts": stamps[day][-1] if stamps[day] else None,
    }


def controller_days(site: SiteView) -> list[Fact]:
    """One row for each controller and day."""
    found = []
    rows = [row for circuit in site.circuits for row in circuit.rows]
    for controller_id in sorted({row.controller_id for row in rows}):
        circuits = {row.circuit_id for row in rows if row.controller_id == controller_id}
        events = [e for circuit in site.circuits if circuit.circuit_id in circuits for e in circuit.events]
        found += _days_of_controller(site, controller_id, events)
    return found


def _days_of_controller(site: SiteView, controller_id: str, events: list[SwitchEvent]) -> list[Fact]:
    found = {day: _blank(site, controller_id, day) for day in site.days}
    newest: int | None = None
    newest_of_day: dict[date, int] = {}
    for event in sorted(events, key=lambda e: (e.ts, e.seq is None, e.seq or 0)):
        day = date_at(site.zone, event.ts)
        row = found[day]
        row["events"] += 1
        if event.seq is None:
            continue
        if newest is not None and event.seq < newest:
            row["resets"] += 1
        if newest is not None and event.seq > newest:
            row["lost_events"] += event.seq - newest - 1
        newest = event.seq
        newest_of_day[day] = event.seq
    seq = None
    for day, row in found.items():
        seq = newest_of_day.get(day, seq)
        row["last_seq"] = seq
    return list(found.values())


def _blank(site: SiteView, controller_id: str, day: date) -> Fact:
    _, end = site.day_span(day)
    reports = [
        r for r in site.status if r.controller_id == controller_id and r.ts < end and r.firmware is not None
    ]
    last = max(reports, key=lambda r: r.ts, default=None)
    return {
        "site_id": site.site.site_id,
        "controller_id": controller_id,
        "local_date": day,
        "events": 0,
        "lost_events": 0,
        "resets": 0,
        "firmware": last.firmware if last else None,
    }
