"""Idle and held-back surplus of crowded random weeks against a plain-Python reading of their definition."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from crowded_home import crowded
from load_days import facts_in_parts
from reference.clock import ONE_DAY, ZERO, dates, window
from reference.coverage import Fact
from reference.into_store import differences
from reference.rows import Fleet, PowerSample
from reference.site_view import CircuitView, SiteView, site_views
from reference.spans import Span, seconds
from reference.windows import windows_of

Sample = tuple[datetime, datetime, PowerSample]


def plain(fleet: Fleet) -> list[Fact]:
    """`idle_surplus` of a fleet."""
    return [
        _row(site, circuit, day)
        for site in site_views(fleet)
        for circuit in site.circuits
        for day in site.days
        if _asked(site, day)
    ]


def _asked(site: SiteView, day: date) -> bool:
    """Days with samples, none of them apart from the grid."""
    start, end = site.day_span(day)
    here = [e for e in site.power if e.ts < end and e.end > start]
    return any(start <= e.ts for e in here) and not any(e.row.islanded for e in here)


def _row(site: SiteView, circuit: CircuitView, day: date) -> Fact:
    start, end = site.day_span(day)
    row = circuit.settings(day)
    assert row is not None
    rest = timedelta(seconds=row.min_rest_s or 0)
    barred = _barred(site, circuit, day, rest)
    able = [
        (e.ts, min(e.end, end), e.row)
        for e in site.power
        if start <= e.ts < end and e.end > e.ts and 10 * _spare(e.row) >= 11 * (row.surplus_on_w or 0)
    ]
    able = [one for one in able if not _meets(one, barred)]
    by_hand = [s for s in circuit.stretches if s.event.cause == "hand"]
    free = [one for one in able if not _meets(one, [s.span for s in by_hand])]
    off = [
        s.span
        for s in by_hand
        if not s.event.closed and s.span[0] < min(end, s.span[1]) and s.span[1] > start
    ]
    since, until = min(
        ((a, min(b, end)) for a, b in off),
        key=lambda hold: (hold[0] - hold[1], hold[0]),
        default=(None, None),
    )
    under = [one for one in able if since and until and since <= one[0] and one[1] <= until]
    idle_s, idle_wh, stretches, first = _measured(free, row.rated_w)
    held_s, held_wh, held_stretches, held_first = _measured(under, row.rated_w)
    return {
        "circuit_id": circuit.circuit_id,
        "local_date": day,
        "idle_surplus_s": idle_s,
        "idle_surplus_wh": idle_wh,
        "stretches": stretches,
        "first_ts": first,
        "held_since": since,
        "held_s": seconds(until - since) if since and until else None,
        "held_surplus_s": held_s,
        "held_surplus_wh": held_wh,
        "held_stretches": held_stretches,
        "held_first_ts": held_first,
    }


def _spare(row: PowerSample) -> float:
    return row.pv_w + (row.battery_w or 0) - (row.house_w or 0)


def _barred(site: SiteView, circuit: CircuitView, day: date, rest: timedelta) -> list[Span]:
    """When it ran, rested, was shed or locked out."""
    spans = [(run.span[0], run.span[1] + (ZERO if run.end is None else rest)) for run in circuit.runs]
    spans += [s.span for s in circuit.stretches if s.event.cause == "shed"]
    for one in dates(day - ONE_DAY, day):
        spans += [window(site.zone, one, w.start, w.end) for w in windows_of(circuit.windows, "lockout", one)]
    return spans


def _meets(one: Sample, spans: list[Span]) -> bool:
    return any(a < one[1] and b > one[0] for a, b in spans)


def _measured(found: list[Sample], rated_w: float | None) -> tuple[float, float, int, datetime | None]:
    """Seconds, Wh, number and first begin of the unbroken stretches of 10 min and more."""
    assert rated_w is not None
    rows: list[list[Sample]] = []
    for one in found:
        if rows and rows[-1][-1][1] == one[0]:
            rows[-1].append(one)
        else:
            rows.append([one])
    long = [row for row in rows if row[-1][1] - row[0][0] >= timedelta(minutes=10)]
    each = [one for row in long for one in row]
    energy = sum(min(rated_w, _spare(s)) * seconds(b - a) for a, b, s in each) / 3600
    return sum(seconds(b - a) for a, b, _ in each), energy, len(long), long[0][0][0] if long else None


@pytest.mark.parametrize(("seed", "days"), [(21, 4), (22, 6), (23, 6), (24, 33)])
def test_surplus_equals_the_plain_reading(seed: int, days: int) -> None:
    fleet = crowded(seed, days)
    got = facts_in_parts([fleet], "idle_surplus")["idle_surplus"]
    expected = plain(fleet)
    lines = differences("idle_surplus", got, expected)
    assert not lines, "\n".join(lines[:20])
    for name in ("stretches", "held_stretches"):
        assert sum(row[name] for row in expected) > 0, name
