"""Builders for the facts of loads: a house whose power is drawn up piece by piece, at any sample length.

Site `s` and circuit `c` of `reference.small`; instants are UTC of 2025, as is the zone unless said otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from coilbook.analytics.facts_runner import refresh_facts
from coilbook.ingest.store import Store
from reference.coverage import Fact
from reference.into_store import put, stored
from reference.rows import Fleet, PowerSample
from reference.small import at

Load = tuple[str, str, float]  # from, to [UTC], W on top of the base


def samples(
    first: str, last: str, minutes: float, base: float, *loads: Load, **more: Any
) -> list[PowerSample]:
    """Samples from `first` up to `last` [W]: the base and what of each load falls into a sample, on "
    "average."""
    spans = [(at(a), at(b), watts) for a, b, watts in loads]
    step = timedelta(minutes=minutes)
    found = []
    here, stop = at(first), at(last)
    while here < stop:
        watts = base + sum(w * _overlap(a, b, here, here + step) / step for a, b, w in spans)
        found.append(PowerSample("s", here, more.get("pv", 0.0), watts, None, None, more.get("islanded")))
        here += step
    return found


def _overlap(a: datetime, b: datetime, c: datetime, d: datetime) -> timedelta:
    return max(min(b, d) - max(a, c), timedelta())


def without(rows: Sequence[PowerSample], *stamps: str) -> list[PowerSample]:
    """The samples but those that begin at these instants."""
    gone = {at(text) for text in stamps}
    return [row for row in rows if row.ts not in gone]


def wiggled(rows: Iterable[PowerSample], watts: Sequence[float]) -> list[PowerSample]:
    """The samples with these watts added, in turn."""
    return [
        PowerSample(r.site_id, r.ts, r.pv_w, (r.house_w or 0) + watts[n % len(watts)], None)
        for n, r in enumerate(rows)
    ]


def facts_of(fleet: Fleet, *tables: str) -> dict[str, list[Fact]]:
    """The facts asked for, from one load and one refresh."""
    return facts_in_parts([fleet], *tables)


def facts_in_parts(parts: Sequence[Fleet], *tables: str) -> dict[str, list[Fact]]:
    """The facts asked for, from one load and one refresh for each part in turn."""
    with (
        TemporaryDirectory() as folder,
        Store.open(Path(folder) / "facts.duckdb", threads=1) as store,
    ):
        for number, part in enumerate(parts, start=1):
            put(store, part, number)
            refresh_facts(store)
        return {table: stored(store, table) for table in tables}
