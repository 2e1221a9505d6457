"""The starts limits against published ones, and the rule against a worked example of NEMA MG 10.

NEMA MG 10 Table 2-3 (as printed in the EASA handbook) holds for three-phase Design A and B motors; pool and
well pumps of homes are mostly single-phase, so it bounds the defaults from above and does not set them.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any

import polars as pl
import pytest
from coilbook.analytics.rules.shape import (
    CIRCUITS,
    FACTS,
    SITE_DAYS,
    TARIFF_HOURS,
    WINDOWS,
    Frames,
    table_schema,
)
from coilbook.analytics.rules.short_cycling import RULE, Settings
from coilbook.analytics.rules.starts_limits import StartsPerHour

# NEMA MG 10 Table 2-3, column A [starts/h]: hp to 2-pole, 4-pole, 6-pole.
NEMA_STARTS = {1: (15, 30, 34), 1.5: (12.9, 25.7, 29.1), 2: (11.5, 23, 26.1), 3: (9.9, 19.8, 22.4)}
# Same table, column C [s]: least rest between starts.
NEMA_REST_S = {1: (75, 38, 33), 1.5: (76, 38, 34), 2: (77, 39, 35), 3: (80, 40, 36)}
# 25 hp, 4-pole: column A, column B [starts/h x lb-ft2]; the handbook's example has a load of 50 lb-ft2.
EXAMPLE_A, EXAMPLE_B, EXAMPLE_INERTIA = 8.8, 122.0, 50.0
# Storage tank standard: at most so many starts an hour for pumps above 3/4 hp, and up to 3/4 hp.
TANK_ABOVE, TANK_UP_TO = 7.5, 15.0
# Submersible motors, application manual Table 3 [starts/24 h]: single-phase, three-phase.
SUBMERSIBLE_A_DAY = {"up to 0.75 hp": (300, 300), "1 to 5.5 hp": (100, 300)}
# Makers of hermetic compressors allow 6 to 12 starts an hour.
COMPRESSOR = (6.0, 12.0)

LIMITS = StartsPerHour()
DAY = date(2026, 3, 14)


@pytest.mark.parametrize("hp", NEMA_STARTS)
def test_a_pool_pump_is_held_to_less_than_any_motor_of_its_size_stands(hp: float) -> None:
    assert min(NEMA_STARTS[hp]) >= LIMITS.pool_pump
    cycle_s = 3600 / LIMITS.pool_pump
    assert cycle_s > max(NEMA_REST_S[hp])


def test_a_well_pump_keeps_to_the_tank_standard_above_three_quarters_of_a_horsepower() -> None:
    assert LIMITS.well_pump == TANK_ABOVE < TANK_UP_TO


def test_a_well_pump_at_its_hourly_limit_all_day_stays_within_the_three_phase_daily_limit() -> None:
    three_phase = min(limit for _, limit in SUBMERSIBLE_A_DAY.values())
    assert LIMITS.well_pump * 24 <= three_phase


@pytest.mark.parametrize("kind", ["air_conditioner", "heat_pump"])
def test_compressors_keep_to_the_strictest_maker(kind: str) -> None:
    assert getattr(LIMITS, kind) == min(COMPRESSOR)


@pytest.mark.parametrize(("starts", "fires"), [(2, False), (3, True)])
def test_worked_example_of_a_heavy_load(starts: int, fires: bool) -> None:
    """25 hp, 4-pole, 50 lb-ft2: min(8.8, 122 / 50) = 2.44 starts an hour, so two pass and three do not."""
    limit = min(EXAMPLE_A, EXAMPLE_B / EXAMPLE_INERTIA)
    assert limit == pytest.approx(2.44)
    assert _short_cycling(starts, limit) is fires


@pytest.mark.parametrize(("starts", "fires"), [(7, False), (8, True)])
def test_the_tank_standard_at_its_edge(starts: int, fires: bool) -> None:
    assert _short_cycling(starts, TANK_ABOVE) is fires


def _short_cycling(starts: int, limit: float) -> bool:
    """Whether `starts` runs of a minute, evenly spread over 59 minutes, are too many for a limit [1/h]."""
    own = {"site_id": "s1", "circuit_id": "c1", "local_date": DAY}
    nine = datetime.combine(DAY, time(9))
    begins = [nine + timedelta(seconds=3540 * i / (starts - 1)) for i in range(starts)]
    run = {"duration_s": 60.0, "cause_on": "clock", "cause_off": "clock"}
    tables = {
        "circuit_day": [own | {"starts": starts, "max_starts_1h": starts, "short_runs": 0, "short_rests": 0}],
        "run": [own | run | {"start": t, "end": t + timedelta(minutes=1)} for t in begins],
    }
    frames = Frames(
        horizon=nine + timedelta(days=1),
        first=DAY,
        last=DAY,
        site_days=_frame([own | {"timezone": "UTC", "covered_share": 1.0}], SITE_DAYS),
        circuits=_frame([own | {"appliance": "pool_pump"}], CIRCUITS),
        windows=_frame([], WINDOWS),
        tariff_hours=_frame([], TARIFF_HOURS),
        **{table: _frame(tables.get(table, []), table_schema(table)) for table in FACTS},
    )
    settings = Settings(max_starts_per_hour=replace(LIMITS, pool_pump=limit))
    return bool(RULE.judge(frames, settings).findings.height)


def _frame(rows: list[dict[str, Any]], schema: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)
