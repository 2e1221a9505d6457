"""A file that comes late for a day in the middle also mends what began the evening before."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from fleet_files import Exports, Row, assert_equal_frames, frames, judged, load, opened, write

MINUTES = timedelta(minutes=1)
DAYS = range(1, 9)  # of March 2026


def power(day: int) -> list[Row]:
    """A day at 15 min, with a sun of sorts and a house that takes more at night."""
    begin = datetime.fromisoformat(f"2026-03-{day:02d}")
    return [
        {"ts": f"{(begin + 15 * k * MINUTES).isoformat()}Z", "site_id": "s"}
        | {"pv_w": 3000 if 40 <= k < 60 else 0, "house_w": 2600 if k < 24 else 300}
        for k in range(96)
    ]


def switching(day: int) -> list[Row]:
    """A run by day that ends at once; on odd days one in the evening, on even ones one over midnight."""
    before = [] if day % 2 == 0 or day == DAYS[0] else [("01:00", "off")]
    evening = [("22:30", "on"), ("23:00", "off")] if day % 2 else [("22:30", "on")]
    return [
        {"ts": f"2026-03-{day:02d}T{at}:00Z", "circuit_id": "c", "state": state, "cause": "clock"}
        for at, state in [*before, ("12:00", "on"), ("12:01", "off"), *evening]
    ]


REGISTRY: dict[str, list[Row]] = {
    "sites": [{"site_id": "s", "timezone": "UTC", "tariff_id": "t", "latitude": 46.8, "longitude": 6.9}],
    "tariffs": [
        {"tariff_id": "t", "days": "daily", "start": "00:00", "end": "00:00"}
        | {"import_per_kwh": 0.3, "export_per_kwh": 0.1, "currency": "EUR"}
    ],
    "circuits": [
        {"circuit_id": "c", "site_id": "s", "controller_id": "k", "appliance": "pool_pump"}
        | {"rated_w": 2000, "min_run_s": 1800, "min_rest_s": 300}
    ],
    "windows": [
        {
            "circuit_id": "c",
            "window_id": "night",
            "kind": "run",
            "days": "daily",
            "start": "22:00",
            "end": "06:00",
        },
        {
            "circuit_id": "c",
            "window_id": "eve",
            "kind": "lockout",
            "days": "daily",
            "start": "21:00",
            "end": "02:00",
        },
    ],
}
LOGS: dict[str, Any] = {"power": power, "switch": switching}


def review_of(*loads: dict[str, list[Row]]) -> Exports:
    """Load, review, load, review and so on; what the last review exports."""
    found: Exports = {}
    with opened() as (store, folder):
        for number, files in enumerate(({**REGISTRY, **loads[0]}, *loads[1:])):
            load(store, [write(folder / f"{name}-{number}.csv", rows) for name, rows in files.items()])
            found = judged(store)
    return found


def logs(power_days: list[int], switch_days: list[int]) -> dict[str, list[Row]]:
    days = {"power": power_days, "switch": switch_days}
    return {name: [row for day in days[name] for row in LOGS[name](day)] for name in LOGS if days[name]}


@pytest.mark.parametrize(
    ("late", "kinds"), [(2, "both"), (4, "power"), (4, "switch"), (5, "power"), (7, "both")]
)
def test_a_day_that_comes_late(late: int, kinds: str) -> None:
    every, others = list(DAYS), [day for day in DAYS if day != late]
    first = logs(every if kinds == "switch" else others, every if kinds == "power" else others)
    then = logs([] if kinds == "switch" else [late], [] if kinds == "power" else [late])
    at_once = review_of(logs(every, every))
    assert_equal_frames(frames(review_of(first, then)), frames(at_once))
