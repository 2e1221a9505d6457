"""Random power and meter logs: a sun of sorts, the circuits' load, holes of all sizes, odd stamps."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import cos, pi
from random import Random

from reference.rows import CircuitRow, MeterSample, PowerSample, SwitchEvent
from reference.spans import Span

MOST_SAMPLES = 1600


def stamps(rng: Random, span: Span, *, scanty: bool = False) -> list[datetime]:
    """Sample times, whole or holed, on the grid or off it, always apart."""
    begin, end = span
    length_s = (end - begin).total_seconds()
    steps = [s for s in (60, 300, 300, 900, 900) if length_s / s < MOST_SAMPLES]
    step = timedelta(seconds=rng.choice(steps or [1800]))
    odd = rng.random() < 0.25
    found = []
    here = begin
    while here < end:
        shift = timedelta(milliseconds=rng.choice((0, 0, 250, 20_000, 45_500))) if odd else timedelta(0)
        found.append(here + shift)
        here += step
        if odd and rng.random() < 0.01:
            step = timedelta(seconds=rng.choice((60, 300, 900)))
    found = sorted(set(found))[:MOST_SAMPLES]
    for a, b in _holes(rng, span):
        found = [ts for ts in found if not a <= ts < b]
    if scanty:
        return sorted(rng.sample(found, min(len(found), rng.choice((1, 2, 3, 5, 9, 14)))))
    return [ts for ts in found if rng.random() > 0.01]


def _holes(rng: Random, span: Span) -> list[Span]:
    holes = []
    for _ in range(rng.choice((0, 1, 2, 4))):
        a = span[0] + (span[1] - span[0]) * rng.random()
        hours = rng.choice((0.1, 0.3, 1, 3, 9, 26, 50))
        holes.append((a, a + timedelta(hours=hours)))
    return holes


def _part(rng: Random, span: Span) -> Span:
    """A part of a span, now and then all of it and more."""
    begin, length = span[0], span[1] - span[0]
    a, b = rng.choice((-0.1, 0.0, rng.random())), rng.choice((1.1, 1.0, rng.random()))
    return begin + length * min(a, b), begin + length * max(a, b)


def power_log(
    rng: Random,
    site_id: str,
    circuits: list[CircuitRow],
    events: list[SwitchEvent],
    span: Span,
    *,
    scanty: bool = False,
) -> list[PowerSample]:
    """The power log of a site; house or grid may be missing, now and then or always."""
    own = [e for e in events if e.circuit_id in {row.circuit_id for row in circuits}]
    loads = {row.circuit_id: row.rated_w or 900.0 for row in circuits}
    ordered = sorted(own, key=lambda e: e.ts)
    missing = rng.choice((None, None, "house", "grid", "either"))
    battery = rng.random() < 0.4
    peak = rng.uniform(2000, 8000)
    sky = 1.0
    island_left = 0
    found = []
    standing = dict.fromkeys(loads, False)
    place = 0
    for ts in stamps(rng, span, scanty=scanty):
        while place < len(ordered) and ordered[place].ts <= ts:
            standing[ordered[place].circuit_id] = ordered[place].closed
            place += 1
        sky = rng.choice((0.1, 0.5, 1.0)) if rng.random() < 0.12 else sky
        pv = round(
            max(0.0, peak * sky * cos(2 * pi * ((ts.hour * 60 + ts.minute) / 1440 - rng.uniform(0.7, 0.72)))),
            1,
        )
        house = round(rng.uniform(80, 900) + sum(loads[c] for c, on in standing.items() if on), 1)
        battery_w = round(rng.uniform(-800, 800), 1) if battery else rng.choice((None, None, 0.0))
        grid = round(house - pv - (battery_w or 0.0) + rng.choice((0.0, 0.0, 300.0)), 1)
        island_left = rng.randint(1, 30) if rng.random() < 0.004 else island_left - 1
        hide = rng.choice(("house", "grid", None)) if missing == "either" else missing
        found.append(
            PowerSample(
                site_id,
                ts,
                pv,
                None if hide == "house" else house,
                None if hide == "grid" else grid,
                battery_w,
                rng.choice((None, False)) if island_left <= 0 else True,
            )
        )
    return found


def meter_log(
    rng: Random, site_id: str, circuit_id: str, events: list[SwitchEvent], span: Span, quiet: list[Span]
) -> list[MeterSample]:
    """A circuit's own meter, on its own grid, some of the time; silent for a part of some of `quiet`."""
    begin, end = span
    length = end - begin
    a, b = sorted((rng.choice((0.0, rng.random())), rng.choice((1.0, rng.random()))))
    part = (begin + length * a).replace(microsecond=0), (begin + length * b).replace(microsecond=0)
    ordered = sorted((e for e in events if e.circuit_id == circuit_id), key=lambda e: e.ts)
    dumb = [_part(rng, one) for one in quiet if rng.random() < 0.6]
    found = []
    for ts in stamps(rng, part):
        if any(a <= ts < b for a, b in dumb):
            continue
        earlier = [e for e in ordered if e.ts <= ts]
        on = bool(earlier) and earlier[-1].closed
        found.append(
            MeterSample(
                site_id, circuit_id, ts, round(rng.uniform(1300, 1600) if on else rng.uniform(-2, 6), 1)
            )
        )
    return found
