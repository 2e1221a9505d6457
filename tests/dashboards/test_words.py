"""How numbers, times and dates are written; every word of the store has its label."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from coilbook.analytics.rules import RULES
from coilbook.dashboards import words
from coilbook.dashboards.local_wall import utc_instant, wall_time
from coilbook.dashboards.ranges import chosen_range
from coilbook.dashboards.shapes import severity_shape, strip, strip_key

T = words.THIN


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (None, "\u2013"),
        (0, f"0{T}s"),
        (89.4, f"89{T}s"),
        (90, f"2{T}min"),
        (3599, f"1{T}h"),
        (3900, f"1{T}h 05{T}min"),
        (172_800, f"2{T}d"),
        (180_000, f"2{T}d 2{T}h"),
    ],
)
def test_durations(seconds: float | None, said: str) -> None:
    assert words.duration(seconds) == said


@pytest.mark.parametrize(
    ("value", "digits", "said"),
    [
        (1234567.4, 0, f"1{T}234{T}567"),
        (-0.25, 1, "\u22120.2"),
        (-0.4, 0, "0"),
        (None, 0, "\u2013"),
        (999, 0, "999"),
    ],
)
def test_numbers(value: float | None, digits: int, said: str) -> None:
    assert words.number(value, digits) == said


def test_dates_read_the_same_everywhere() -> None:
    assert words.long_day(date(2026, 3, 2)) == "Monday 2 March 2026"
    assert words.moment(datetime(2026, 3, 2, 6, 5)) == "2 Mar 2026 06:05"  # noqa: DTZ001
    assert words.money(1500.4, "EUR") == f"1{T}500{T}EUR"


def test_every_rule_has_a_name_for_people() -> None:
    assert {rule.name for rule in RULES} <= set(words.RULE)
    assert {rule.severity for rule in RULES} <= set(words.SEVERITIES) == set(words.SEVERITY_MEANS)


def test_each_severity_has_a_shape_of_its_own() -> None:
    shapes = {str(severity_shape(severity)) for severity in words.SEVERITIES}
    assert len(shapes) == 5
    assert severity_shape("<b>") == ""


def test_a_strip_draws_a_mark_for_each_day_that_has_one() -> None:
    drawn = str(strip(list("fecn-"), date(2026, 3, 2)))
    assert [drawn.count(f"day-{letter}") for letter in "fecn"] == [1, 1, 1, 1]
    assert drawn.count("<rect") == 4
    assert [str(mark).count("<rect") for mark, _ in strip_key()] == [1, 1, 1, 1]
    assert strip([], None) == ""


@pytest.mark.parametrize("zone", ["America/Denver", "Asia/Kathmandu", "Australia/Lord_Howe"])
def test_wall_times_agree_with_the_standard_library(zone: str) -> None:
    begin = datetime(2026, 3, 1)  # noqa: DTZ001
    for hours in range(0, 24 * 60, 7):
        ts = begin + timedelta(hours=hours)
        expected = ts.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None)
        assert wall_time(ts, zone) == expected
        assert utc_instant(expected, zone) in (ts, ts - timedelta(hours=1), ts - timedelta(minutes=30))


def test_the_range_is_the_last_seven_local_days_unless_asked() -> None:
    shown = chosen_range("", "", date(2026, 3, 10), "/sites/a", 91)
    assert (shown.from_text, shown.to_text, shown.said) == ("2026-03-04T00:00", "2026-03-11T00:00", "")
    # Denver lost an hour on 8 March: seven local days of 167 hours.
    begin, stop = shown.instants("America/Denver")
    assert stop - begin == timedelta(hours=167)
