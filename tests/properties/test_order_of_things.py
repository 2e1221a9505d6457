"""The same rows give the same facts, findings and cases, however they come.

Small random fleets, through real files, loads and reviews; exports are compared byte by byte.
COILBOOK_FUZZ_SEEDS=N tries more of them.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import polars as pl
from coilbook.analytics.review import review
from fleet_files import (
    ENDINGS,
    EXAMPLES,
    LOGS,
    NOW,
    REGISTRY,
    Row,
    assert_equal,
    assert_equal_frames,
    fleet_of,
    frames,
    judged,
    load,
    opened,
    plain,
    rows_of,
    write,
    write_fleet,
)
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st
from reference.random_fleet import merged
from reference.rows import Fleet

fleets = st.integers(0, EXAMPLES - 1)
chances = st.integers(0, 2**16).map(Random)

Test = Callable[..., None]


def tried(test: Test) -> Test:
    """A few examples, the same on every run: a seed that fails is already as small as it gets."""
    return settings(
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )(test)


@tried
@given(fleets, chances)
def test_the_order_of_rows(seed: int, rng: Random) -> None:
    with opened() as (store, folder):
        paths = []
        for kind in (*REGISTRY, *LOGS):
            rows = rows_of(fleet_of(seed), kind)
            rng.shuffle(rows)
            paths += [write(folder / f"{kind}.csv", rows)] if rows else []
        load(store, paths)
        assert_equal(judged(store), plain(seed))


@tried
@given(fleets, chances)
def test_how_rows_are_spread_over_files_and_forms(seed: int, rng: Random) -> None:
    with opened() as (store, folder):
        paths = [path for kind in (*REGISTRY, *LOGS) for path in spread(rng, folder, fleet_of(seed), kind)]
        load(store, rng.sample(paths, len(paths)))
        assert_equal(judged(store), plain(seed))


def spread(rng: Random, folder: Path, fleet: Fleet, kind: str) -> list[Path]:
    """The rows of a kind in one to four files of any form."""
    parts: list[list[Row]] = [[] for _ in range(rng.randint(1, 4))]
    for row in rows_of(fleet, kind):
        rng.choice(parts).append(row)
    names = (folder / f"{kind}-{n}{rng.choice(ENDINGS)}" for n in range(len(parts)))
    return [write(path, rows) for path, rows in zip(names, parts, strict=True) if rows]


@tried
@given(fleets, chances)
def test_the_order_of_loads(seed: int, rng: Random) -> None:
    """One load a file: rows of what the registry does not know yet wait for it."""
    with opened() as (store, folder):
        paths = [path for kind in (*REGISTRY, *LOGS) for path in spread(rng, folder, fleet_of(seed), kind)]
        held = sum(
            entry.quarantined for path in rng.sample(paths, len(paths)) for entry in load(store, [path])
        )
        assert_equal(judged(store), plain(seed))
        with store.reading() as session:
            states = session.rows("SELECT state, count(*) FROM quarantine GROUP BY ALL")
        assert states == ([("released", held)] if held else [])


@tried
@given(fleets)
def test_loading_twice(seed: int) -> None:
    with opened() as (store, folder):
        paths = write_fleet(folder, fleet_of(seed))
        load(store, paths)
        for entry in load(store, paths):
            assert (entry.accepted, entry.replaced, entry.quarantined) == (0, 0, 0), entry
            assert entry.duplicate == entry.rows_read > 0
        assert_equal(judged(store), plain(seed))
        load(store, paths)
        assert review(store, now=NOW.replace(tzinfo=None)).site_days == 0
        assert_equal(judged(store), plain(seed))


@tried
@given(fleets, chances)
def test_one_review_or_many(seed: int, rng: Random) -> None:
    """Logs come day by day, a few rows late, with a review after each load."""
    fleet = fleet_of(seed)
    with opened() as (store, folder):
        registry = write_fleet(
            folder / "registry", Fleet(**{kind: getattr(fleet, kind) for kind in REGISTRY})
        )
        load(store, registry)
        for number, part in enumerate(mornings(rng, fleet)):
            load(store, write_fleet(folder / str(number), part))
            review(store, now=NOW.replace(tzinfo=None))
        assert_equal_frames(frames(judged(store)), frames(plain(seed)))


def mornings(rng: Random, fleet: Fleet) -> list[Fleet]:
    """The logs in three to five loads by time, one row in fifty in some other load."""
    stamps = sorted(moment(row) for kind in LOGS for row in getattr(fleet, kind))
    cuts = sorted(rng.sample(stamps, rng.randint(2, 4)))
    parts = [Fleet() for _ in range(len(cuts) + 1)]
    for kind in LOGS:
        for row in getattr(fleet, kind):
            place = sum(moment(row) >= cut for cut in cuts)
            place = rng.randrange(len(parts)) if rng.random() < 0.02 else place
            getattr(parts[place], kind).append(row)
    return [part for part in parts if any(getattr(part, kind) for kind in LOGS)]


def moment(row: Any) -> datetime:
    """When a log row was written; work at a circuit at noon of its date."""
    ts: datetime | None = getattr(row, "ts", None)
    return ts or datetime.fromisoformat(f"{row.date}T12:00")


@tried
@given(fleets, fleets.map(lambda seed: seed + 1_000))
def test_another_site_changes_nothing_for_the_others(first: int, second: int) -> None:
    """The fleet is judged up to its newest log, so the fleet that has it stays; what compares sites apart."""
    others, ours = sorted((first, second), key=newest)
    assume(newest(ours) - newest(others) > timedelta(hours=3))  # more than what a last sample covers
    with opened() as (store, folder):
        load(store, write_fleet(folder, merged([fleet_of(ours), fleet_of(others)])))
        got = frames(judged(store))
    expected = frames(plain(ours))
    names = {row.site_id for row in fleet_of(ours).sites}
    own = {name: frame.filter(pl.col("site_id").is_in(names)) for name, frame in got.items()}
    assert_equal_frames(*(of_single_sites(side) for side in (own, expected)))


def newest(seed: int) -> datetime:
    """The newest instant in any log of a fleet."""
    fleet = fleet_of(seed)
    rows = [*fleet.switch, *fleet.power, *fleet.meter, *fleet.status]
    return max(moment(row) for row in rows)


def of_single_sites(found: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Without the verdicts of the rule that compares sites."""
    verdicts = ("finding", "not_judged", "case")
    return {**found, **{name: found[name].filter(pl.col("rule") != "wearing_fast") for name in verdicts}}
