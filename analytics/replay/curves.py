"""Curves of a tuning as frames: cost and starts against the settings, run lengths, totals of each circuit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
from coilbook.analytics.replay.candidates import Candidate
from coilbook.analytics.replay.circuit import LENGTH_EDGES_S
from coilbook.analytics.replay.kernel import (
    BOUGHT_COST,
    BOUGHT_WH,
    FORGONE_EXPORT,
    MOST_1H,
    MOST_24H,
    SOLAR_WH,
    STARTS,
)
from coilbook.analytics.replay.tables import ClassTable
from coilbook.analytics.replay.uncertainty import Counts, Floats, interval, mean_costs, weighted_medians

TODAY = "today"

_KEYS = dict.fromkeys(("appliance", "currency"), pl.String)
_SETTINGS: dict[str, Any] = {"candidate": pl.Int64, "words": pl.String} | dict.fromkeys(
    ("min_run_s", "on_level", "off_level", "on_delay_s", "off_delay_s", "min_rest_s"), pl.Float64
)
_SPREAD = ("mean", "mean_low", "mean_high", "median", "median_low", "median_high", "p10", "p90")
_MEANS = (
    *("bought_cost", "forgone_export", "closings_cost", "own_kwh", "solar_kwh", "bought_kwh", "short_runs"),
    *("life_used", "within_limit", "own_value", "cost_per_own_kwh"),
)
_TOTALS = (
    *("cost", "bought_cost", "forgone_export", "starts_per_day", "own_kwh", "solar_kwh", "bought_kwh"),
    *("short_runs", "life_used"),
)
CURVES: dict[str, Any] = (
    _KEYS
    | _SETTINGS
    | dict.fromkeys(("circuits", "sites"), pl.Int64)
    | dict.fromkeys([f"{name}_{key}" for name in ("cost", "starts_per_day") for key in _SPREAD], pl.Float64)
    | dict.fromkeys(_MEANS, pl.Float64)
)
RUN_LENGTHS: dict[str, Any] = (
    _KEYS | {"candidate": pl.Int64, "words": pl.String} | dict.fromkeys(("from_s", "to_s", "runs"), pl.Int64)
)
CIRCUITS: dict[str, Any] = (
    dict.fromkeys(("circuit_id", "site_id", "appliance", "currency"), pl.String)
    | {"own_w": pl.Float64, "own_w_from": pl.String}
    | dict.fromkeys(("days", "today_min_run_s", "closing_cost"), pl.Float64)
    | _SETTINGS
    | dict.fromkeys(_TOTALS, pl.Float64)
    | dict.fromkeys(("most_starts_1h", "most_starts_24h"), pl.Int64)
    | {"within_limit": pl.Boolean}
)


def settings_columns(candidates: Sequence[Candidate], count: int) -> dict[str, pl.Series]:
    """Columns that name each candidate, the last row being today's setting; the whole `count` times over."""
    named = [*candidates, None]
    columns = {
        "candidate": pl.Series([k if c else None for k, c in enumerate(named)] * count, dtype=pl.Int64),
        "words": pl.Series([c.words() if c else TODAY for c in named] * count, dtype=pl.String),
    }
    for name in ("min_run_s", "on_level", "off_level", "on_delay_s", "off_delay_s", "min_rest_s"):
        values = [getattr(c, name) if c else None for c in named]
        columns[name] = pl.Series(values * count, dtype=pl.Float64)
    return columns


