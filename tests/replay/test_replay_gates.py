"""Windows, prices, weeks and months of the registry on a grid, across clock changes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta

import numpy as np
import pytest
from coilbook.analytics.replay.calendar import Days, Price, Window, ended, in_force, micros, on_days
from coilbook.analytics.replay.gates import (
    NO_PRICE,
    circuit_gates,
    covered_cells,
    halves,
    price_classes,
    within_months,
)
from coilbook.analytics.replay.grid import Grid
from coilbook.analytics.replay.kernel import FREE, HOLE, LOCKOUT, RUN_WINDOW

QUARTER = 900_000_000


def grid_from(first: datetime, days: int) -> Grid:
    return Grid(micros(first), QUARTER, days * 96)


def window(kind: str, start: time, end: time, **more: object) -> Window:
    fields = {"days": "daily", "valid_from": None, "valid_to": None, "window_id": "w", "need_s": None}
    return Window(kind=kind, start=start, end=end, **(fields | more))  # type: ignore[arg-type]


def starts_of(gates: np.ndarray, gate: int, grid: Grid) -> list[datetime]:
    edge = np.flatnonzero((gates == gate) & (np.concatenate([[FREE], gates[:-1]]) != gate))
    return [datetime(1970, 1, 1) + timedelta(microseconds=int(grid.t0_us + k * grid.step_us)) for k in edge]  # noqa: DTZ001


def gates_of(grid: Grid, days: Days, *windows: Window) -> np.ndarray:
    none = np.zeros(grid.n, bool)
    return circuit_gates(grid, days, windows, none, none)


def test_windows_follow_the_clock_over_its_change() -> None:
    """America/Denver goes forward on 8 March 2026 at 09:00Z (tzdata):

    17:00 is 00:00Z before and 23:00Z after.
    """
    grid = grid_from(datetime(2026, 3, 7, 7), 3)  # noqa: DTZ001
    days = Days("America/Denver", date(2026, 3, 6), date(2026, 3, 10))
    gates = gates_of(grid, days, window("lockout", time(17), time(21)))
    expected = [datetime(2026, 3, 8, 0), datetime(2026, 3, 8, 23), datetime(2026, 3, 9, 23)]  # noqa: DTZ001
    assert starts_of(gates, LOCKOUT, grid) == expected
    assert (gates == LOCKOUT).sum() == 3 * 16


def test_a_window_over_midnight_and_one_from_the_day_before_the_log() -> None:
    grid = grid_from(datetime(2026, 1, 5), 2)  # noqa: DTZ001
    days = Days("UTC", date(2026, 1, 4), date(2026, 1, 6))
    gates = gates_of(grid, days, window("run", time(22, 30), time(1, 30)))
    assert starts_of(gates, RUN_WINDOW, grid) == [
        datetime(2026, 1, 5),  # noqa: DTZ001
        datetime(2026, 1, 5, 22, 30),  # noqa: DTZ001
        datetime(2026, 1, 6, 22, 30),  # noqa: DTZ001
    ]
    assert (gates == RUN_WINDOW).sum() == 6 + 12 + 6


def test_need_weekdays_history_and_precedence() -> None:
    grid = grid_from(datetime(2026, 1, 5), 7)  # noqa: DTZ001 - a Monday
    days = Days("UTC", date(2026, 1, 4), date(2026, 1, 11))
    short = gates_of(grid, days, window("run", time(10), time(14), need_s=3600.0, days="Mon,Wed"))
    assert [s.day for s in starts_of(short, RUN_WINDOW, grid)] == [5, 7]
    assert (short == RUN_WINDOW).sum() == 2 * 4
    old = window("run", time(8), time(9), valid_to=date(2026, 1, 8))
    new = window("run", time(12), time(13), valid_from=date(2026, 1, 8))
    moved = gates_of(grid, days, old, new)
    assert [s.hour for s in starts_of(moved, RUN_WINDOW, grid)] == [8, 8, 8, 12, 12, 12, 12]
    none = np.zeros(grid.n, bool)
    first_hour, second_hour = none.copy(), none.copy()
    first_hour[:4], second_hour[4:8] = True, True
    all_day = (window("run", time(0), time(0)), window("lockout", time(0), time(3)))
    gates = circuit_gates(grid, days, all_day, second_hour, first_hour)
    assert gates[[0, 4, 8, 12]].tolist() == [HOLE, LOCKOUT, LOCKOUT, RUN_WINDOW]


def test_of_several_rows_the_latest_holds_and_the_older_comes_back() -> None:
    days = Days("UTC", date(2026, 1, 1), date(2026, 1, 6))
    always = window("run", time(1), time(2))
    between = window("run", time(3), time(4), valid_from=date(2026, 1, 3), valid_to=date(2026, 1, 4))
    first, second = in_force(days, [always, between])
    assert second.tolist() == [False, False, True, True, False, False]
    assert (first ^ second).all()


def test_weekend_and_weekday_names() -> None:
    days = Days("UTC", date(2026, 1, 5), date(2026, 1, 11))
    assert on_days(days, "weekdays").tolist() == [True] * 5 + [False] * 2
    assert on_days(days, "Sat, sun").tolist() == on_days(days, "weekends").tolist()


def price(days: str, start: time, end: time, buy: float) -> Price:
    return Price(days, start, end, None, None, buy, 0.05, "EUR")


def test_prices_and_hours_without_one() -> None:
    grid = grid_from(datetime(2026, 1, 9), 2)  # noqa: DTZ001 - Friday, Saturday
    days = Days("UTC", date(2026, 1, 8), date(2026, 1, 10))
    rows = [price("daily", time(0), time(17), 0.2), price("daily", time(17), time(21), 0.4)]
    rows.append(price("weekends", time(17), time(19), 0.1))
    found = price_classes(grid, days, rows)
    hourly = [found.buy_per_kwh[k] if k != NO_PRICE else None for k in found.classes[::4]]
    assert hourly[:24] == [0.2] * 17 + [0.4] * 4 + [None] * 3
    assert hourly[24:] == [0.2] * 17 + [0.1] * 2 + [0.4] * 2 + [None] * 3
    half = np.zeros(grid.n, np.uint8)
    gates = np.zeros(grid.n, np.uint8)
    assert covered_cells(gates, half, found.classes)[1]
    gates[found.classes == NO_PRICE] = HOLE
    count, unpriced = covered_cells(gates, half, found.classes)
    assert (count.tolist(), unpriced) == ([2 * 84, 0], False)


def test_of_prices_that_overlap_the_one_that_began_last_holds() -> None:
    """As the facts read a tariff: the later begin, then the earlier end, then the dearer price."""
    grid = grid_from(datetime(2026, 1, 5), 1)  # noqa: DTZ001 - a Monday
    days = Days("UTC", date(2026, 1, 4), date(2026, 1, 5))
    rows = [price("Mon", time(6), time(20), 0.1), price("daily", time(8), time(12), 0.2)]
    rows += [price("weekdays", time(8), time(10), 0.3), price("daily", time(22), time(2), 0.4)]
    rows += [price("Mon", time(14), time(15), 0.6), price("daily", time(14), time(15), 0.5)]
    found = price_classes(grid, days, rows)
    hourly = [found.buy_per_kwh[k] if k != NO_PRICE else None for k in found.classes[::4]]
    assert hourly[:8] == [0.4] * 2 + [None] * 4 + [0.1] * 2
    assert hourly[8:14] == [0.3] * 2 + [0.2] * 2 + [0.1] * 2
    assert hourly[14:] == [0.6] + [0.1] * 5 + [None] * 2 + [0.4] * 2


def test_a_row_that_ends_on_the_day_another_begins_leaves_that_day_to_it() -> None:
    old = Price("daily", time(0), time(0), None, date(2026, 1, 6), 0.1, 0.05, "EUR")
    new = Price("daily", time(6), time(8), date(2026, 1, 6), None, 0.2, 0.05, "EUR")
    assert ended([old, new]) == [replace(old, valid_to=date(2026, 1, 5)), new]
    assert ended([old, replace(new, valid_from=date(2026, 1, 7))])[0] == old


def test_weeks_turn_on_monday_and_months_are_local() -> None:
    grid = grid_from(datetime(2026, 1, 30, 6), 16)  # noqa: DTZ001 - midnight in Chicago
    days = Days("America/Chicago", date(2026, 1, 29), date(2026, 2, 15))
    turns = np.flatnonzero(np.diff(halves(grid, days).astype(int))) + 1
    assert [(date(2026, 1, 30) + timedelta(days=int(t) // 96)).weekday() for t in turns] == [0, 0]
    assert (turns % 96 == 0).all()
    assert within_months(grid, days, [2]).sum() == 14 * 96
    with pytest.raises(ValueError, match="too fine"):
        price_classes(grid, days, [price("daily", time(0), time(0), k / 1000) for k in range(300)])
