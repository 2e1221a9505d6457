"""The power balance of a sample, and a circuit's own share in it."""

from __future__ import annotations

from reference.clock import ZERO
from reference.extents import Extent, beginning_within
from reference.rows import PowerSample
from reference.site_view import CircuitView
from reference.spans import overlap


def battery_w(row: PowerSample) -> float:
    """Discharge of the battery [W], 0 without one."""
    return row.battery_w if row.battery_w is not None else 0.0


def grid_w(row: PowerSample) -> float | None:
    """Import [W]; where not logged, what the balance leaves."""
    if row.grid_w is not None:
        return row.grid_w
    return None if row.house_w is None else row.house_w - row.pv_w - battery_w(row)


def house_w(row: PowerSample) -> float | None:
    """Consumption [W]; where not logged, what the balance leaves."""
    if row.house_w is not None:
        return row.house_w
    return None if row.grid_w is None else row.pv_w + row.grid_w + battery_w(row)


def meter_mean_w(circuit: CircuitView, sample: Extent[PowerSample]) -> float | None:
    """Mean of the meter samples [W] that begin within a power sample's extent; None without one."""
    metered = beginning_within(circuit.meter, sample.ts, sample.end)
    return sum(e.row.circuit_w for e in metered) / len(metered) if metered else None


def own_w(circuit: CircuitView, sample: Extent[PowerSample]) -> float | None:
    """Power of the circuit in a sample [W]: its meter's mean, else rated_w x share of the sample on."""
    mean = meter_mean_w(circuit, sample)
    if mean is not None:
        return mean
    on = overlap(circuit.run_spans, sample.ts, sample.end)
    if on == ZERO:
        return 0.0
    rated = circuit.rated_w(sample.day)
    return None if rated is None else rated * (on / sample.length)


def base_w(circuit: CircuitView, sample: Extent[PowerSample]) -> float | None:
    """Consumption without the circuit [W]."""
    house, own = house_w(sample.row), own_w(circuit, sample)
    return None if house is None or own is None else house - own


def surplus_w(circuit: CircuitView, sample: Extent[PowerSample]) -> float | None:
    """What would flow out were the circuit off [W]."""
    base = base_w(circuit, sample)
    return None if base is None else sample.row.pv_w + battery_w(sample.row) - base