def curves(table: ClassTable, candidates: Sequence[Candidate], counts: Counts) -> pl.DataFrame:
    """One row a candidate, and one for today's setting (`candidate` null), of one class.

    For yearly cost [currency] and starts a day: mean, median, 10 and 90 % points over circuits, and 90 %
    intervals (`_low`, `_high`) of mean and median by resampling sites. Means of the rest: energies [kWh/a],
    short runs [1/a], share of a contactor's life a year, share of circuits within the starts limit.
    `cost_per_own_kwh` sets the cost against the energy that the appliance got for it.
    """
    weights = counts[:, table.site].astype(np.float64)
    n = len(candidates) + 1
    columns: dict[str, Any] = {"appliance": [table.appliance] * n, "currency": [table.currency] * n}
    columns |= settings_columns(candidates, 1)
    columns |= {"circuits": [len(table.circuits)] * n, "sites": [len(table.site_ids)] * n}
    columns |= _spread("cost", table.cost(), weights) | _spread(
        "starts_per_day", table.starts_per_day(), weights
    )
    means = {
        "bought_cost": table.per_year(BOUGHT_COST, "energies"),
        "forgone_export": table.per_year(FORGONE_EXPORT, "energies"),
        "closings_cost": table.per_year(STARTS) * table.closing[:, None],
        "own_kwh": table.own_kwh(),
        "solar_kwh": table.energy_kwh(SOLAR_WH),
        "bought_kwh": table.energy_kwh(BOUGHT_WH),
        "short_runs": table.short_runs(),
        "life_used": table.life_used(),
        "within_limit": table.within().astype(np.float64),
    }
    columns |= {name: values.mean(axis=0) for name, values in means.items()}
    own_kwh = columns["own_kwh"]
    columns["own_value"] = table.own_kwh_value * own_kwh
    columns["cost_per_own_kwh"] = columns["cost_mean"] / np.where(own_kwh > 0, own_kwh, np.nan)
    return pl.DataFrame(columns).select(*CURVES)


def _spread(name: str, values: Floats, weights: Floats) -> dict[str, Floats]:
    mean_low, mean_high = interval(mean_costs(weights, values))
    median_low, median_high = interval(weighted_medians(weights, values))
    p10, median, p90 = np.quantile(values, (0.1, 0.5, 0.9), axis=0)
    found = {"mean": values.mean(axis=0), "mean_low": mean_low, "mean_high": mean_high}
    found |= {"median": median, "median_low": median_low, "median_high": median_high, "p10": p10, "p90": p90}
    return {f"{name}_{key}": value for key, value in found.items()}


def run_lengths(table: ClassTable, candidates: Sequence[Candidate]) -> pl.DataFrame:
    """Runs of the replayed time by length:

    one row a candidate and bin [from_s, to_s); the last has no end.
    """
    totals = np.stack([r.outcome.lengths for r in table.circuits]).sum(axis=0)
    bins = len(LENGTH_EDGES_S)
    each = [k for k in range(len(totals)) for _ in range(bins)]
    named = settings_columns(candidates, 1)
    columns = {
        "appliance": [table.appliance] * totals.size,
        "currency": [table.currency] * totals.size,
        "candidate": named["candidate"].gather(each),
        "words": named["words"].gather(each),
        "from_s": list(LENGTH_EDGES_S) * len(totals),
        "to_s": [*LENGTH_EDGES_S[1:], None] * len(totals),
        "runs": totals.ravel(),
    }
    return pl.DataFrame(columns).select(*RUN_LENGTHS)


def circuit_totals(table: ClassTable, candidates: Sequence[Candidate]) -> pl.DataFrame:
    """One row a circuit and candidate: what the replay gave, a year, and what it was taken from."""
    n = len(candidates) + 1
    r = table.circuits
    columns: dict[str, Any] = {
        "circuit_id": [one.circuit.circuit_id for one in r for _ in range(n)],
        "site_id": [one.site.site_id for one in r for _ in range(n)],
        "appliance": [table.appliance] * (n * len(r)),
        "currency": [table.currency] * (n * len(r)),
        "own_w": np.repeat([one.own_w for one in r], n),
        "own_w_from": [one.source for one in r for _ in range(n)],
        "days": np.repeat(table.days.sum(axis=1), n),
        "today_min_run_s": np.repeat([one.circuit.min_run_s for one in r], n),
        "closing_cost": np.repeat(table.closing, n),
    }
    values = {
        "cost": table.cost(),
        "bought_cost": table.per_year(BOUGHT_COST, "energies"),
        "forgone_export": table.per_year(FORGONE_EXPORT, "energies"),
        "starts_per_day": table.starts_per_day(),
        "own_kwh": table.own_kwh(),
        "solar_kwh": table.energy_kwh(SOLAR_WH),
        "bought_kwh": table.energy_kwh(BOUGHT_WH),
        "short_runs": table.short_runs(),
        "life_used": table.life_used(),
        "most_starts_1h": table.counts[:, :, :, MOST_1H].max(axis=2),
        "most_starts_24h": table.counts[:, :, :, MOST_24H].max(axis=2),
        "within_limit": table.within(),
    }
    columns |= settings_columns(candidates, len(r)) | {name: value.ravel() for name, value in values.items()}
    return pl.DataFrame(columns).select(*CIRCUITS)
