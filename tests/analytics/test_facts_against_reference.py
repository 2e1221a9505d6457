"""The facts of the store against a plain-Python reading of the same definitions, cell by cell.

The expected values come from `tests/reference/`, written from the definitions alone and pinned by hand-worked
cases. COILBOOK_FUZZ_SEEDS=N compares N fleets instead of a few.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from coilbook.analytics.facts_runner import refresh_facts
from coilbook.fixtures.fleet import write_fleet
from coilbook.ingest.load import load_paths
from coilbook.ingest.schema import FACTS
from coilbook.ingest.store import Store
from reference.clock import date_at
from reference.coverage import Fact
from reference.facts import facts_of
from reference.into_store import clear_sky_of, differences, fleet_of, put, stored
from reference.random_fleet import crowded_fleet, merged, random_fleet
from reference.rows import Fleet
from reference.small import circuit, power, switch, tariff, window
from reference.small import fleet as small_fleet

SEEDS = int(os.environ.get("COILBOOK_FUZZ_SEEDS", "20"))
FLEETS_A_STORE = 10
SHOWN = 30
NOW = datetime(2026, 12, 1, tzinfo=UTC)


@contextmanager
def opened() -> Iterator[Store]:
    """A store in a folder of its own."""
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "facts.duckdb", threads=2) as store:
        yield store


def compare(store: Store, fleet: Fleet) -> None:
    """Fail with table, key, column, got and expected of the cells that differ."""
    lines = []
    for table, rows in facts_of(fleet, clear_sky_of(store)).items():
        lines += differences(table, stored(store, table), rows)
    assert not lines, f"{len(lines)} cells differ\n" + "\n".join(lines[:SHOWN])


@pytest.mark.parametrize("first", range(0, SEEDS, FLEETS_A_STORE))
def test_facts_of_random_fleets_equal_the_reference(first: int) -> None:
    fleet = merged([random_fleet(seed) for seed in range(first, first + FLEETS_A_STORE)])
    with opened() as store:
        put(store, fleet)
        refresh_facts(store)
        compare(store, fleet)


@pytest.mark.parametrize("first", range(3, 3 + max(3, SEEDS // 10), 3))
def test_facts_of_crowded_instants_equal_the_reference(first: int) -> None:
    fleet = merged([crowded_fleet(seed) for seed in range(first, first + 3)])
    with opened() as store:
        put(store, fleet)
        refresh_facts(store)
        compare(store, fleet)


DENVER = {"zone": "America/Denver", "power": power("03-07 12:00", "03-11 12:00", 30)}
DAYS = power("06-19 00:00", "06-22 00:00", 30)
EVENING = window("16:00", "20:00", kind="lockout")
ALL_DAY = switch("06-19 01:00 on", "06-21 23:00 off")
CORNERS: dict[str, dict[str, Any]] = {
    "a window that the clock change swallows, with a need": {
        **DENVER,
        "windows": [window("02:15", "03:00", need_minutes=60)],
    },
    "the same within a run": {
        **DENVER,
        "windows": [window("02:15", "03:00")],
        "switch": switch("03-09 01:00 on", "03-09 23:00 off"),
    },
    "runs of no length in a lockout, power not known": {
        "power": DAYS,
        "windows": [EVENING],
        "circuits": [circuit(rated_w=None)],
        "switch": switch("06-20 17:00 on", "06-20 17:00 off"),
    },
    "tariffs that meet on one day with other edges": {
        "power": DAYS,
        "windows": [EVENING],
        "switch": ALL_DAY,
        "tariffs": [
            tariff("00:00", "17:00", 0.1, valid_to=date(2025, 6, 20)),
            tariff("17:00", "00:00", 0.3, valid_to=date(2025, 6, 20)),
            tariff("00:00", "18:00", 0.2, valid_from=date(2025, 6, 20)),
            tariff("18:00", "00:00", 0.4, valid_from=date(2025, 6, 20)),
        ],
    },
    "a price for a part of a run": {
        "power": DAYS,
        "windows": [EVENING],
        "switch": ALL_DAY,
        "tariffs": [tariff("00:00", "17:00", 0.1), tariff("18:00", "00:00", 0.3)],
    },
    "settings of one day, and a newer row that rests on that weekday": {
        "power": DAYS,
        "windows": [
            window("08:00", "09:00"),
            window("10:00", "11:00", valid_from=date(2025, 6, 20), valid_to=date(2025, 6, 20)),
            window("12:00", "13:00", valid_from=date(2025, 6, 21), days="Mon"),
        ],
    },
}


@pytest.mark.parametrize("corner", CORNERS)
def test_corners_equal_the_reference(corner: str) -> None:
    fleet = small_fleet(**CORNERS[corner])
    with opened() as store:
        put(store, fleet)
        refresh_facts(store)
        compare(store, fleet)


@pytest.mark.parametrize("seed", range(90_000, 90_000 + max(1, SEEDS // 20)))
def test_facts_over_two_months_equal_the_reference(seed: int) -> None:
    """Long enough for whatever looks back 31 days: borrowed intervals, the rate of closings."""
    fleet = random_fleet(seed, days=66)
    with opened() as store:
        put(store, fleet)
        refresh_facts(store)
        compare(store, fleet)


@pytest.mark.parametrize("seed", range(500, 502))
def test_as_of_leaves_out_what_came_later(seed: int) -> None:
    fleet = random_fleet(seed)
    rows: list[Any] = [*fleet.switch, *fleet.power]
    stamps = sorted(row.ts for row in rows)
    as_of = stamps[2 * len(stamps) // 3]
    with opened() as store:
        put(store, fleet)
        refresh_facts(store, as_of=as_of)
        compare(store, fleet.before(as_of))


def test_facts_of_the_example_equal_the_reference() -> None:
    folder = Path(__file__).parents[2].parent / "shared" / "examples" / "two-sites"
    if not folder.is_dir():
        pytest.skip("the example of two sites does not lie beside the repository")
    with opened() as store:
        load_paths(store, [folder], now=NOW)
        refresh_facts(store)
        fleet = fleet_of(store)
        assert len(fleet.sites) == 2
        assert fleet.power
        assert fleet.switch
        compare(store, fleet)


def test_facts_of_a_demo_fleet_equal_the_reference(tmp_path: Path) -> None:
    write_fleet(tmp_path, sites=2, days=3, seed=11, interval_s=300)
    with opened() as store:
        load_paths(store, [tmp_path], now=NOW)
        refresh_facts(store)
        fleet = fleet_of(store)
        assert len(fleet.sites) == 2
        compare(store, fleet)


def everything(store: Store) -> dict[str, list[Fact]]:
    """All facts, every column."""
    return {table.name: stored(store, table.name) for table in FACTS}


def assert_identical(got: dict[str, list[Fact]], expected: dict[str, list[Fact]]) -> None:
    """Every bit of every number."""
    lines = [
        line
        for table, rows in expected.items()
        for line in differences(table, got[table], rows, exactly=True)
    ]
    assert not lines, f"{len(lines)} cells differ\n" + "\n".join(lines[:SHOWN])
    assert repr(got) == repr(expected)


def from_nothing(fleet: Fleet) -> dict[str, list[Fact]]:
    """The facts of one load and one refresh."""
    with opened() as store:
        put(store, fleet)
        refresh_facts(store)
        return everything(store)


def only(fleet: Fleet, rows: list[object]) -> Fleet:
    """The fleet's registry, with those of its log rows that are among `rows`."""
    chosen = {id(row) for row in rows}
    kept = {name: [r for r in getattr(fleet, name) if id(r) in chosen] for name in LOGS}
    return replace(fleet, **kept)


