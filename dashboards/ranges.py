"""The range a timeline shows, as the address gives it: local wall times of the site."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from urllib.parse import urlencode

from coilbook.dashboards import words
from coilbook.dashboards.local_wall import utc_instant

DEFAULT = timedelta(days=7)
LONGEST = timedelta(days=366)
SHORTEST = timedelta(minutes=10)
ONE_DAY = timedelta(days=1)
MOST_MARKS = 12


@dataclass(frozen=True)
class Range:
    """`[begin, stop)` in wall time of the site; `said` tells a reader why it is not what was asked for.

    `marks` are minutes to be marked on the timeline, in wall time too.
    """

    begin: datetime
    stop: datetime
    links: tuple[tuple[str, str], ...]
    spec: str
    said: str = ""
    marks: tuple[datetime, ...] = ()

    @property
    def from_text(self) -> str:
        """As a form field takes it."""
        return self.begin.isoformat(timespec="minutes")

    @property
    def to_text(self) -> str:
        """As a form field takes it."""
        return self.stop.isoformat(timespec="minutes")

    @property
    def words(self) -> str:
        """`2 Mar 2026 00:00 to 9 Mar 2026 00:00`."""
        return f"{words.moment(self.begin)} to {words.moment(self.stop)}"

    def marked(self, marks: tuple[datetime, ...]) -> Range:
        """The same range with minutes marked."""
        at = [("at", mark.isoformat(timespec="seconds")) for mark in marks]
        return replace(self, marks=marks, spec=f"{self.spec}&{urlencode(at)}" if at else self.spec)

    def instants(self, zone: str) -> tuple[datetime, datetime]:
        """The range as naive UTC instants; never empty."""
        begin, stop = utc_instant(self.begin, zone), utc_instant(self.stop, zone)
        return begin, max(stop, begin + timedelta(seconds=1))


def chosen_range(asked_from: str, asked_to: str, last_day: date, page: str, days: int) -> Range:
    """The range asked for, or the seven local days up to `last_day`.

    `page` is the site's address. A range that cannot be read or is empty is replaced, one longer than a year
    cut, and `said` tells so.
    """
    end = datetime.combine(last_day + ONE_DAY, time(0))
    begin, stop, said = end - DEFAULT, end, ""
    if asked_from or asked_to:
        try:
            begin, stop = _wall(asked_from, end - DEFAULT), _wall(asked_to, end)
        except ValueError:
            said = "That range cannot be read as two local times, so the last seven days are shown."
        else:
            if stop <= begin:
                begin, stop = end - DEFAULT, end
                said = "That range ends before it begins, so the last seven days are shown."
            elif stop - begin > LONGEST:
                begin, said = stop - LONGEST, "That range is longer than a year; its last year is shown."
    return Range(begin, stop, _links(begin, stop, end, page, days), _spec(page, begin, stop), said)


def marks_in(asked: Iterable[str]) -> tuple[datetime, ...]:
    """The minutes that an address asks to be marked; what is no wall time is left out."""
    marks = []
    for text in asked:
        try:
            marks.append(datetime.fromisoformat(text))
        except ValueError:
            continue
    return tuple(mark for mark in marks if mark.tzinfo is None)[:MOST_MARKS]


def _wall(asked: str, otherwise: datetime) -> datetime:
    if not asked:
        return otherwise
    wall = datetime.fromisoformat(asked)
    if wall.tzinfo is not None:
        raise ValueError("a wall time has no offset")
    if not datetime(1970, 1, 2) <= wall <= datetime(9998, 12, 31):  # noqa: DTZ001 - wall time
        raise ValueError("out of range")
    return wall.replace(second=0, microsecond=0)


def _links(
    begin: datetime, stop: datetime, end: datetime, page: str, days: int
) -> tuple[tuple[str, str], ...]:
    def to(first: datetime, last: datetime) -> str:
        told = {
            "from": first.isoformat(timespec="minutes"),
            "to": last.isoformat(timespec="minutes"),
            "days": days,
        }
        return f"{page}?{urlencode(told)}#timeline"

    width = stop - begin
    closer = max(width / 4, SHORTEST / 2)
    named = [("Last day", 1), ("7 days", 7), ("28 days", 28), ("Year", 365)]
    return (
        ("Earlier", to(begin - width, begin)),
        ("Later", to(stop, stop + width)),
        ("Closer", to(begin + width / 2 - closer, begin + width / 2 + closer)),
        ("Wider", to(begin - width / 2, stop + width / 2)),
        *((label, to(end - timedelta(days=n), end)) for label, n in named),
    )


def _spec(page: str, begin: datetime, stop: datetime) -> str:
    told = {"from": begin.isoformat(timespec="minutes"), "to": stop.isoformat(timespec="minutes")}
    return f"{page}/charts/timeline.json?{urlencode(told)}"
