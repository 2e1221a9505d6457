"""Samples on the grid: gaps, holes, jitter, changing intervals, and the variability of PV."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest
from coilbook.analytics.replay.calendar import micros
from coilbook.analytics.replay.cohort import variability
from coilbook.analytics.replay.grid import Grid, lay
from small_fleet import sun_w

T0 = micros(datetime(2026, 3, 2))  # noqa: DTZ001
MINUTE = 60_000_000
DAYS = np.array([T0 + k * 1440 * MINUTE for k in range(-1, 5)], np.int64)


def laid(minutes: list[float], values: list[float] | None = None) -> tuple[Grid, list[float | None]]:
    ts = np.array([T0 + round(m * MINUTE) for m in minutes], np.int64)
    column = np.array(values if values is not None else range(len(minutes)), np.float32)
    grid, (out,) = lay(ts, [column], DAYS)
    return grid, [None if np.isnan(v) else float(v) for v in out]


def test_a_sample_holds_for_three_intervals_at_most() -> None:
    grid, cells = laid([0, 1, 2, 3, 6, 7, 12, 13])
    assert (grid.step_s, grid.n) == (60.0, 14)
    assert cells == [0, 1, 2, 3, 3, 3, 4, 5, 5, 5, None, None, 6, 7]


def test_jitter_of_seconds_makes_no_hole_and_no_pair() -> None:
    _, cells = laid([0, 1.1, 1.9, 3.0, 4.05, 5.0, 6.0])
    assert cells == [0, 1, 2, 3, 4, 5, 6]


def test_several_samples_of_a_cell_give_their_mean() -> None:
    _, cells = laid([0, 1, 2, 2.2, 3, 4], [0, 1, 2, 4, 5, 6])
    assert cells == [0, 1, 3, 5, 6]


def test_a_day_at_five_minutes_in_a_log_at_one_minute_has_no_holes() -> None:
    first = [float(m) for m in range(1440)]
    second = [1440.0 + m for m in range(0, 1440, 5)]
    third = [2880.0 + m for m in range(1440)]
    grid, cells = laid(first + second + third)
    assert grid.step_s == 60.0
    assert None not in cells
    assert cells[1440:1450] == [1440.0] * 5 + [1441.0] * 5


def test_unknown_power_is_a_hole() -> None:
    assert laid([0, 1, 2, 3], [5, np.nan, 6, 7])[1] == [5, None, 6, 7]


def test_a_log_too_long_for_its_interval_is_refused() -> None:
    with pytest.raises(ValueError, match="spans"):
        laid([0, 1e-5, 2e-5, 3e-5, 60_000])


def test_cells_of_instants_are_those_that_begin_at_or_after() -> None:
    grid = Grid(T0, MINUTE, 10)
    instants = np.array([T0 - 5, T0, T0 + 1, T0 + MINUTE, T0 + 99 * MINUTE], np.int64)
    assert grid.cells(instants).tolist() == [0, 0, 1, 1, 10]


def test_variability_is_one_for_clear_days_and_more_for_broken_ones() -> None:
    days = 6
    midnights = np.array([T0 + k * 1440 * MINUTE for k in range(days + 1)], np.int64)
    grid = Grid(T0, MINUTE, days * 1440)
    index = {
        b: variability(sun_w(days, 4000.0, b, 3).astype(np.float32), grid, midnights) for b in (0.0, 0.2, 0.6)
    }
    assert index[0.0] == pytest.approx(1.0, abs=1e-3)
    assert min(index[0.2], index[0.6]) > 2
    five = Grid(T0, 5 * MINUTE, days * 288)
    coarse = variability(sun_w(days, 4000.0, 0.2, 3, 300).astype(np.float32), five, midnights)
    assert coarse == pytest.approx(index[0.2], rel=0.02)
    assert timedelta(microseconds=grid.step_us) == timedelta(minutes=1)
