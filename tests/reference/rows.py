"""The rows a fact is computed from, as plain records. Instants are naive UTC, dates are local to the site."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime, time


@dataclass(frozen=True)
class SwitchEvent:
    """One row of the switch log; `closed` = main contacts commanded closed."""

    site_id: str
    circuit_id: str
    ts: datetime
    closed: bool
    cause: str | None = None
    seq: int | None = None


@dataclass(frozen=True)
class PowerSample:
    """One row of the power log [W]; of `house_w` and `grid_w` one may be missing."""

    site_id: str
    ts: datetime
    pv_w: float
    house_w: float | None
    grid_w: float | None
    battery_w: float | None = None
    islanded: bool | None = None


@dataclass(frozen=True)
class MeterSample:
    """One row of the circuit power log [W]."""

    site_id: str
    circuit_id: str
    ts: datetime
    circuit_w: float


@dataclass(frozen=True)
class StatusReport:
    """One row of the status log."""

    site_id: str
    controller_id: str
    ts: datetime
    firmware: str | None
    uptime_s: float | None = None


@dataclass(frozen=True)
class ServiceEntry:
    """One row of the service log."""

    site_id: str
    circuit_id: str
    date: date
    action: str
    note: str | None = None


@dataclass(frozen=True)
class SiteRow:
    """One home."""

    site_id: str
    timezone: str
    tariff_id: str | None = None
    latitude: float | None = None
    longitude: float | None = None
    valid_from: date | None = None
    valid_to: date | None = None


@dataclass(frozen=True)
class CircuitRow:
    """One circuit and its settings."""

    circuit_id: str
    site_id: str
    controller_id: str
    rated_w: float | None = None
    load_a: float | None = None
    mech_life_ops: float | None = None
    elec_life_ops: float | None = None
    elec_life_a: float | None = None
    fitted_on: date | None = None
    ops_at_fit: float | None = None
    min_run_s: float | None = None
    min_rest_s: float | None = None
    surplus_on_w: float | None = None
    surplus_off_w: float | None = None
    appliance: str = "other"
    valid_from: date | None = None
    valid_to: date | None = None


@dataclass(frozen=True)
class WindowRow:
    """One run or lockout window in wall time."""

    circuit_id: str
    window_id: str
    kind: str
    days: str
    start: time
    end: time
    need_minutes: float | None = None
    valid_from: date | None = None
    valid_to: date | None = None


@dataclass(frozen=True)
class TariffRow:
    """Prices of one stretch of the wall day [currency/kWh]."""

    tariff_id: str
    days: str
    start: time
    end: time
    import_per_kwh: float
    export_per_kwh: float = 0.05
    currency: str = "EUR"
    valid_from: date | None = None
    valid_to: date | None = None


@dataclass
class Fleet:
    """All rows of some sites."""

    switch: list[SwitchEvent] = field(default_factory=list)
    power: list[PowerSample] = field(default_factory=list)
    meter: list[MeterSample] = field(default_factory=list)
    status: list[StatusReport] = field(default_factory=list)
    service: list[ServiceEntry] = field(default_factory=list)
    sites: list[SiteRow] = field(default_factory=list)
    circuits: list[CircuitRow] = field(default_factory=list)
    windows: list[WindowRow] = field(default_factory=list)
    tariffs: list[TariffRow] = field(default_factory=list)

    def before(self, as_of: datetime) -> Fleet:
        """The fleet without log rows from `as_of` on."""
        return replace(
            self,
            switch=[r for r in self.switch if r.ts < as_of],
            power=[r for r in self.power if r.ts < as_of],
            meter=[r for r in self.meter if r.ts < as_of],
            status=[r for r in self.status if r.ts < as_of],
        )
