"""Builders for cases small enough to work out by eye: site `s`, circuit `c`, instants in UTC of 2025."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import Any

from reference.coverage import Fact
from reference.facts import facts_of
from reference.rows import (
    CircuitRow,
    Fleet,
    MeterSample,
    PowerSample,
    SiteRow,
    SwitchEvent,
    TariffRow,
    WindowRow,
)
from reference.surplus_start import ClearExpectation

DAY = "06-20"  # a Friday


def at(text: str) -> datetime:
    """`06-20 10:00`, or `10:00` on 20 June, as an instant of 2025."""
    return datetime.fromisoformat(f"2025-{text if ' ' in text else f'{DAY} {text}'}")


def switch(*rows: str, circuit: str = "c") -> list[SwitchEvent]:
    """Events from lines such as `10:00 on clock #7`; cause and number may be left out."""
    return [_event(row.split(), circuit) for row in rows]


def _event(words: list[str], circuit: str) -> SwitchEvent:
    seq = int(words.pop()[1:]) if words[-1].startswith("#") else None
    cut = next(n for n, word in enumerate(words) if word in ("on", "off"))
    cause = words[cut + 1] if len(words) > cut + 1 else None
    return SwitchEvent("s", circuit, at(" ".join(words[:cut])), words[cut] == "on", cause, seq)


def power(
    first: str, last: str, minutes: float, house: float = 500.0, pv: float = 0.0, **more: Any
) -> list[PowerSample]:
    """Samples from `first` to `last`, both included; grid_w is left to the balance unless given."""
    found = []
    here = at(first)
    while here <= at(last):
        found.append(PowerSample("s", here, pv, house, **{"grid_w": None, **more}))
        here += timedelta(minutes=minutes)
    return found


def meter(first: str, last: str, minutes: float, watts: float) -> list[MeterSample]:
    """Meter samples from `first` to `last`, both included."""
    return [MeterSample("s", "c", row.ts, watts) for row in power(first, last, minutes)]


def circuit(**settings: Any) -> CircuitRow:
    """A row of settings of circuit `c`, 1000 W where not said otherwise."""
    return CircuitRow(
        **{"circuit_id": "c", "site_id": "s", "controller_id": "k", "rated_w": 1000.0, **settings}
    )


def window(start: str, end: str, **more: Any) -> WindowRow:
    """A daily run window `w`."""
    times = time.fromisoformat(start), time.fromisoformat(end)
    return WindowRow("c", "w", more.pop("kind", "run"), more.pop("days", "daily"), *times, **more)


def tariff(start: str, end: str, price: float, **more: Any) -> TariffRow:
    """A daily price."""
    times = time.fromisoformat(start), time.fromisoformat(end)
    return TariffRow("t", more.pop("days", "daily"), *times, price, **more)


def fleet(zone: str = "Etc/UTC", **rows: Any) -> Fleet:
    """One site in `zone` with the rows given."""
    return Fleet(**{"sites": [SiteRow("s", zone, "t")], "circuits": [circuit()], **rows})


def facts(table: str, made: Fleet, clear: ClearExpectation | None = None) -> list[Fact]:
    """The rows of one fact."""
    return (facts_of(made, clear) if clear else facts_of(made)).get(table, [])


def pick(row: Fact, *columns: str) -> tuple[Any, ...]:
    """Some cells of a row."""
    return tuple(row[column] for column in columns)
