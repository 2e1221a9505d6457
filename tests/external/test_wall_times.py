"""Windows and local days across clock changes, from loaded files to reviewed facts, against the tz database.

The changes are those of the IANA time zone database, release 2026f, for 2025 and 2026; `zoneinfo` of the
standard library is asked again in every test (PEP 495, `fold=0`). Morocco's changes follow the moon and are
announced from year to year, so they are taken from whichever release is installed.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from importlib.metadata import version
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from contract_store import by_key, reviewed, table

ZERO, ONE_DAY = timedelta(0), timedelta(days=1)
QUARTER = timedelta(minutes=15)

# Zone to instants of its changes [UTC], IANA 2026f.
CHANGES = {
    "America/Denver": ("2025-03-09T09:00", "2025-11-02T08:00", "2026-03-08T09:00", "2026-11-01T08:00"),
    "Australia/Adelaide": ("2025-04-05T16:30", "2025-10-04T16:30", "2026-04-04T16:30", "2026-10-03T16:30"),
    "Europe/Lisbon": ("2025-03-30T01:00", "2025-10-26T01:00", "2026-03-29T01:00", "2026-10-25T01:00"),
    "Pacific/Auckland": ("2025-04-05T14:00", "2025-09-27T14:00", "2026-04-04T14:00", "2026-09-26T14:00"),
    "America/St_Johns": ("2025-03-09T05:30", "2025-11-02T04:30", "2026-03-08T05:30", "2026-11-01T04:30"),
    "Australia/Lord_Howe": ("2025-04-05T15:00", "2025-10-04T15:30", "2026-04-04T15:00", "2026-10-03T15:30"),
    "Pacific/Chatham": ("2025-04-05T14:00", "2025-09-27T14:00", "2026-04-04T14:00", "2026-09-26T14:00"),
    "America/Santiago": ("2025-04-06T03:00", "2025-09-07T04:00", "2026-04-05T03:00", "2026-09-06T04:00"),
    "Atlantic/Azores": ("2025-03-30T01:00", "2025-10-26T01:00", "2026-03-29T01:00", "2026-10-25T01:00"),
}
# Zones without a change in these years; a date stands in for one.
STEADY = {
    "America/Phoenix": ("2026-03-08T09:00",),
    "Asia/Kathmandu": ("2026-03-08T09:00",),
    "America/Asuncion": ("2026-03-22T03:00",),
}
# Local days whose length the same release gives [h].
DAY_HOURS = (
    ("America/Denver", date(2026, 3, 8), 23.0),
    ("America/Denver", date(2026, 11, 1), 25.0),
    ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
    ("Australia/Lord_Howe", date(2026, 10, 4), 23.5),
    ("America/Santiago", date(2026, 4, 4), 25.0),
    ("America/Santiago", date(2026, 9, 6), 23.0),
    ("Atlantic/Azores", date(2026, 3, 29), 23.0),
    ("Atlantic/Azores", date(2026, 10, 25), 25.0),
    ("Europe/Lisbon", date(2025, 10, 26), 25.0),
    ("Pacific/Chatham", date(2025, 9, 28), 23.0),
    ("America/St_Johns", date(2025, 3, 9), 23.0),
    ("Australia/Adelaide", date(2025, 4, 6), 25.0),
    ("Pacific/Auckland", date(2026, 9, 27), 23.0),
    ("America/Phoenix", date(2026, 3, 8), 24.0),
)


class Window(NamedTuple):
    """A run window in wall time."""

    start: time
    end: time
    need_minutes: float | None


def tz_release() -> str:
    """Which time zone data these tests ran on."""
    return f"tzdata {version('tzdata')}, search path {zoneinfo.TZPATH}"


def offset(zone: str, ts: datetime) -> timedelta:
    found = ts.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).utcoffset()
    assert found is not None
    return found


def step(zone: str, ts: datetime) -> timedelta:
    """By how much the clock is put forward at an instant."""
    return offset(zone, ts) - offset(zone, ts - timedelta(seconds=1))


def changes_of(zone: str, year: int) -> list[datetime]:
    """The instants of a year at which the offset changes, to the quarter of an hour."""
    found, here = [], datetime.fromisoformat(f"{year}-01-01")
    while here.year == year:
        if offset(zone, here) != offset(zone, here + ONE_DAY):
            at = here
            while not step(zone, at):
                at += QUARTER
            found.append(at)
        here += ONE_DAY
    return found


def places() -> dict[str, tuple[str, datetime]]:
    """Site to its zone and the instant around which it is looked at."""
    listed = [(z, datetime.fromisoformat(ts)) for z, all_ in (CHANGES | STEADY).items() for ts in all_]
    listed += [
        ("Africa/Casablanca", ts) for year in (2025, 2026) for ts in changes_of("Africa/Casablanca", year)
    ]
    return {f"{zone.split('/')[1]}-{ts:%Y-%m-%d}": (zone, ts) for zone, ts in listed}


PLACES = places()


def instant_of(zone: str, day: date, at: time) -> datetime:
    """Naive UTC of a wall time (PEP 495, fold=0)."""
    return datetime.combine(day, at, tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)


def windows_around(zone: str, ts: datetime) -> list[Window]:
    """Over the change, from within it, up to within it, away from it; overnight and round the clock."""
    before = (ts + offset(zone, ts - timedelta(seconds=1))).replace(tzinfo=None)
    after = ts + offset(zone, ts)

    def at(wall: datetime, minutes: int) -> time:
        return (wall + timedelta(minutes=minutes)).time()

    return [
        Window(at(before, -90), at(after, 90), None),
        Window(at(min(before, after), 15), at(after, 150), None),
        Window(at(before, -150), at(min(before, after), 20), None),
        Window(at(before, -75), at(after, 195), 120.0),
        Window(time(0), time(0), None),
        Window(time(22), time(6), None),
        Window(time(10), time(14, 30), 100.0),
        Window(time(23, 30), time(0, 30), None),
        Window(time(0, 30), time(23, 45), None),
    ]


class Expected(NamedTuple):
    """One window of one local day, by `zoneinfo` alone."""

    start: datetime
    end: datetime
    need_s: float
    on_from: datetime | None
    on_to: datetime | None
    verdict: str


def expected_of(zone: str, window: Window, day: date, ran: float) -> Expected:
    """The window on `day`, run for the share `ran` of its need from its start on."""
    start = instant_of(zone, day, window.start)
    end = max(start, instant_of(zone, day if window.end > window.start else day + ONE_DAY, window.end))
    length_s = (end - start).total_seconds()
    need_s = length_s if window.need_minutes is None else 60 * window.need_minutes
    on_s = min(ran * need_s, length_s)
    if not on_s:
        return Expected(start, end, need_s, None, None, "missed" if need_s > 300 else "met")
    lacking = need_s - on_s > 300
    verdict = ("cut_short" if need_s >= length_s else "short") if lacking else "met"
    return Expected(start, end, need_s, start, start + timedelta(seconds=on_s), verdict)


RAN = {
    -2: 0.0,
    -1: 1.0,
    0: 1.0,
    1: 0.5,
}  # day from the one of the change to the share of the need that was run


def expectations(site: str) -> dict[tuple[str, date], Expected]:
    """(circuit_id, local_date) of every window of a site on the days around its change."""
    zone, ts = PLACES[site]
    middle = (ts + offset(zone, ts)).date()
    return {
        (f"{site}-{n}", middle + ONE_DAY * d): expected_of(zone, window, middle + ONE_DAY * d, ran)
        for n, window in enumerate(windows_around(zone, ts))
        for d, ran in RAN.items()
    }


def files(sites: Iterable[str]) -> dict[str, list[dict[str, Any]]]:
    """The registry and logs of `sites`; switch events carry the local offset of their instant."""
    made: dict[str, list[dict[str, Any]]] = {
        n: [] for n in ("sites", "circuits", "windows", "power", "switch")
    }
    for site in sites:
        zone, ts = PLACES[site]
        made["sites"].append({"site_id": site, "timezone": zone})
        for n, window in enumerate(windows_around(zone, ts)):
            circuit = {"circuit_id": f"{site}-{n}", "site_id": site, "controller_id": f"{site}-k{n}"}
            made["circuits"].append({**circuit, "appliance": "other", "rated_w": 1000})
            made["windows"].append(
                {"circuit_id": f"{site}-{n}", "window_id": "w", "kind": "run", "days": "daily"}
                | {"start": f"{window.start:%H:%M}", "end": f"{window.end:%H:%M}"}
                | {"need_minutes": window.need_minutes}
            )
        begin = ts.replace(hour=0, minute=0) - 4 * ONE_DAY
        made["power"] += [
            {"ts": begin + QUARTER * k, "site_id": site, "pv_w": 0, "house_w": 200} for k in range(8 * 96)
        ]
        made["switch"] += switching(site, zone)
    return made


def switching(site: str, zone: str) -> Iterator[dict[str, Any]]:
    """The events that make `expectations` true."""
    for seq, ((circuit, _), want) in enumerate(expectations(site).items()):
        if want.on_from and want.on_to:
            for k, (ts, state) in enumerate(((want.on_from, "on"), (want.on_to, "off"))):
                local = ts.replace(tzinfo=UTC).astimezone(ZoneInfo(zone))
                row = {"ts": local, "circuit_id": circuit, "state": state, "cause": "clock"}
                yield {**row, "seq": 2 * seq + k}


Tables = dict[str, pl.DataFrame]


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> Tables:
    """What the reviews say; sites of one season share a store, so that none is judged silent for a year."""
    seasons: dict[tuple[int, bool], list[str]] = {}
    for site, (_, ts) in PLACES.items():
        seasons.setdefault((ts.year, ts.month > 6), []).append(site)
    found: dict[str, list[pl.DataFrame]] = {"window_result": [], "coverage": [], "finding": []}
    for sites in seasons.values():
        with reviewed(tmp_path_factory.mktemp("walls"), files(sites)) as store:
            for name, frames in found.items():
                frames.append(table(store, name))
    return {name: pl.concat(frames) for name, frames in found.items()}


@pytest.mark.parametrize("zone", CHANGES)
def test_the_listed_changes_are_those_of_the_time_zone_data(zone: str) -> None:
    listed = [datetime.fromisoformat(ts) for ts in CHANGES[zone]]
    assert [*changes_of(zone, 2025), *changes_of(zone, 2026)] == listed, tz_release()


def test_windows_start_end_need_and_verdict(tables: Tables, record_property: Any) -> None:
    record_property("tzdata", tz_release())
    found = by_key(tables["window_result"], "circuit_id", "local_date")
    compared, wrong = 0, []
    for site in PLACES:
        for key, want in expectations(site).items():
            row = found.get(key)
            got = row and tuple(row[c] for c in ("start_ts", "end_ts", "need_s", "verdict"))
            if got != (want.start, want.end, want.need_s, want.verdict):
                wrong.append(f"{key}: got {got}, expected {want}")
            compared += 1
    assert compared == len(PLACES) * 9 * 4
    assert not wrong, f"{tz_release()}: {len(wrong)} of {compared}\n" + "\n".join(wrong[:20])


def test_missed_windows_are_the_only_findings_of_missed_window(tables: Tables) -> None:
    found = tables["finding"].filter(rule="missed_window")
    raised = set(found.select("subject", "local_date").iter_rows())
    inside = {key: want.verdict for site in PLACES for key, want in expectations(site).items()}
    bad = {key for key, verdict in inside.items() if verdict != "met"}
    # The first and the last days of the logs have windows that were not run at all; they lie outside `RAN`.
    assert raised & inside.keys() == bad


@pytest.mark.parametrize("site", PLACES)
def test_length_of_local_days(tables: Tables, site: str) -> None:
    zone, ts = PLACES[site]
    found = {d: row["day_s"] for (s, d), row in days(tables).items() if s == site}
    middle = (ts + offset(zone, ts)).date()
    wanted = [middle + ONE_DAY * d for d in range(-3, 4)]
    lengths = {d: instant_of(zone, d + ONE_DAY, time(0)) - instant_of(zone, d, time(0)) for d in wanted}
    assert {d: found[d] for d in wanted} == {d: s.total_seconds() for d, s in lengths.items()}, tz_release()
    # The change is all that makes a day longer or shorter.
    assert sum((s for s in lengths.values()), ZERO) == 7 * ONE_DAY - step(zone, ts)


@pytest.mark.parametrize(("zone", "day", "hours"), DAY_HOURS)
def test_published_day_lengths(tables: Tables, zone: str, day: date, hours: float) -> None:
    found = [
        row["day_s"] / 3600 for (site, d), row in days(tables).items() if PLACES[site][0] == zone and d == day
    ]
    assert found == [hours], tz_release()


def test_whole_days_are_covered_whole(tables: Tables) -> None:
    """Samples every quarter of an hour cover a day of whatever length, and no second twice."""
    for (site, day), row in days(tables).items():
        zone, ts = PLACES[site]
        if abs(day - (ts + offset(zone, ts)).date()) <= 2 * ONE_DAY:
            assert row["covered_s"] == row["day_s"], (site, day)


def days(tables: Tables) -> dict[tuple[str, date], dict[str, Any]]:
    """Rows of `coverage` by site and local date."""
    return {(k[0], k[1]): row for k, row in by_key(tables["coverage"], "site_id", "local_date").items()}
