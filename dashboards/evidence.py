"""From a finding to the minutes that it rests on: the range of the timeline that shows them, its address."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from urllib.parse import quote, urlencode

from coilbook.dashboards import words
from coilbook.dashboards.local_wall import wall_time
from coilbook.dashboards.ranges import MOST_MARKS

INSTANT = re.compile(r'"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.\d+)?Z"')
"""An instant within a finding's evidence, as the reviews write it."""

LONGEST = timedelta(days=7)
LEAST_PAD = timedelta(minutes=15)
ONE_DAY = timedelta(days=1)
ELSEWHERE = {"settings": "settings", "contactor_wear": "wear", "wearing_fast": "wear"}
"""Rules whose evidence is no minute, and the part of the site's page that shows it."""


@dataclass(frozen=True)
class Evidence:
    """What a timeline is opened for: the finding in words, and the minutes it rests on [site's wall time].

    `begin` and `stop` bound the range that shows them.
    """

    rule: str
    subject: str
    on: date
    sentence: str
    marks: tuple[datetime, ...]
    begin: datetime
    stop: datetime

    @property
    def said(self) -> str:
        """The marks as text: `29 Mar 2026 09:00:32, 09:00:38`; the date again where it changes."""
        told, day = [], None
        for mark in self.marks:
            told.append(
                f"{mark:%H:%M:%S}" if mark.date() == day else f"{words.day(mark.date())} {mark:%H:%M:%S}"
            )
            day = mark.date()
        return ", ".join(told)


def evidence_of(rule: str, subject: str, on: date, sentence: str, told: str | None, zone: str) -> Evidence:
    """The evidence of one finding; `told` is its JSON, whose instants are UTC, `on` its local date.

    The range holds the marks with a quarter of an hour, or a tenth of their span, on either side; without
    any, the local day.
    """
    instants = sorted({datetime.fromisoformat(text) for text in INSTANT.findall(told or "")})
    instants = [one for one in instants if instants[-1] - one < LONGEST]
    marks = _spread([wall_time(one, zone) for one in instants])
    if not marks:
        begin = datetime.combine(on, time(0))
        return Evidence(rule, subject, on, sentence, (), begin, begin + ONE_DAY)
    pad = max(LEAST_PAD, (marks[-1] - marks[0]) / 10)
    return Evidence(
        rule, subject, on, sentence, tuple(marks), _minute(marks[0] - pad), _minute(marks[-1] + pad)
    )


def evidence_address(site_id: str, rule: str, subject: str, on: date) -> str:
    """Where the site's page shows the evidence of a finding."""
    page = f"/sites/{quote(site_id, safe='')}"
    if rule in ELSEWHERE:
        return f"{page}#{ELSEWHERE[rule]}"
    return f"{page}?{urlencode({'rule': rule, 'subject': subject, 'on': on.isoformat()})}#timeline"


def _spread(marks: Sequence[datetime]) -> list[datetime]:
    """At most `MOST_MARKS`: the first and the newest."""
    if len(marks) <= MOST_MARKS:
        return list(marks)
    return [marks[0], *marks[len(marks) - MOST_MARKS + 1 :]]


def _minute(moment: datetime) -> datetime:
    return moment.replace(second=0, microsecond=0)
