"""One site's rows, sorted out: days, horizon, extents, and each circuit's runs and meter."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property

from reference.clock import ONE_DAY, ZERO, date_at, dates, midnight
from reference.extents import Extent, extents
from reference.registry import settings_on
from reference.rows import (
    CircuitRow,
    Fleet,
    MeterSample,
    PowerSample,
    ServiceEntry,
    SiteRow,
    StatusReport,
    SwitchEvent,
    TariffRow,
    WindowRow,
)
from reference.runs import Run, Stretch, runs_of, stretches
from reference.spans import Span


@dataclass
class CircuitView:
    """One circuit: its registry rows, events and meter samples."""

    circuit_id: str
    rows: list[CircuitRow]
    windows: list[WindowRow]
    service: list[ServiceEntry]
    events: list[SwitchEvent]
    meter: list[Extent[MeterSample]]
    horizon: datetime

    @cached_property
    def stretches(self) -> list[Stretch]:
        """The events in order, with what they did."""
        return stretches(self.events, self.horizon)

    @cached_property
    def runs(self) -> list[Run]:
        """The runs in order of time."""
        return runs_of(self.events, self.horizon)

    @cached_property
    def run_spans(self) -> list[Span]:
        """When the circuit was on."""
        return [run.span for run in self.runs]

    def settings(self, day: date) -> CircuitRow | None:
        """The settings of a local date."""
        return settings_on(self.rows, day)

    def rated_w(self, day: date) -> float | None:
        """The rated power of a local date."""
        row = self.settings(day)
        return row.rated_w if row else None

    def metered(self, day: date) -> bool:
        """Whether the meter has a sample that begins on this date."""
        return day in self._metered_days

    @cached_property
    def _metered_days(self) -> set[date]:
        return {e.day for e in self.meter}


@dataclass
class SiteView:
    """One site with at least one log row."""

    site: SiteRow
    zone: str
    fleet: Fleet
    status: list[StatusReport]
    stamps: list[datetime]
    power: list[Extent[PowerSample]]
    horizon: datetime
    circuits: list[CircuitView]

    @cached_property
    def days(self) -> list[date]:
        """All local dates from the first to the last log row."""
        return dates(date_at(self.zone, self.stamps[0]), date_at(self.zone, self.stamps[-1]))

    def day_span(self, day: date) -> Span:
        """The UTC span of a local date."""
        return midnight(self.zone, day), midnight(self.zone, day + ONE_DAY)

    @cached_property
    def stamps_of_day(self) -> dict[date, list[datetime]]:
        """The instants of the log rows of each local date, sorted."""
        found: dict[date, list[datetime]] = {day: [] for day in self.days}
        for ts in self.stamps:
            found[date_at(self.zone, ts)].append(ts)
        return found

    @cached_property
    def covered(self) -> list[Span]:
        """What the power log covers; without any power log, each day from its first row to its last."""
        if self.power:
            return [e.span for e in self.power if e.length > ZERO]
        days = [(rows[0], rows[-1]) for rows in self.stamps_of_day.values() if rows]
        return [(a, b) for a, b in days if a < b]

    def tariff(self, day: date) -> list[TariffRow]:
        """All rows of the tariff that the site has on a local date."""
        rows = [row for row in self.fleet.sites if row.site_id == self.site.site_id]
        holds = settings_on(rows, day)
        return [row for row in self.fleet.tariffs if holds and row.tariff_id == holds.tariff_id]


def site_views(fleet: Fleet) -> list[SiteView]:
    """A view of each site of the registry that has a log row."""
    found = []
    for site_id in sorted({row.site_id for row in fleet.sites}):
        view = _site_view(fleet, site_id)
        if view is not None:
            found.append(view)
    return found


def _site_view(fleet: Fleet, site_id: str) -> SiteView | None:
    site = next(row for row in fleet.sites if row.site_id == site_id)
    zone = site.timezone
    power = [row for row in fleet.power if row.site_id == site_id]
    events = [row for row in fleet.switch if row.site_id == site_id]
    meter = [row for row in fleet.meter if row.site_id == site_id]
    status = [row for row in fleet.status if row.site_id == site_id]
    stamps = sorted(
        [r.ts for r in power] + [r.ts for r in events] + [r.ts for r in meter] + [r.ts for r in status]
    )
    if not stamps:
        return None
    covered = extents(power, zone)
    horizon = max([stamps[-1], *[e.end for e in covered[-1:]]])
    circuits = []
    for circuit_id in sorted({row.circuit_id for row in fleet.circuits if row.site_id == site_id}):
        circuits.append(
            CircuitView(
                circuit_id,
                [row for row in fleet.circuits if row.circuit_id == circuit_id],
                [row for row in fleet.windows if row.circuit_id == circuit_id],
                [row for row in fleet.service if row.circuit_id == circuit_id],
                [row for row in events if row.circuit_id == circuit_id],
                extents([row for row in meter if row.circuit_id == circuit_id], zone),
                horizon,
            )
        )
    return SiteView(site, zone, fleet, status, stamps, covered, horizon, circuits)
