"""The fact `circuit_day`."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from reference.balance import grid_w, own_w
from reference.clock import date_at
from reference.coverage import Fact
from reference.runs import Run
from reference.site_view import CircuitView, SiteView
from reference.spans import common, overlap, seconds, within

UNSEEN = timedelta(milliseconds=1)


def circuit_days(site: SiteView) -> list[Fact]:
    """One row for each circuit and day, zeros included."""
    return [_of_day(site, circuit, day) for circuit in site.circuits for day in site.days]


def _of_day(site: SiteView, circuit: CircuitView, day: date) -> Fact:
    begin, end = site.day_span(day)
    starts = [run.start for run in circuit.runs]
    own_starts = [ts for ts in starts if date_at(site.zone, ts) == day]
    holds = [s.span for s in circuit.stretches if s.event.cause == "hand"]
    return {
        "site_id": site.site.site_id,
        "circuit_id": circuit.circuit_id,
        "local_date": day,
        "starts": len(own_starts),
        "on_s": seconds(overlap(circuit.run_spans, begin, end)),
        "short_runs": _short_runs(site, circuit, day),
        "short_rests": _short_rests(site, circuit, day),
        "max_starts_1h": max([_starts_up_to(starts, t, 3600) for t in own_starts], default=0),
        "chatter": sum(_starts_up_to(starts, t, 60) >= 3 for t in own_starts),
        "hand_s": seconds(overlap(holds, begin, end)),
        "repeats": sum(s.repeat and date_at(site.zone, s.event.ts) == day for s in circuit.stretches),
        "own_wh": _own_wh(site, circuit, day),
        "grid_wh": _grid_wh(site, circuit, day),
    }


def _starts_up_to(starts: list[datetime], t: datetime, span_s: float) -> int:
    return sum(t - timedelta(seconds=span_s) < s <= t for s in starts)


def _short_runs(site: SiteView, circuit: CircuitView, day: date) -> int:
    settings = circuit.settings(day)
    if settings is None or settings.min_run_s is None:
        return 0
    least = timedelta(seconds=settings.min_run_s)
    return sum(
        run.end is not None
        and date_at(site.zone, run.start) == day
        and run.end - run.start < least
        and run.cause_on != "hand"
        and run.cause_off not in ("hand", "shed")
        for run in circuit.runs
    )


def _short_rests(site: SiteView, circuit: CircuitView, day: date) -> int:
    settings = circuit.settings(day)
    if settings is None or settings.min_rest_s is None:
        return 0
    least = timedelta(seconds=settings.min_rest_s)

    def short(before: Run, after: Run) -> bool:
        assert before.end is not None
        return (
            date_at(site.zone, after.start) == day
            and after.start - before.end < least
            and before.cause_off != "hand"
            and after.cause_on != "hand"
        )

    return sum(short(before, after) for before, after in zip(circuit.runs, circuit.runs[1:], strict=False))


def _own_wh(site: SiteView, circuit: CircuitView, day: date) -> float | None:
    if circuit.metered(day):
        return sum(e.row.circuit_w * seconds(e.length) for e in circuit.meter if e.day == day) / 3600
    on_s = seconds(overlap(circuit.run_spans, *site.day_span(day)))
    rated = circuit.rated_w(day)
    if on_s == 0:
        return 0.0
    return None if rated is None else rated * on_s / 3600


def _grid_wh(site: SiteView, circuit: CircuitView, day: date) -> float | None:
    begin, end = site.day_span(day)
    on = within(circuit.run_spans, begin, end)
    seen = common(on, [e.span for e in site.power if e.end > begin and e.ts < end])
    if sum((b - a for a, b in on), timedelta(0)) - sum((b - a for a, b in seen), timedelta(0)) > UNSEEN:
        return None
    total = 0.0
    for sample in site.power:
        if sample.day != day:
            continue
        own, grid = own_w(circuit, sample), grid_w(sample.row)
        if own is None or grid is None:
            return None
        total += min(own, max(0.0, grid)) * seconds(sample.length)
    return total / 3600