LOGS = ("switch", "power", "meter", "status", "service")
REGISTRY = ("sites", "circuits", "windows", "tariffs")


def split(rng: Random, fleet: Fleet) -> list[list[object]]:
    """The log rows in two to four loads: at random, by time with latecomers, by kind, a hole or day last."""
    rows = [row for name in LOGS for row in getattr(fleet, name)]
    count = rng.choice((2, 2, 3, 4))
    style = rng.choice(("random", "time", "kind", "hole", "day", "day"))
    parts: list[list[object]] = [[] for _ in range(count)]
    stamped = sorted(row.ts for name in LOGS[:4] for row in getattr(fleet, name))
    begin, end = stamped[0], stamped[-1]
    hole = begin + (end - begin) * rng.random()
    hole_end = hole + timedelta(hours=rng.choice((1, 7, 30)))
    kinds = {name: rng.randrange(count) for name in LOGS}
    zone = fleet.sites[0].timezone
    day = date_at(zone, hole)
    late = rng.choice((("power",), ("power", "switch"), ("switch",), LOGS))
    for name in LOGS:
        for row in getattr(fleet, name):
            ts = getattr(row, "ts", begin)
            if style == "random":
                place = rng.randrange(count)
            elif style == "time":
                place = min(count - 1, int(count * ((ts - begin) / (end - begin + timedelta(1e-6)))))
                place = rng.randrange(count) if rng.random() < 0.02 else place
            elif style == "kind":
                place = kinds[name]
            elif style == "day":
                place = int(name in late and date_at(zone, ts) == day)
            else:
                place = 1 if hole <= ts < hole_end else 0
            parts[place].append(row)
    assert sum(map(len, parts)) == len(rows)
    return parts


@pytest.mark.parametrize("seed", range(704, 704 + max(5, SEEDS // 4)))
def test_many_loads_and_refreshes_equal_one(seed: int) -> None:
    rng = Random(seed)
    fleet = merged([random_fleet(1000 * seed + n, days=rng.choice((None, None, None, 40))) for n in range(2)])
    with opened() as store:
        put(store, replace(fleet, **{name: [] for name in LOGS}))
        for number, part in enumerate(split(rng, fleet), start=1):
            load = only(fleet, part)
            put(store, replace(load, **{name: [] for name in REGISTRY}), number)
            refresh_facts(store)
        got = everything(store)
    assert_identical(got, from_nothing(fleet))


@pytest.mark.parametrize("seed", range(2))
def test_row_order_does_not_matter(seed: int) -> None:
    fleet = random_fleet(300 + seed)
    turned = Fleet(**{name: list(reversed(rows)) for name, rows in vars(fleet).items()})
    assert_identical(from_nothing(turned), from_nothing(fleet))


def test_a_late_row_before_the_fitting_leaves_the_count_alone() -> None:
    closings = switch(*(f"06-{n} {clock}" for n in (19, 20, 21) for clock in ("10:00 on", "11:00 off")))
    early = small_fleet(
        power=power("06-18 00:00", "06-22 23:30", 30),
        circuits=[circuit(fitted_on=date(2025, 6, 21))],
        switch=closings,
    )
    late = Fleet(switch=switch("06-20 12:00 off"))
    with opened() as store:
        put(store, early)
        refresh_facts(store)
        put(store, late, 2)
        refresh_facts(store)
        assert [row["ops"] for row in stored(store, "wear")] == [0, 0, 0, 1, 1]
