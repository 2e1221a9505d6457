"""How many starts within any hour an appliance stands, by kind; each default names its source.

The limits are for the appliance, not for the contactor, whose wear is counted apart. A motor's or pump's own
data sheet overrides them: NEMA MG 10 Table 2-3 gives min(A, B / load inertia) for three-phase Design A and B
motors, and pump makers give starts per day as well.
"""

from __future__ import annotations

from dataclasses import dataclass

from coilbook.analytics.rules.shape import setting


def _limit(default: float, source: str) -> float:
    limit: float = setting(default, "starts in any hour", source, low=0.5, high=600)
    return limit


@dataclass(frozen=True)
class StartsPerHour:
    """Starts per hour [1/h] allowed to each kind of appliance."""

    pool_pump: float = _limit(6.0, "UFC 3-240-04A Table 7-1: motors under 15 kW, a cycle of at least 10 min")
    well_pump: float = _limit(7.5, "pressurised storage tank standard: at most 7.5 an hour above 3/4 hp")
    water_heater: float = _limit(12.0, "IEC 60947-1 intermittent duty class 12, from memory")
    ev_charger: float = _limit(12.0, "IEC 60947-1 intermittent duty class 12, from memory")
    air_conditioner: float = _limit(6.0, "hermetic compressors: makers allow 6 to 12 an hour, the lower end")
    heat_pump: float = _limit(6.0, "hermetic compressors: makers allow 6 to 12 an hour, the lower end")
    spa: float = _limit(6.0, "as a pool pump: UFC 3-240-04A Table 7-1")
    other: float = _limit(12.0, "IEC 60947-1 intermittent duty class 12, from memory")
