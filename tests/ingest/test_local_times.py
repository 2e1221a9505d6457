"""Wall times without an offset: zones, skipped hours, repeated hours settled by row order."""

# ruff: noqa: DTZ001 - naive UTC, as in the store

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from coilbook.ingest.repeated_hour import passes
from coilbook.ingest.store import Store
from little_fleet import POWER, SWITCH, held, load, one, put, query, registry


def day(site: str, first: datetime, step_min: int, walls: int) -> list[datetime]:
    return [first + timedelta(minutes=step_min * i) for i in range(walls)]


def rows(site: str, walls: list[datetime]) -> str:
    return "".join(f"{wall.isoformat()},{site},1,2,3\n" for wall in walls)


def instants(store: Store) -> list[datetime]:
    return [row[0] for row in query(store, "SELECT ts FROM power_log ORDER BY ts")]


def test_a_wall_time_is_read_in_the_zone_of_its_site(known: Store, tmp_path: Path) -> None:
    text = POWER + "2026-07-01T08:00:00,H1,1,2,3\n2026-07-01T08:00:00.5,H2,1,2,3\n"
    assert one(known, put(tmp_path / "a.csv", text)).accepted == 2
    assert query(known, "SELECT site_id, ts FROM power_log ORDER BY site_id") == [
        ("H1", datetime(2026, 7, 1, 14)),
        ("H2", datetime(2026, 6, 30, 21, 30, 0, 500_000)),
    ]


@pytest.mark.parametrize(
    ("site", "begin", "twice_from", "twice_min"),
    [
        # Denver's clocks went from 02:00 back to 01:00 on 2026-11-01; Lord Howe's from 02:00 to 01:30 on
        # 2026-04-05 (IANA tz database).
        ("H1", datetime(2026, 11, 1, 0, 0), datetime(2026, 11, 1, 1, 0), 60),
        ("H2", datetime(2026, 4, 5, 0, 0), datetime(2026, 4, 5, 1, 30), 30),
    ],
)
def test_a_repeated_hour_in_row_order(
    known: Store, tmp_path: Path, site: str, begin: datetime, twice_from: datetime, twice_min: int
) -> None:
    step = timedelta(minutes=5)
    until = twice_from + timedelta(minutes=twice_min)
    walls = [begin + step * i for i in range(24 * 12) if begin + step * i < until]
    walls += [twice_from + step * i for i in range(40)]
    row = one(known, put(tmp_path / "a.csv", POWER + rows(site, walls)))
    assert (row.accepted, row.quarantined) == (len(walls), 0)
    found = instants(known)
    assert {b - a for a, b in pairwise(found)} == {step}


@pytest.mark.parametrize(
    "walls",
    [
        ["01:10", "01:20"],  # one pass only
        ["01:20", "01:10", "01:05"],  # two steps back
        ["01:10"],
        ["00:30", "01:30", "03:00", "01:10", "04:00"],  # another row stands between the passes
    ],
)
def test_where_the_order_does_not_say_the_rows_are_held(
    known: Store, tmp_path: Path, walls: list[str]
) -> None:
    lines = "".join(f"2026-11-01T{wall}:00,H1,1,2,3\n" for wall in walls)
    row = one(known, put(tmp_path / "a.csv", POWER + lines))
    twice = [i + 2 for i, wall in enumerate(walls) if wall.startswith("01")]
    assert held(known) == [(line, "ambiguous_time") for line in twice]
    assert row.accepted == len(walls) - len(twice)


def test_neighbours_out_of_order_leave_it_open(known: Store, tmp_path: Path) -> None:
    lines = "".join(f"2026-11-01T{wall}:00,H1,1,2,3\n" for wall in ["05:00", "01:20", "01:10", "02:30"])
    assert one(known, put(tmp_path / "a.csv", POWER + lines)).quarantined == 2


def test_sites_and_circuits_have_orders_of_their_own(known: Store, tmp_path: Path) -> None:
    events = [
        ("01:50", "H1-a", "on"),
        ("01:10", "H1-b", "on"),
        ("01:40", "H1-a", "off"),
        ("01:20", "H1-b", "off"),
    ]
    lines = "".join(f"2026-11-01T{wall}:00,{circuit},{state},clock,\n" for wall, circuit, state in events)
    assert one(known, put(tmp_path / "s.csv", SWITCH + lines)).accepted == 2
    assert query(known, "SELECT circuit_id, ts, closed FROM switch_log ORDER BY ts") == [
        ("H1-a", datetime(2026, 11, 1, 7, 50), True),
        ("H1-a", datetime(2026, 11, 1, 8, 40), False),
    ]
    assert held(known) == [(3, "ambiguous_time"), (5, "ambiguous_time")]


def test_a_skipped_hour_is_no_time(known: Store, tmp_path: Path) -> None:
    lines = "".join(f"2026-03-08T{wall}:00,H1,1,2,3\n" for wall in ["01:59", "02:00", "02:59", "03:00"])
    lines += "".join(f"2026-10-04T{wall}:00,H2,1,2,3\n" for wall in ["01:59", "02:00", "02:29", "02:30"])
    one(known, put(tmp_path / "a.csv", POWER + lines))
    assert held(known) == [(line, "bad_time") for line in (3, 4, 7, 8)]


def test_a_wall_time_of_an_unknown_site_waits_for_the_site(store: Store, tmp_path: Path) -> None:
    walls = day("H1", datetime(2026, 11, 1, 1, 0), 5, 12) + day("H1", datetime(2026, 11, 1, 1, 0), 5, 24)
    path = put(tmp_path / "a.csv", POWER + rows("H1", walls))
    assert one(store, path).quarantined == len(walls)
    load(store, registry(tmp_path))
    assert held(store) == []
    found = instants(store)
    assert found[0] == datetime(2026, 11, 1, 7)
    assert {b - a for a, b in pairwise(found)} == {timedelta(minutes=5)}


def test_passes() -> None:
    def walls(*minutes: int) -> list[datetime]:
        return [datetime(2026, 11, 1, 1, minute) for minute in minutes]

    assert passes(walls(0, 30, 0, 30)) == [0, 0, 1, 1]
    assert passes(walls(30, 30)) == [0, 1]
    assert passes(walls(0, 30)) is None
    assert passes(walls(30, 30, 30)) is None
