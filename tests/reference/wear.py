"""The fact `wear`, as far as it is counting: operations, shares used, rate."""

from __future__ import annotations

from datetime import date

from reference.clock import date_at
from reference.coverage import Fact, coverage
from reference.rows import CircuitRow
from reference.site_view import CircuitView, SiteView

CURRENT_EXPONENT = 2.0
RATE_DAYS = 28
LOOK_BACK_DAYS = 31


def wear(site: SiteView, exponent: float = CURRENT_EXPONENT) -> list[Fact]:
    """One row for each circuit and day."""
    covered = [row["local_date"] for row in coverage(site) if row["covered_s"] >= 0.8 * row["day_s"]]
    return [_of_day(site, circuit, day, covered, exponent) for circuit in site.circuits for day in site.days]


def counted_from(circuit: CircuitView, day: date) -> tuple[date | None, float]:
    """The date from which closings count, and the operations the contactor came with."""
    row = circuit.settings(day)
    fitted = row.fitted_on if row else None
    came_with = (row.ops_at_fit if row else None) or 0.0
    replaced = [
        e.date
        for e in circuit.service
        if e.action == "contactor_replaced" and e.date <= day and (fitted is None or e.date > fitted)
    ]
    return (max(replaced), 0.0) if replaced else (fitted, came_with)


def elec_life(row: CircuitRow | None, exponent: float) -> float | None:
    """Electrical life at the circuit's own current [operations]."""
    if row is None or row.elec_life_ops is None or row.elec_life_a is None or row.load_a is None:
        return None
    life = row.elec_life_ops * float((row.elec_life_a / row.load_a) ** exponent)
    return life if row.mech_life_ops is None else min(life, row.mech_life_ops)


def _of_day(site: SiteView, circuit: CircuitView, day: date, covered: list[date], exponent: float) -> Fact:
    since, ops = counted_from(circuit, day)
    row = circuit.settings(day)
    days = [date_at(site.zone, run.start) for run in circuit.runs]
    counted = [d for d in days if d <= day and (since is None or d >= since)]
    ops += len(counted)
    lives = [elec_life(circuit.settings(d), exponent) for d in counted]
    elec_used: float | None = None
    if elec_life(row, exponent) is not None:
        elec_used = sum((1 / life for life in lives if life is not None), 0.0)
    mech_used = ops / row.mech_life_ops if row and row.mech_life_ops else None
    last = [d for d in covered if d <= day and (day - d).days <= LOOK_BACK_DAYS][-RATE_DAYS:]
    return {
        "site_id": site.site.site_id,
        "circuit_id": circuit.circuit_id,
        "local_date": day,
        "ops": ops,
        "mech_used": mech_used,
        "elec_used": elec_used,
        "used": max([u for u in (mech_used, elec_used) if u is not None], default=None),
        "ops_per_day": sum(d in last for d in days) / len(last) if last else None,
    }
