"""How long judging takes: the morning of a large fleet, and a month of a middling one.

Run with `pytest tests/benchmarks/test_judge_speed.py --benchmark-enable`.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from coilbook.analytics.cases import update_cases
from coilbook.analytics.judge import judge_fleet, judge_sites
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.analytics.rules.shape import table_schema
from coilbook.ingest.store import Store

LAST = date(2026, 3, 31)
HORIZON = datetime.fromisoformat("2026-04-01T06:00")
SETTINGS = RuleSettings()
CIRCUITS_A_SITE = (2, 3)


def fleet(path: Path, sites: int, days: int) -> tuple[Store, list[str]]:
    """A store with `sites` sites of two or three circuits; facts of `days` days, faults among them."""
    rng = np.random.default_rng(5)
    store = Store.open(path)
    ids = [f"s{i:04}" for i in range(sites)]
    circuits = [(s, f"{s}-c{k}") for i, s in enumerate(ids) for k in range(CIRCUITS_A_SITE[i % 2])]
    dates = [LAST - timedelta(days=d) for d in range(days)]
    site_days = pl.DataFrame({"site_id": ids}).join(pl.DataFrame({"local_date": dates}), how="cross")
    circuit_days = pl.DataFrame(circuits, schema=["site_id", "circuit_id"], orient="row").join(
        pl.DataFrame({"local_date": dates}), how="cross"
    )
    zero = pl.col("local_date").cast(pl.Datetime("us"))
    put(
        store,
        "site",
        pl.DataFrame({"site_id": ids}),
        timezone=pl.lit("America/Denver"),
        tariff_id=pl.lit("t"),
    )
    put(
        store,
        "circuit",
        pl.DataFrame(circuits, schema=["site_id", "circuit_id"], orient="row"),
        controller_id="site_id",
        appliance=pl.lit("pool_pump"),
        min_run_s=pl.lit(1800.0),
        surplus_on_w=pl.lit(1500.0),
    )
    put(
        store,
        "coverage",
        site_days.with_row_index("i"),
        samples=pl.lit(1440),
        covered_s=pl.when(pl.col("i") % 50 == 0).then(20000.0).otherwise(86400.0),
        first_ts=zero,
        last_ts=zero + pl.duration(hours=23),
    )
    put(store, "controller_day", site_days, controller_id="site_id", events=pl.lit(20), lost_events=pl.lit(0))
    faults = circuit_days.with_columns(fault=pl.Series(rng.random(circuit_days.height)))
    put(
        store,
        "circuit_day",
        faults,
        starts=pl.lit(5),
        short_runs=pl.when(pl.col("fault") < 0.02).then(4).otherwise(0),
        max_starts_1h=pl.lit(2),
    )
    runs = circuit_days.join(pl.DataFrame({"hour": [9, 11, 13, 15, 17]}), how="cross")
    start = zero + pl.duration(hours=pl.col("hour"))
    put(store, "run", runs, start=start, end=start + pl.duration(minutes=40), duration_s=pl.lit(2400.0))
    put(
        store,
        "surplus_start",
        runs.with_columns(fault=pl.Series(rng.random(runs.height))),
        start=start,
        why=pl.when(pl.col("fault") < 0.1).then(pl.lit("cloud")).otherwise(pl.lit("none")),
        grid_wh=pl.lit(100.0),
    )
    window = {"start_ts": zero, "end_ts": zero + pl.duration(hours=4)}
    missed = pl.when(pl.col("fault") > 0.98).then(pl.lit("missed")).otherwise(pl.lit("met"))
    put(
        store,
        "window_result",
        faults,
        window_id=pl.lit("r1"),
        need_s=pl.lit(14400.0),
        on_s=pl.lit(0.0),
        verdict=missed,
        **window,
    )
    on_s = pl.when(pl.col("fault") > 0.99).then(900.0).otherwise(0.0)
    put(store, "lockout_result", faults, window_id=pl.lit("k1"), on_s=on_s, **window)
    rate = 5 + 60 * pl.col("fault") ** 30
    life = {"ops": pl.lit(9000.0), "used": pl.lit(0.09), "rate_days": pl.lit(28)}
    put(store, "wear", faults, ops_per_day=rate, **life)
    return store, ids


def put(store: Store, table: str, frame: pl.DataFrame, **columns: Any) -> None:
    schema = table_schema(table)
    named = frame.with_columns(**columns)
    with store.writing() as session:
        session.put(table, named.select(pl.col(n).cast(t) for n, t in schema.items() if n in named.columns))


@pytest.mark.parametrize(("sites", "days"), [(1000, 1), (200, 30)])
def test_judging_and_cases(benchmark: Any, tmp_path: Path, sites: int, days: int) -> None:
    store, ids = fleet(tmp_path / "fleet.duckdb", sites, 30)
    first = LAST - timedelta(days=days - 1)

    def review() -> int:
        with store.writing() as session:
            found = judge_sites(session, ids, first, LAST, HORIZON, SETTINGS)
            found += judge_fleet(session, first, LAST, HORIZON, SETTINGS)
            update_cases(session, ids, HORIZON, SETTINGS)
        return found

    found = benchmark.pedantic(review, rounds=3, iterations=1)
    store.close()
    assert found > sites * days / 100
