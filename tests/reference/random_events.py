"""Random switching: all causes, chatter, repeats, pairs at one instant, long holds, lost numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from random import Random

from reference.rows import CircuitRow, SwitchEvent

CAUSES = ("clock", "surplus", "surplus", "hand", "shed", "unknown", None)


def controllers_events(
    rng: Random, circuits: list[CircuitRow], begin: datetime, end: datetime
) -> list[SwitchEvent]:
    """The events of a site's circuits, numbered by controller."""
    owner = {row.circuit_id: row.controller_id for row in circuits}
    site = {row.circuit_id: row.site_id for row in circuits}
    events = [
        e for circuit in sorted(owner) for e in _circuit_events(rng, site[circuit], circuit, begin, end)
    ]
    found = []
    for controller in sorted(set(owner.values())):
        found += _numbered(rng, [e for e in events if owner[e.circuit_id] == controller])
    return found


def _circuit_events(
    rng: Random, site_id: str, circuit_id: str, begin: datetime, end: datetime
) -> list[SwitchEvent]:
    if rng.random() < 0.08:
        return []
    found: dict[tuple[datetime, bool], SwitchEvent] = {}
    here = begin + timedelta(seconds=rng.randint(0, 20_000))
    closed = rng.random() < 0.8
    while here < end:
        event = SwitchEvent(site_id, circuit_id, here, closed, rng.choice(CAUSES))
        found[here, closed] = event
        if rng.random() < 0.06:
            found[here, not closed] = replace(event, closed=not closed, cause=rng.choice(CAUSES))
        if rng.random() > 0.07:
            closed = not closed
        here += _pause(rng)
    return list(found.values())


def _pause(rng: Random) -> timedelta:
    mood = rng.random()
    if mood < 0.15:
        return timedelta(milliseconds=rng.choice((1, 250, 500, 1500, 20_000, 60_000)))
    if mood < 0.35:
        return timedelta(seconds=rng.choice((30, 60, 120, 300, 600, 1800)))
    if mood < 0.95:
        return timedelta(seconds=rng.randint(60, 18_000), milliseconds=rng.choice((0, 0, 137)))
    return timedelta(hours=rng.randint(5, 60))


def _numbered(rng: Random, events: list[SwitchEvent]) -> list[SwitchEvent]:
    style = rng.choice(("whole", "whole", "lossy", "partly", "none"))
    if style == "none":
        return events
    seq = rng.randint(0, 5000)
    found = []
    for event in sorted(events, key=lambda e: (e.ts, rng.random())):
        seq += 1
        if style != "whole" and rng.random() < 0.08:
            seq = rng.choice((0, 1, seq, seq + rng.randint(1, 30)))
        missing = style == "partly" and rng.random() < 0.3
        found.append(replace(event, seq=None if missing else seq))
    return found
