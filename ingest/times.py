"""Instants from text: RFC 3339 with an offset, or a local time that a zone turns into an instant.

Choices where RFC 3339 leaves one: `t`, `z` and a space for `T` are read; `-00:00` (offset unknown) is read
as UTC, which the digits are in; digits beyond the microsecond are cut; a leap second is read as the second
that follows it, and only where UTC has one, at 23:59:60.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from coilbook.ingest.local_time import zone
from coilbook.ingest.values import Bad, shown

EARLIEST = datetime(2000, 1, 1)  # noqa: DTZ001 - naive UTC, as everywhere in the store
AHEAD = timedelta(days=2)

RFC3339 = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[Tt ]([0-9]{2}):([0-9]{2}):([0-9]{2})(\.[0-9]+)?"
    r"([Zz]|[+-][0-9]{2}:[0-9]{2})?"
)


@dataclass(frozen=True)
class Local:
    """A wall time that its zone has twice: `first` and `second` are the two instants [naive UTC]."""

    wall: datetime
    zone: str
    first: datetime
    second: datetime


def read(text: str) -> tuple[datetime, bool]:
    """The time in `text`, and whether it is an instant (naive UTC) rather than a wall time."""
    found = RFC3339.fullmatch(text)
    if not found:
        raise Bad("bad_time", f"ts is {shown(text)}; expected RFC 3339 such as 2026-03-01T12:00:00Z")
    year, month, day, hour, minute, second, fraction, offset = found.groups()
    leap = second == "60"
    try:
        value = datetime(int(year), int(month), int(day), int(hour), int(minute), 59 if leap else int(second))  # noqa: DTZ001
        if fraction:
            value = value.replace(microsecond=int((fraction[1:] + "000000")[:6]))
        if offset is not None:
            value -= _offset(offset)
    except (ValueError, OverflowError) as exc:
        raise Bad("bad_time", f"ts is {shown(text)}: {exc}") from None
    if leap:
        if offset is not None and (value.hour, value.minute) != (23, 59):
            raise Bad("bad_time", f"ts is {shown(text)}; a leap second stands at 23:59:60 UTC only")
        value = value.replace(microsecond=0) + timedelta(seconds=1)
    return value, offset is not None


def resolve(wall: datetime, zone_name: str) -> datetime | Local:
    """The instant of a wall time in a zone; `Local` where the zone has it twice, `Bad` where never."""
    tz = zone(zone_name)
    try:
        first = wall.replace(tzinfo=tz, fold=0).astimezone(UTC)
        second = wall.replace(tzinfo=tz, fold=1).astimezone(UTC)
        back = first.astimezone(tz).replace(tzinfo=None)
    except (OverflowError, ValueError):
        raise Bad("bad_time", f"ts {wall} is beyond the calendar") from None
    if back != wall:
        raise Bad("bad_time", f"ts {wall.isoformat()} is skipped by a clock change of {zone_name}")
    if first == second:
        return first.replace(tzinfo=None)
    return Local(wall, zone_name, first.replace(tzinfo=None), second.replace(tzinfo=None))


def check_range(ts: datetime, now: datetime, name: str = "ts") -> None:
    """`Bad` where an instant lies before 2000 or more than two days after `now`."""
    if not EARLIEST <= ts <= now + AHEAD:
        latest = (now + AHEAD).isoformat(timespec="seconds")
        raise Bad("time_out_of_range", f"{name} is {ts.isoformat()}Z; expected 2000-01-01 to {latest}Z")


def written(ts: datetime) -> str:
    """RFC 3339 in UTC, with a fraction only where there is one."""
    return ts.isoformat() + "Z"


def _offset(text: str) -> timedelta:
    if text in "Zz":
        return timedelta()
    hours, minutes = int(text[1:3]), int(text[4:6])
    if hours > 23 or minutes > 59:
        raise ValueError(f"offset {text} is none")
    size = timedelta(hours=hours, minutes=minutes)
    return -size if text[0] == "-" else size


def naive_utc(now: datetime) -> datetime:
    """A moment as naive UTC; one without a zone is taken to be UTC already."""
    return now.astimezone(UTC).replace(tzinfo=None) if now.tzinfo else now
