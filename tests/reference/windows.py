"""The facts `window_result` and `lockout_result`."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta

from reference.circuit_day import UNSEEN
from reference.clock import ONE_DAY, ZERO, date_at, dates, midnight, runs_on, window
from reference.coverage import Fact
from reference.registry import holding, newest, settings_on
from reference.rows import WindowRow
from reference.site_view import CircuitView, SiteView
from reference.spans import Span, gaps, length, overlap, seconds, within

GRACE = timedelta(seconds=300)


def windows_of(rows: list[WindowRow], kind: str, day: date) -> list[WindowRow]:
    """The windows of one circuit that begin on `day`: of each name the newest row that holds."""
    found = []
    for window_id in sorted({row.window_id for row in rows if row.kind == kind}):
        row = settings_on([row for row in rows if row.kind == kind and row.window_id == window_id], day)
        if row is not None and runs_on(row.days, day):
            found.append(row)
    return found


def judged(site: SiteView, circuit: CircuitView, kind: str) -> Iterator[tuple[date, WindowRow, Span]]:
    """The windows that lie between the site's first log row and its horizon."""
    for day in dates(site.days[0], date_at(site.zone, site.horizon)):
        for row in windows_of(circuit.windows, kind, day):
            start, end = window(site.zone, day, row.start, row.end)
            if start >= site.stamps[0] and site.horizon >= end:
                yield day, row, (start, end)


def window_results(site: SiteView) -> list[Fact]:
    """One row for each run window and day."""
    return [
        _window_result(site, circuit, day, row, span)
        for circuit in site.circuits
        for day, row, span in judged(site, circuit, "run")
    ]


def _window_result(site: SiteView, circuit: CircuitView, day: date, row: WindowRow, span: Span) -> Fact:
    start, end = span
    on = within(circuit.run_spans, start, end)
    off = gaps(circuit.run_spans, start, end)
    excuses = [
        s.span
        for s in circuit.stretches
        if s.event.cause == "hand" or (s.event.cause == "shed" and not s.event.closed)
    ]
    need = end - start if row.need_minutes is None else timedelta(minutes=row.need_minutes)
    excused = sum((overlap(excuses, a, b) for a, b in off), ZERO)
    covered = overlap(site.covered, start, end)
    return {
        "site_id": site.site.site_id,
        "circuit_id": circuit.circuit_id,
        "window_id": row.window_id,
        "local_date": day,
        "start_ts": start,
        "end_ts": end,
        "need_s": seconds(need),
        "on_s": seconds(length(on)),
        "covered_s": seconds(covered),
        "excused_s": seconds(excused),
        "first_on_ts": on[0][0] if on else None,
        "last_off_ts": on[-1][1] if on else None,
        "verdict": verdict(start, end, need, on, covered, excused),
    }


def verdict(
    start: datetime, end: datetime, need: timedelta, on: list[Span], covered: timedelta, excused: timedelta
) -> str:
    """The first that applies, in the order of the definition."""
    if end == start or length(on) >= need - GRACE:
        return "met"
    if 10 * covered < 9 * (end - start):
        return "unknown"
    if length(on) + excused >= need - GRACE:
        return "excused"
    if length(on) == ZERO:
        return "missed"
    whole = need >= end - start
    unbroken = all(b - a <= GRACE for a, b in gaps(on, on[0][0], on[-1][1]))
    late = on[0][0] > start + GRACE
    to_the_end = on[-1][1] >= end - GRACE
    if whole and unbroken and late and to_the_end:
        return "late"
    if whole and unbroken and not late and not to_the_end:
        return "cut_short"
    return "short"


def lockout_results(site: SiteView) -> list[Fact]:
    """One row for each lockout window and day."""
    return [
        _lockout_result(site, circuit, day, row, span)
        for circuit in site.circuits
        for day, row, span in judged(site, circuit, "lockout")
    ]


def _lockout_result(site: SiteView, circuit: CircuitView, day: date, row: WindowRow, span: Span) -> Fact:
    start, end = span
    on = within(circuit.run_spans, start, end)
    by_hand = overlap([run.span for run in circuit.runs if run.cause_on == "hand"], start, end)
    pieces = _energy(circuit, day, span, on)
    own_wh = None if pieces is None else sum(watts * seconds(b - a) for (a, b), watts in pieces) / 3600
    cost, excess = _cost(site, day, pieces)
    return {
        "site_id": site.site.site_id,
        "circuit_id": circuit.circuit_id,
        "window_id": row.window_id,
        "local_date": day,
        "start_ts": start,
        "end_ts": end,
        "on_s": seconds(length(on) - by_hand),
        "hand_s": seconds(by_hand),
        "own_wh": own_wh,
        "cost": cost,
        "excess_cost": excess,
    }


def _energy(circuit: CircuitView, day: date, span: Span, on: list[Span]) -> list[tuple[Span, float]] | None:
    """Stretches of the window with the circuit's power [W]; None where the power is not known.

    The meter's where there is one that day, and the rating for on-time outside its samples.
    """
    samples = circuit.meter if circuit.metered(day) else []
    seen = [(part, e.row.circuit_w) for e in samples for part in within([e.span], *span)]
    unseen = [part for a, b in on for part in gaps([e.span for e in samples if e.length > ZERO], a, b)]
    rated = circuit.rated_w(day)
    if rated is None:
        return seen if length(unseen) <= UNSEEN else None
    return seen + [(part, rated) for part in unseen]


def prices(site: SiteView, first: date, last: date) -> list[tuple[Span, float]]:
    """Spans of one import price, of the tariff rows that begin from `first` to `last`, sorted."""
    found = []
    for day in dates(first, last):
        holds = holding(site.tariff(day), day)
        for key in {(row.days, row.start) for row in holds}:
            row = newest([row for row in holds if (row.days, row.start) == key])
            if row is not None and runs_on(row.days, day):
                found.append((window(site.zone, day, row.start, row.end), row.import_per_kwh))
    return sorted(found)


def _cost(
    site: SiteView, day: date, pieces: list[tuple[Span, float]] | None
) -> tuple[float | None, float | None]:
    priced = prices(site, day - ONE_DAY, day + 2 * ONE_DAY)
    spans = [span for span, _ in priced]
    used = [span for span, watts in pieces or [] if watts != 0]
    unpriced = length([gap for a, b in used for gap in gaps(spans, a, b)])
    if pieces is None or unpriced > UNSEEN:
        return None, None
    cost = own_kwh = 0.0
    for (a, b), watts in pieces:
        own_kwh += watts * seconds(b - a) / 3.6e6
        cost += sum(price * watts * seconds(overlap([span], a, b)) / 3.6e6 for span, price in priced)
    today = midnight(site.zone, day), midnight(site.zone, day + ONE_DAY)
    cheapest = min([price for span, price in priced if within([span], *today)], default=None)
    if own_kwh == 0:
        return cost, 0.0
    return cost, None if cheapest is None else cost - own_kwh * cheapest
