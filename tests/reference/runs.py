"""Switch events in order, the runs between them, and what stands from one event to the next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from reference.rows import SwitchEvent
from reference.spans import Span


@dataclass(frozen=True)
class Stretch:
    """What stands from an event to the circuit's next event, or to the horizon."""

    event: SwitchEvent
    repeat: bool
    end: datetime

    @property
    def span(self) -> Span:
        """From the event to the next."""
        return self.event.ts, self.end


@dataclass(frozen=True)
class Run:
    """From a closing to the next opening; `end` None while open, `stop` is then the horizon."""

    circuit_id: str
    start: datetime
    end: datetime | None
    stop: datetime
    cause_on: str | None
    cause_off: str | None

    @property
    def span(self) -> Span:
        """What the run counts."""
        return self.start, self.stop


def in_order(events: Sequence[SwitchEvent]) -> list[SwitchEvent]:
    """One circuit's events by instant; at one instant by seq, else the one that changes the state first."""
    ordered: list[SwitchEvent] = []
    closed = False
    for _, group in groupby(sorted(events, key=lambda e: e.ts), key=lambda e: e.ts):
        together = list(group)
        numbers = [e.seq for e in together]
        if None in numbers or len(set(numbers)) < len(numbers):
            together.sort(key=lambda e: e.closed == closed)
        else:
            together.sort(key=lambda e: e.seq or 0)
        ordered += together
        closed = together[-1].closed
    return ordered


def stretches(events: Sequence[SwitchEvent], horizon: datetime) -> list[Stretch]:
    """One circuit's events with what they did and how long they stood; before the first it is off."""
    ordered = in_order(events)
    found = []
    closed = False
    for place, event in enumerate(ordered):
        end = ordered[place + 1].ts if place + 1 < len(ordered) else horizon
        found.append(Stretch(event, event.closed == closed, end))
        closed = event.closed
    return found


def runs_of(events: Sequence[SwitchEvent], horizon: datetime) -> list[Run]:
    """One circuit's runs in order of time."""
    found = []
    opened: SwitchEvent | None = None
    for stretch in stretches(events, horizon):
        event = stretch.event
        if stretch.repeat:
            continue
        if event.closed:
            opened = event
        elif opened is not None:
            found.append(Run(event.circuit_id, opened.ts, event.ts, event.ts, opened.cause, event.cause))
            opened = None
    if opened is not None:
        found.append(Run(opened.circuit_id, opened.ts, None, horizon, opened.cause, None))
    return found
