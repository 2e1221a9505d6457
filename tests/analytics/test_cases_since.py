"""Cases computed from the day on which something changed are those computed from all days.

Two stores go through the same mornings: one looks no further back than it must, the other at everything. A
circuit's history is a string, a character a day: F a finding, x one that another rule explains, . a clean
day, - one with nothing to judge, a blank one that was not judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import polars as pl
import pytest
from coilbook.analytics.cases import update_cases
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.analytics.rules.shape import table_schema
from coilbook.ingest.store import Store

FIRST = date(2026, 3, 1)
RULES = ("chatter", "short_cycling", "lost_events")  # 1 of 1, 2 of 7, 3 of 14
MOODS = ("FFFFFFF.", "F..", "F......", "FFx...- ", "....-- x", "FFFF  -")
CIRCUITS = [f"c{i}" for i in range(24)]
MORNINGS = 6


def history(rng: Random, length: int) -> str:
    """Stretches of days, each of its own mood."""
    days = ""
    while len(days) < length:
        mood = rng.choice(MOODS)
        days += "".join(rng.choice(mood) for _ in range(rng.randint(3, 25)))
    return days[:length]


def put(store: Store, table: str, rows: list[dict[str, Any]]) -> None:
    schema = table_schema(table)
    frame = pl.DataFrame([{n: row.get(n) for n in schema} for row in rows], schema=schema)
    with store.writing() as session:
        session.run(f"DELETE FROM {table}")  # noqa: S608 - names
        session.put(table, frame)


def morning(store: Store, days: dict[str, str], since: date | None) -> list[tuple[Any, ...]]:
    """The logs say `days` now; the cases that stand after this morning's review."""
    length = max(map(len, days.values()))
    dates = [FIRST + timedelta(days=i) for i in range(length)]
    put(store, "coverage", [{"site_id": "s", "local_date": day} for day in dates])
    of_day: dict[str, list[dict[str, Any]]] = {"circuit_day": [], "not_judged": [], "finding": []}
    for circuit, kinds in days.items():
        for day, kind in zip(dates, kinds, strict=False):
            row = {"circuit_id": circuit, "subject": circuit, "site_id": "s", "local_date": day}
            of_day["circuit_day"].append(row | {"starts": int(kind != "-")})
            ruled = [row | {"rule": rule, "subject_kind": "circuit"} for rule in RULES]
            if kind in "Fx":
                cause = "silent" if kind == "x" else None
                of_day["finding"] += [r | {"severity": "wear", "explained_by": cause} for r in ruled]
            if kind == " ":
                of_day["not_judged"] += ruled
    for table, rows in of_day.items():
        put(store, table, rows)
    horizon = datetime.combine(dates[-1] + timedelta(days=1), datetime.min.time()) + timedelta(hours=12)
    with store.writing() as session:
        update_cases(session, ["s"], horizon, RuleSettings(), since)
        return session.rows("FROM service_case ORDER BY case_id")


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[tuple[Store, Store]]:
    with Store.open(tmp_path / "a.duckdb") as one, Store.open(tmp_path / "b.duckdb") as other:
        for store in (one, other):
            put(store, "site", [{"site_id": "s", "name": "Fen", "timezone": "UTC"}])
        yield one, other


@pytest.mark.parametrize("seed", range(6))
def test_cases_do_not_depend_on_how_far_back_they_are_looked_for(
    stores: tuple[Store, Store], seed: int
) -> None:
    rng = Random(seed)
    days = {circuit: history(rng, 60) for circuit in CIRCUITS}
    assert morning(stores[0], days, None) == morning(stores[1], days, None)
    for _ in range(MORNINGS):
        length = max(map(len, days.values()))
        changed = rng.randint(max(1, length - 20), length)  # logs that come late change the days from here on
        length += rng.choice((1, 1, 1, 5))
        days = {c: kept[:changed] + history(rng, length - changed) for c, kept in days.items()}
        since = FIRST + timedelta(days=changed)
        few = morning(stores[0], days, since)
        assert few == morning(stores[1], days, None)
        assert len(few) > len(CIRCUITS)
