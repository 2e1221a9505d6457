"""Evaluation fleets: simulated, loaded as any log is, reviewed, and read back beside what was planted."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl
from coilbook.analytics.review import review
from coilbook.fixtures.fleet import FleetFiles, write_fleet
from coilbook.fixtures.trials import try_out
from coilbook.ingest.load import load_paths
from coilbook.ingest.store import Store

NOW = datetime(2030, 1, 1, tzinfo=UTC)
INTERVALS_S = (60, 300, 900)
# Of four seasons; the first and the last hold a change of clocks.
STARTS = (date(2026, 2, 23), date(2026, 5, 11), date(2026, 8, 3), date(2026, 10, 12))


@dataclass(frozen=True)
class Plan:
    """One fleet; everything in it follows from these."""

    seed: int
    interval_s: int
    sites: int = 30
    days: int = 28

    @property
    def start(self) -> date:
        return STARTS[self.seed % len(STARTS)]


@dataclass(frozen=True)
class Observed:
    """What was planted in a fleet, what its logs show by plain code, and what the review said.

    `planted`: rule, subject, site_id, first, last, strength. `shown` (what a perfect judge of the logs would
    raise) and `not_judged`: rule, subject, local_date; `findings`: explained_by besides. `cases`: rule,
    subject, site_id, severity, first_finding_on, opened_on, last_finding_on. `first` and `last` are the first
    and last whole day.
    """

    interval_s: int
    first: date
    last: date
    sites: tuple[str, ...]
    planted: pl.DataFrame
    shown: pl.DataFrame
    findings: pl.DataFrame
    not_judged: pl.DataFrame
    cases: pl.DataFrame


def observe(plan: Plan) -> Observed:
    """Simulate, load and review one fleet in a temporary folder."""
    with _files(plan) as (folder, files), Store.open(folder / "store.duckdb", threads=1) as store:
        for row in load_paths(store, [folder / "registry", folder / "logs"], now=NOW):
            assert row.error is None, row
        review(store, now=NOW.replace(tzinfo=None))
        with store.reading() as session:
            read = {name: session.frame(sql) for name, sql in QUERIES.items()}
        last = plan.start + timedelta(days=plan.days - 1)
        planted, shown = _planted(files.truth), _shown(files.truth_days)
    sites = tuple(read.pop("sites")["site_id"])
    return Observed(plan.interval_s, plan.start, last, sites, planted, shown, **read)


@contextmanager
def _files(plan: Plan) -> Iterator[tuple[Path, FleetFiles]]:
    with TemporaryDirectory() as name:
        folder = Path(name)
        yield (
            folder,
            write_fleet(
                folder,
                sites=plan.sites,
                days=plan.days,
                seed=plan.seed,
                interval_s=plan.interval_s,
                planting=try_out,
                start=plan.start,
            ),
        )


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as text:
        return list(csv.DictReader(text))


def _planted(path: Path) -> pl.DataFrame:
    """The simulator names subjects SITE, SITE-circuit and SITE-controller."""
    schema: dict[str, Any] = dict.fromkeys(("rule", "subject", "site_id"), pl.String)
    schema |= {"first": pl.Date, "last": pl.Date, "strength": pl.String}
    rows = [
        {
            **{name: row[name] for name in ("rule", "subject", "strength")},
            "site_id": row["subject"].split("-")[0],
            "first": date.fromisoformat(row["first_date"]),
            "last": date.fromisoformat(row["last_date"]),
        }
        for row in _rows(path)
    ]
    return pl.DataFrame(rows, schema=schema)


def _shown(path: Path) -> pl.DataFrame:
    rows = [(r["rule"], r["subject"], date.fromisoformat(r["local_date"])) for r in _rows(path)]
    schema = {"rule": pl.String, "subject": pl.String, "local_date": pl.Date}
    return pl.DataFrame(rows, schema=schema, orient="row")


QUERIES = {
    "sites": "SELECT DISTINCT site_id FROM site ORDER BY site_id",
    "findings": "SELECT rule, subject, local_date, explained_by FROM finding",
    "not_judged": "SELECT DISTINCT rule, subject, local_date FROM not_judged",
    "cases": """
        SELECT rule, subject, site_id, severity, first_finding_on, opened_on, last_finding_on
        FROM service_case WHERE state <> 'withdrawn'
    """,
}
