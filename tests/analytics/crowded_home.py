"""A crowded home at random: three circuits that stick, open themselves or draw nothing; holds, sun, gaps."""

from __future__ import annotations

from datetime import datetime, timedelta
from random import Random

from reference.rows import CircuitRow, Fleet, MeterSample, PowerSample, SiteRow, SwitchEvent, WindowRow

BEGIN = datetime(2025, 3, 1, 7)  # noqa: DTZ001 - naive UTC; a zone change lies nine days ahead
RATED = {"a": 900.0, "b": 2000.0, "m": 1500.0}


def crowded(seed: int, days: int) -> Fleet:
    """One home with two circuits and a metered one, drawn from `seed`."""
    rng = Random(seed)
    minutes = rng.choice((1, 5, 15)) if days < 10 else rng.choice((5, 15))
    fleet = Fleet(sites=[SiteRow("s", "America/Denver", latitude=39.7, longitude=-105.0)])
    for name, watts in RATED.items():
        fleet.circuits.append(
            CircuitRow(
                name, "s", "k", rated_w=watts, min_rest_s=600.0, surplus_on_w=watts * rng.choice((0.5, 1))
            )
        )
        fleet.windows.append(
            WindowRow(
                name,
                "w",
                "run",
                "daily",
                datetime.min.time().replace(hour=10),
                datetime.min.time().replace(hour=15),
            )
        )
    noon, one = datetime.min.time().replace(hour=12), datetime.min.time().replace(hour=13)
    fleet.windows.append(WindowRow("b", "k", "lockout", "daily", noon, one))
    drawn = {name: _events(rng, name, fleet, days) for name in RATED}
    step = timedelta(minutes=minutes)
    noise = rng.choice((0, 5, 60))
    here = BEGIN
    while here < BEGIN + timedelta(days=days):
        own = {name: sum(w for a, b, w in spans if a <= here < b) for name, spans in drawn.items()}
        apart = (here - BEGIN) % timedelta(days=5) < timedelta(minutes=40)
        sun = (
            4000.0 * max(0.0, 1 - abs((here.hour + here.minute / 60 + 5) % 24 - 24 / 2 - 12) / 6)
            if here.hour > 12
            else 0.0
        )
        if rng.random() > 0.01:
            watts = 400 + sum(own.values()) + rng.gauss(0, noise)
            fleet.power.append(PowerSample("s", here, sun, round(watts, 1), None, None, apart))
        if rng.random() > 0.01:
            fleet.meter.append(MeterSample("s", "m", here, own["m"]))
        here += step
    return fleet


def _events(rng: Random, name: str, fleet: Fleet, days: int) -> list[tuple[datetime, datetime, float]]:
    """Adds runs of a circuit; returns when it drew, and how much."""
    found = []
    here = BEGIN + timedelta(hours=rng.uniform(0, 8))
    while here < BEGIN + timedelta(days=days):
        stop = here + timedelta(minutes=rng.choice((3, 20, 70, 200, 700)) * rng.uniform(0.8, 1.2))
        cause = rng.choice(("clock", "hand", "surplus", "shed"))
        fleet.switch.append(SwitchEvent("s", name, here, True, cause))
        fleet.switch.append(SwitchEvent("s", name, stop, False, rng.choice(("clock", "hand", "shed"))))
        if rng.random() < 0.05:
            fleet.switch.append(SwitchEvent("s", name, stop + timedelta(minutes=1), False))
        watts = RATED[name] * rng.choice((1, 1, 1, 0.6, 0.3, 0))
        late = rng.choice((0, 0, 0, 60, 90, -2))
        found.append((here, max(here, stop + timedelta(minutes=late)), watts))
        here = stop + timedelta(minutes=rng.choice((4, 30, 120, 500)) * rng.uniform(0.8, 1.2))
    return found
