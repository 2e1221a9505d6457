"""Local days and wall times of IANA zones, resolved once and in one place.

A local day runs from its midnight to the next one, so it lasts 23, 23.5, 24, 24.5 or 25 hours. Wall times are
resolved as PEP 495 `fold=0` resolves them: of two equal wall times the first, and a wall time that a clock
change skips with the offset in force before the change. All instants are naive UTC datetimes.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from coilbook.ingest.errors import InputError

ONE_DAY = timedelta(days=1)


@lru_cache(maxsize=512)
def zone(name: str) -> ZoneInfo:
    """The IANA zone called `name`; `InputError` where there is none of that name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as exc:
        raise InputError(
            f"time zone {name!r} is not an IANA zone; expected a name such as America/Denver"
        ) from exc


@lru_cache(maxsize=200_000)
def instant(zone_name: str, day: date, wall: time) -> datetime:
    """The UTC instant [naive] of wall time `wall` on local date `day`, `fold=0` (PEP 495)."""
    local = datetime.combine(day, wall.replace(fold=0), tzinfo=zone(zone_name))
    return local.astimezone(UTC).replace(tzinfo=None)


def midnight(zone_name: str, day: date) -> datetime:
    """The UTC instant [naive] at which local date `day` begins."""
    return instant(zone_name, day, time(0))


def local_date(zone_name: str, ts: datetime) -> date:
    """The local date of a naive UTC instant."""
    return ts.replace(tzinfo=UTC).astimezone(zone(zone_name)).date()


def days_between(first: date, last: date) -> Iterator[date]:
    """Every date from `first` to `last`, both included."""
    day = first
    while day <= last:
        yield day
        day += ONE_DAY


def offset_spans(zone_name: str, first: datetime, last: datetime) -> list[tuple[datetime, datetime, int]]:
    """Spans `[from, to)` of naive UTC time with one offset [s], covering `[first, last]`.

    The changes are found by halving, to the second, between samples six hours apart: no zone changes its
    offset twice within six hours.
    """
    tz = zone(zone_name)

    def offset(ts: datetime) -> int:
        delta = ts.replace(tzinfo=UTC).astimezone(tz).utcoffset()
        assert delta is not None
        return round(delta.total_seconds())

    step = timedelta(hours=6)
    stop = last + step
    spans: list[tuple[datetime, datetime, int]] = []
    begin, here = first, first
    while here < stop:
        ahead = min(here + step, stop)
        if offset(here) != offset(ahead):
            low, high = here, ahead
            while high - low > timedelta(seconds=1):
                middle = (low + (high - low) / 2).replace(microsecond=0)
                middle = middle if low < middle < high else high
                if middle == high:
                    break
                if offset(middle) == offset(low):
                    low = middle
                else:
                    high = middle
            change = high.replace(microsecond=0)
            spans.append((begin, change, offset(here)))
            begin = change
        here = ahead
    spans.append((begin, stop, offset(stop)))
    return spans
