"""Totals of replayed circuits as arrays by class: one appliance in one currency, never two currencies
together.

Shapes: C circuits, K candidates, then today's setting as the last column, and two halves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from coilbook.analytics.replay.costs import DAYS_PER_YEAR, closing_cost, life_ops
from coilbook.analytics.replay.fleet import Replayed
from coilbook.analytics.replay.kernel import (
    BOUGHT_COST,
    BOUGHT_WH,
    FORGONE_EXPORT,
    MOST_1H,
    ON_SAMPLES,
    SHORT_RUNS,
    SOLAR_WH,
    STARTS,
)
from coilbook.analytics.replay.request import TuneRequest
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MONTH_DAYS = (31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
BOTH = (0, 1)


def days_asked(months: Sequence[int]) -> float:
    """Days of a year that fall into `months` (empty = all) [d]."""
    return sum(MONTH_DAYS[month - 1] for month in set(months)) if months else DAYS_PER_YEAR


@dataclass(frozen=True)
class ClassTable:
    """One class of appliance in one currency.

    `counts` (C, K+1, 2, 5), `energies` (C, K+1, 2, 4), `days` (C, 2).
    """

    appliance: str
    currency: str
    circuits: tuple[Replayed, ...]
    site: NDArray[np.int64]
    site_ids: tuple[str, ...]
    counts: NDArray[np.int64]
    energies: Floats
    days: Floats
    closing: Floats
    life: Floats
    limit: float
    year_days: float
    own_kwh_value: float

    def per_year(self, column: int, of: str = "counts", halves: Sequence[int] = BOTH) -> Floats:
        """A column as a total of the year (or its months asked for), at the pace of the covered days (C,
        K+1).
        """
        totals = (self.counts if of == "counts" else self.energies)[:, :, list(halves), column].sum(axis=2)
        covered = self.days[:, list(halves)].sum(axis=1, keepdims=True)
        pace = np.divide(self.year_days, covered, out=np.full_like(covered, np.nan), where=covered > 0)
        yearly: Floats = totals * pace
        return yearly

    def cost(self, halves: Sequence[int] = BOTH) -> Floats:
        """Yearly cost [currency] (C, K+1): bought energy, export forgone and closings, less its worth."""
        energy = self.per_year(BOUGHT_COST, "energies", halves) + self.per_year(
            FORGONE_EXPORT, "energies", halves
        )
        closings = self.per_year(STARTS, "counts", halves) * self.closing[:, None]
        return energy + closings - self.own_kwh_value * self.own_kwh(halves)

    def within(self, halves: Sequence[int] = BOTH) -> NDArray[np.bool_]:
        """Whether the worst hour stays within the starts limit (C, K+1)."""
        worst = self.counts[:, :, list(halves), MOST_1H].max(axis=2)
        kept: NDArray[np.bool_] = worst <= self.limit
        return kept

    def starts_per_day(self) -> Floats:
        """Starts a day (C, K+1)."""
        starts: Floats = self.per_year(STARTS) / self.year_days
        return starts

    def own_kwh(self, halves: Sequence[int] = BOTH) -> Floats:
        """Own energy a year [kWh] (C, K+1)."""
        hours = np.array([r.step_s / 3600.0 for r in self.circuits])
        power = np.array([r.own_w for r in self.circuits])
        own: Floats = self.per_year(ON_SAMPLES, "counts", halves) * (hours * power)[:, None] / 1000.0
        return own

    def energy_kwh(self, column: int) -> Floats:
        """Solar or bought energy a year [kWh] (C, K+1)."""
        assert column in (SOLAR_WH, BOUGHT_WH)
        return self.per_year(column, "energies") / 1000.0

    def short_runs(self) -> Floats:
        """Short runs a year (C, K+1)."""
        return self.per_year(SHORT_RUNS)

    def life_used(self) -> Floats:
        """Share of a contactor's life used in a year [1] (C, K+1)."""
        used: Floats = self.per_year(STARTS) / self.life[:, None]
        return used


def class_tables(replayed: Sequence[Replayed], request: TuneRequest) -> list[ClassTable]:
    """The replayed circuits by appliance and currency, in that order."""
    grouped: dict[tuple[str, str], list[Replayed]] = {}
    for one in replayed:
        grouped.setdefault((one.circuit.appliance, one.currency), []).append(one)
    return [_table(*key, grouped[key], request) for key in sorted(grouped)]


def _table(appliance: str, currency: str, circuits: list[Replayed], request: TuneRequest) -> ClassTable:
    site_ids, site = np.unique([r.site.site_id for r in circuits], return_inverse=True)
    return ClassTable(
        appliance,
        currency,
        tuple(circuits),
        site.astype(np.int64),
        tuple(site_ids.tolist()),
        np.stack([r.outcome.counts for r in circuits]),
        np.stack([r.outcome.energies for r in circuits]),
        np.stack([r.days for r in circuits]),
        np.array([closing_cost(r.circuit, request.costs) for r in circuits]),
        np.array([life_ops(r.circuit, request.costs) for r in circuits]),
        request.starts_per_hour.get(appliance, float("inf")),
        days_asked(request.months),
        request.costs.own_kwh_value,
    )
