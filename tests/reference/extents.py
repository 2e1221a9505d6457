"""What samples cover: from one sample to the next, but no longer than three intervals of the sample's day."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Generic, Protocol, TypeVar

from reference.clock import ONE_DAY, ZERO, date_at
from reference.spans import Span


class Stamped(Protocol):
    """A row with an instant."""

    @property
    def ts(self) -> datetime: ...


Row = TypeVar("Row", bound=Stamped)


@dataclass(frozen=True)
class Extent(Generic[Row]):
    """A sample with the span [ts, end) it covers and the local date on which it begins."""

    row: Row
    ts: datetime
    end: datetime
    day: date

    @property
    def span(self) -> Span:
        """The span covered."""
        return self.ts, self.end

    @property
    def length(self) -> timedelta:
        """The length covered."""
        return self.end - self.ts


def interval_of(stamps: dict[date, list[datetime]], day: date) -> timedelta | None:
    """The median distance of the day's samples, else that of the newest of the 31 days before, if any."""
    for back in range(32):
        found = stamps.get(day - back * ONE_DAY, [])
        if len(found) >= 3:
            return _median([later - earlier for earlier, later in pairwise(found)])
    own = stamps.get(day, [])
    if len(own) == 2:
        return own[1] - own[0]
    return ZERO if own else None


def _median(lengths: list[timedelta]) -> timedelta:
    ordered = sorted(lengths)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def stamps_by_day(rows: Sequence[Row], zone: str) -> dict[date, list[datetime]]:
    """The sorted instants of each local date."""
    found: dict[date, list[datetime]] = defaultdict(list)
    for ts in sorted(row.ts for row in rows):
        found[date_at(zone, ts)].append(ts)
    return found


def extents(rows: Sequence[Row], zone: str) -> list[Extent[Row]]:
    """The extents of one site's or one meter's samples, sorted, not yet cut to any horizon."""
    stamps = stamps_by_day(rows, zone)
    intervals = {day: interval_of(stamps, day) or ZERO for day in stamps}
    ordered = sorted(rows, key=lambda row: row.ts)
    found = []
    for place, row in enumerate(ordered):
        day = date_at(zone, row.ts)
        interval = intervals[day]
        if place + 1 < len(ordered):
            end = min(ordered[place + 1].ts, row.ts + 3 * interval)
        else:
            end = row.ts + interval
        found.append(Extent(row, row.ts, end, day))
    return found


def beginning_within(
    sorted_extents: Sequence[Extent[Row]], begin: datetime, end: datetime
) -> Sequence[Extent[Row]]:
    """The samples with begin <= ts < end."""
    first = bisect_left(sorted_extents, begin, key=lambda e: e.ts)
    last = bisect_left(sorted_extents, end, key=lambda e: e.ts)
    return sorted_extents[first:last]


def touching(sorted_extents: Sequence[Extent[Row]], begin: datetime, end: datetime) -> Sequence[Extent[Row]]:
    """The samples of which some part lies within [begin, end)."""
    first = max(0, bisect_left(sorted_extents, begin, key=lambda e: e.ts) - 1)
    last = bisect_left(sorted_extents, end, key=lambda e: e.ts)
    return [e for e in sorted_extents[first:last] if e.end > begin and e.ts < end and e.end > e.ts]
