"""Local dates and wall times, by the standard library alone (PEP 495, fold=0)."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

ZERO = timedelta(0)
ONE_DAY = timedelta(days=1)
NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def wall(zone: str, day: date, at: time) -> datetime:
    """The UTC instant of a wall time: the first of two, a skipped one by the offset before the change."""
    return datetime.combine(day, at, tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)


def midnight(zone: str, day: date) -> datetime:
    """The UTC instant at which a local date begins."""
    return wall(zone, day, time(0))


def date_at(zone: str, ts: datetime) -> date:
    """The local date of a UTC instant."""
    return ts.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).date()


def dates(first: date, last: date) -> list[date]:
    """All dates from `first` to `last`, both included."""
    return [first + ONE_DAY * n for n in range((last - first).days + 1)]


def runs_on(days: str, day: date) -> bool:
    """Whether `days` (Mon,Tue,... or daily, weekdays, weekends) names the weekday of `day`."""
    if days == "daily":
        return True
    if days == "weekdays":
        return day.weekday() < 5
    if days == "weekends":
        return day.weekday() >= 5
    return NAMES[day.weekday()] in [name.strip() for name in days.split(",")]


def window(zone: str, day: date, start: time, end: time) -> tuple[datetime, datetime]:
    """The UTC span of a wall-time window that begins on `day`; never of negative length."""
    begin = wall(zone, day, start)
    stop = wall(zone, day if end > start else day + ONE_DAY, end)
    return begin, max(begin, stop)
