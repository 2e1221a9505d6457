"""Load checks of crowded random weeks against a plain-Python reading of their definition, and load by load.

The reading below is written from the definition alone: for each event it walks from sample to sample.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from random import Random
from statistics import median
from typing import Any

import pytest
from crowded_home import BEGIN, RATED, crowded
from load_days import facts_in_parts
from reference.coverage import Fact
from reference.extents import Extent
from reference.into_store import differences
from reference.rows import Fleet, PowerSample
from reference.site_view import CircuitView, SiteView, site_views

TABLES = (
    *("switch_check", "stay_on", "island", "island_run", "idle_surplus", "clock_start", "solar_clock"),
    *("power_part", "house_rest"),
)

# ---- the plain reading ----


def plain(fleet: Fleet) -> list[Fact]:
    """`switch_check` of a fleet."""
    return [row for site in site_views(fleet) for row in _site_checks(site)]


def _site_checks(site: SiteView) -> list[Fact]:
    changes = sorted(
        (stretch.event.ts, circuit.circuit_id, stretch.event.closed)
        for circuit in site.circuits
        for stretch in circuit.stretches
        if not stretch.repeat
    )
    rows = []
    for circuit in site.circuits:
        for ts, name, closed in changes:
            if name == circuit.circuit_id:
                rows += _check(
                    site, circuit, ts, closed, [t for t, n, _ in changes if (t, n) != (ts, name)], changes
                )
    return _judged(site, rows)


def _check(
    site: SiteView,
    circuit: CircuitView,
    ts: datetime,
    closed: bool,
    others: list[datetime],
    changes: list[tuple[datetime, str, bool]],
) -> list[Fact]:
    day = _date(site, ts)
    metered = circuit.metered(day)
    rows: Sequence[Extent[Any]] = circuit.meter if metered else site.power
    busy = [t for t, n, _ in changes if n == circuit.circuit_id and t != ts] if metered else others
    home = next((n for n, e in enumerate(rows) if e.ts <= ts < e.end), None)
    if home is None or _busy(rows[home], busy):
        return []
    lengths = [e.length for e in rows if e.day == day]
    gaps = [b.ts - a.ts for a, b in pairwise(rows) if a.day == day == b.day]
    pace = median(lengths) if metered else median(gaps)
    reach = max(timedelta(minutes=5), 3 * pace) + pace / 2
    before = _side(rows, home, -1, rows[home].ts - reach, busy)
    after = _side(rows, home, 1, rows[home].end + reach, busy)
    if before is None or after is None:
        return []
    low, high = median(before), median(after)
    spread = [abs(w - low) for w in before] + [abs(w - high) for w in after]
    return [
        {
            "circuit_id": circuit.circuit_id,
            "local_date": day,
            "ts": ts,
            "closed": closed,
            "metered": metered,
            "before_w": low,
            "after_w": high,
            "step_w": high - low,
            "noise_w": 1.4826 * median(spread),
            "swing_w": _outside(_watts(rows[home]), low, high),
            "jump_w": after[0] - before[0],
            "side_swing_w": max(_outside(w, low, high) for w in before + after),
        }
    ]


def _side(
    rows: Sequence[Extent[Any]], home: int, way: int, limit: datetime, busy: list[datetime]
) -> list[float] | None:
    """The watts of the clean samples on one side, or None where they are too few."""
    found, covered, place = [], timedelta(), home
    while 0 <= place + way < len(rows):
        earlier, later = sorted((rows[place], rows[place + way]), key=lambda e: e.ts)
        one = rows[place + way]
        beyond = one.end > limit if way > 0 else one.ts < limit
        if earlier.end != later.ts or beyond or _busy(one, busy):
            break
        found.append(_watts(one))
        covered += one.length
        place += way
    return found if len(found) >= 3 and covered >= timedelta(seconds=162) else None


def _watts(sample: Extent[Any]) -> float:
    row = sample.row
    return float(row.house_w or 0) if isinstance(row, PowerSample) else float(row.circuit_w)


def _outside(watts: float, *levels: float) -> float:
    """How far a power lies above the greater level, or below the lesser."""
    return max(0.0, watts - max(levels), min(levels) - watts)


def _busy(sample: Extent[Any], busy: list[datetime]) -> bool:
    return any(sample.ts <= t < sample.end for t in busy)


def _date(site: SiteView, ts: datetime) -> date:
    return next(day for day in site.days if site.day_span(day)[0] <= ts < site.day_span(day)[1])


def _judged(site: SiteView, rows: list[Fact]) -> list[Fact]:
    for row in rows:
        sign = 1 if row["closed"] else -1
        day = row["local_date"]
        past = [
            (sign * p["step_w"], p["noise_w"])
            for p in rows
            if p["circuit_id"] == row["circuit_id"]
            and p["closed"] == row["closed"]
            and day - timedelta(days=28) <= p["local_date"] < day
        ]
        clear = [step for step, noise in past if step > max(3 * noise, 30)]
        learned = len(clear) >= 8 and 2 * len(clear) >= len(past)
        expected = median(clear) if learned else RATED[row["circuit_id"]]
        change = sign * row["step_w"]
        seen, absent = (
            change >= 0.5 * expected,
            change < 0.2 * expected and 3 * row["noise_w"] < 0.5 * expected,
        )
        verdict = "seen" if seen else "absent" if absent else "unclear"
        row |= {"learned": learned, "expected_w": expected, "verdict": verdict}
    return rows


@pytest.mark.parametrize(("seed", "days"), [(1, 4), (2, 4), (3, 6), (4, 33), (5, 33)])
def test_checks_equal_the_plain_reading(seed: int, days: int) -> None:
    fleet = crowded(seed, days)
    got = facts_in_parts([fleet], "switch_check")["switch_check"]
    expected = plain(fleet)
    assert len(expected) > 4 * days
    lines = differences("switch_check", got, expected)
    assert not lines, "\n".join(lines[:20])


@pytest.mark.parametrize(("seed", "days"), [(11, 5), (12, 7), (13, 33), (14, 33)])
def test_late_rows_lead_to_the_same_facts(seed: int, days: int) -> None:
    """First all but a day and a hole; then that day's rows, then the rest in two lots."""
    fleet = crowded(seed, days)
    rng = Random(seed)
    day = BEGIN + timedelta(days=rng.randrange(1, 4))
    hole = BEGIN + timedelta(days=days * rng.random())

    def lot(row: Any) -> int:
        if day <= row.ts < day + timedelta(days=1):
            return 1
        return rng.choice((2, 3)) if hole <= row.ts < hole + timedelta(hours=9) else 0

    lots: dict[str, list[list[Any]]] = {name: [[], [], [], []] for name in ("switch", "power", "meter")}
    for name, parts in lots.items():
        for row in getattr(fleet, name):
            parts[lot(row)].append(row)
    loads = [
        replace(fleet if n == 0 else Fleet(), **{name: parts[n] for name, parts in lots.items()})
        for n in range(4)
    ]
    got, expected = facts_in_parts(loads, *TABLES), facts_in_parts([fleet], *TABLES)
    for table in TABLES:
        assert expected[table] or table in ("island_run", "stay_on"), table
        assert differences(table, got[table], expected[table], exactly=True) == []
