"""Wall times of the registry on the days of a replay: which windows and prices are in force in which cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from coilbook.ingest.local_time import ONE_DAY, days_between, instant
from numpy.typing import NDArray

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - instants are naive UTC throughout

Instants = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Dated:
    """What every registry row of a window or price carries: its days of the week, wall times and validity."""

    days: str
    start: time
    end: time
    valid_from: date | None
    valid_to: date | None


Row = TypeVar("Row", bound=Dated)


@dataclass(frozen=True)
class Window(Dated):
    """A run or lockout window; `need_s` [s] of a run window, None = all of it."""

    window_id: str
    kind: str
    need_s: float | None


@dataclass(frozen=True)
class Price(Dated):
    """Prices of a kWh [currency] from `start` to `end`."""

    buy_per_kwh: float
    sell_per_kwh: float
    currency: str


@dataclass(frozen=True)
class Days:
    """Local days of a zone from `first` to `last`, both included."""

    zone: str
    first: date
    last: date

    def __len__(self) -> int:
        return (self.last - self.first).days + 1


def micros(ts: datetime) -> int:
    """A naive UTC instant as us since 1970."""
    return (ts - EPOCH) // timedelta(microseconds=1)


@lru_cache(maxsize=4096)
def wall_instants(days: Days, wall: time) -> Instants:
    """Instants [us] of a wall time on each day and the day after the last (len + 1,)."""
    found = [micros(instant(days.zone, day, wall)) for day in days_between(days.first, days.last + ONE_DAY)]
    instants = np.array(found, np.int64)
    instants.flags.writeable = False
    return instants


@lru_cache(maxsize=4096)
def on_days(days: Days, names: str) -> Mask:
    """On which days a list such as `Mon,Wed`, `daily`, `weekdays` or `weekends` holds."""
    wanted = set(names.lower().replace(" ", "").split(","))
    week = [
        bool(wanted & {"daily", name, "weekdays" if k < 5 else "weekends"}) for k, name in enumerate(WEEKDAYS)
    ]
    return np.array([week[day.weekday()] for day in days_between(days.first, days.last)], np.bool_)


def occasions(days: Days, row: Dated) -> tuple[Instants, Instants]:
    """Begin and end [us] of the row's wall times on each day;

    an end not after the start is on the next day.
    """
    begins, ends = wall_instants(days, row.start)[:-1], wall_instants(days, row.end)
    return begins, np.maximum(begins, ends[1:] if row.end <= row.start else ends[:-1])


def in_force(days: Days, rows: Sequence[Dated]) -> list[Mask]:
    """On which days each of `rows` holds; rows stand for one another (say, one window's history).

    Of several that hold on a day, the one with the latest `valid_from` does.
    """
    taken = np.zeros(len(days), np.bool_)
    masks: dict[int, Mask] = {}
    for k in sorted(range(len(rows)), key=lambda k: rows[k].valid_from or date.min, reverse=True):
        valid_from, valid_to = rows[k].valid_from or days.first, rows[k].valid_to or days.last
        mask = np.zeros(len(days), np.bool_)
        mask[max(0, (valid_from - days.first).days) : max(0, (valid_to - days.first).days + 1)] = True
        masks[k] = mask & ~taken
        taken |= mask
    return [masks[k] for k in range(len(rows))]


def ended(rows: Sequence[Row]) -> list[Row]:
    """`rows` of one tariff or circuit, each ended a day early where another begins on its last day."""
    made = []
    for row in rows:
        begins = {other.valid_from for other in rows} - {row.valid_from, None}
        last = row.valid_to
        made.append(replace(row, valid_to=last - ONE_DAY) if last is not None and last in begins else row)
    return made


def by_key(rows: Sequence[Any], *names: str) -> list[list[Any]]:
    """`rows` in groups of equal values of the named fields, in order of first appearance."""
    grouped: dict[tuple[Any, ...], list[Any]] = {}
    for row in rows:
        grouped.setdefault(tuple(getattr(row, name) for name in names), []).append(row)
    return list(grouped.values())
