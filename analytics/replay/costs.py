"""What a circuit costs in a year: bought energy, export forgone, and the wear of each closing, less what its
run time is worth.

Closings are priced by what they use up: the price of a contactor change divided by the contactor's life
at the circuit's current, and what a start costs the appliance itself. Both are settings of the person
who asks. The life is that of `wear`: elec_life_ops x (elec_life_a / load_a)^k, no more than
mech_life_ops.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from coilbook.analytics.replay.registry import Circuit

DAYS_PER_YEAR = 365.25

# What a start takes from the appliance itself, in the currency of the site's tariff. Ours: the user sets it.
START_COSTS: Mapping[str, float] = {
    "air_conditioner": 0.02,
    "heat_pump": 0.02,
    "pool_pump": 0.005,
    "well_pump": 0.005,
    "spa": 0.005,
}


@dataclass(frozen=True)
class CostSettings:
    """Prices behind a closing, and what run time is worth. Amounts are in the currency of the site's tariff.

    `given` names the fields that the person who asks has set; the others are placeholders of ours.
    `own_kwh_value` [currency/kWh] is what a kWh of the appliance's own energy is worth to its owner.
    """

    contactor_change: float = 150.0
    default_life_ops: float = 100_000.0  # where the registry has no life figures
    life_exponent: float = 2.0  # k of the electrical life
    start_costs: Mapping[str, float] = field(default_factory=lambda: dict(START_COSTS))
    own_kwh_value: float = 0.0
    given: frozenset[str] = frozenset()


def life_ops(circuit: Circuit, costs: CostSettings) -> float:
    """Closings that the circuit's contactor lasts [operations]."""
    c = circuit
    mechanical = c.mech_life_ops if c.mech_life_ops else None
    electrical = None
    if c.elec_life_ops and c.elec_life_a and c.load_a:
        electrical = c.elec_life_ops * (c.elec_life_a / c.load_a) ** costs.life_exponent
    known = [life for life in (mechanical, electrical) if life]
    return min(known) if known else costs.default_life_ops


def closing_cost(circuit: Circuit, costs: CostSettings) -> float:
    """Cost of one closing [currency]."""
    return costs.contactor_change / life_ops(circuit, costs) + costs.start_costs.get(circuit.appliance, 0.0)
