"""What should the default be? The fleet's logs replayed, costed, resampled and put into words.

`tune` is the one entry. It reads the store and writes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
from coilbook.analytics.replay.assumptions import assumptions
from coilbook.analytics.replay.candidates import Candidate
from coilbook.analytics.replay.curves import (
    CIRCUITS,
    CURVES,
    RUN_LENGTHS,
    circuit_totals,
    curves,
    run_lengths,
)
from coilbook.analytics.replay.fleet import Cancel, LeftOut, Progress, Replayed, replay_fleet
from coilbook.analytics.replay.registry import Circuit, Registry, read_registry
from coilbook.analytics.replay.request import TuneRequest
from coilbook.analytics.replay.rows import no_rows, registry_rows
from coilbook.analytics.replay.scored import areas_left_out, held_out_weeks
from coilbook.analytics.replay.tables import ClassTable, class_tables
from coilbook.analytics.replay.take_out import learned_steps
from coilbook.analytics.replay.uncertainty import Counts, Decision, decide, draws, interval, mean_costs
from coilbook.analytics.replay.words import sentence
from coilbook.ingest.store import Session, Store

NO_FOLLOWER = "it does not follow surplus: no on level in the registry, no start on surplus in its log"

SITES: dict[str, Any] = {
    "appliance": pl.String,
    "currency": pl.String,
    "site_id": pl.String,
    "area": pl.String,
    "circuits": pl.Int64,
    "today_cost": pl.Float64,
    "recommended_cost": pl.Float64,
    "change": pl.Float64,
    "worse": pl.Boolean,
}


@dataclass(frozen=True)
class Recommendation:
    """One class's answer. Costs are yearly means a circuit [currency]; `saving` is against today's
    settings.

    `candidate` is the one of least cost even where `decision.enough` is false; None where none keeps the
    limit.
    """

    appliance: str
    currency: str
    circuits: int
    sites: int
    days: float
    decision: Decision
    candidate: Candidate | None
    cost: float
    today_cost: float
    saving: float
    saving_low: float
    saving_high: float
    sites_worse: int
    sentence: str


@dataclass(frozen=True)
class TuneResult:
    """All of a tuning. Frames are described where they are made: `curves`, `run_lengths`, `circuits`
    (`circuit_totals`), `held_out`, `areas`, `sites`, `registry` (rows of the circuits file), `left_out`."""

    request: TuneRequest
    recommendations: tuple[Recommendation, ...]
    curves: pl.DataFrame
    run_lengths: pl.DataFrame
    circuits: pl.DataFrame
    sites: pl.DataFrame
    held_out: pl.DataFrame
    areas: pl.DataFrame
    registry: pl.DataFrame
    left_out: pl.DataFrame
    waiting_site_days: int
    assumptions: tuple[str, ...]


def tune(
    store: Store,
    request: TuneRequest,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
    learned: pl.DataFrame | None = None,
) -> TuneResult:
    """Replay the fleet under the request's candidates and recommend one for each class.

    `progress(done, all)` counts sites; `cancel()` true ends the work with `Cancelled`. `learned`: steps
    seen on switching, see `take_out.learned_steps`. Raises `InputError` where the request cannot be
    answered.
    """
    request.check()
    with store.reading() as session:
        registry = read_registry(session)
        waiting = session.rows("SELECT count(*) FROM dirty_day")[0][0]
    circuits, left_out = _wanted(registry, request)
    replayed, more = replay_fleet(
        store, registry, circuits, request, learned_steps(learned), progress, cancel
    )
    tables = class_tables(replayed, request)
    tried = request.candidates
    counts = [draws(len(t.site_ids), request.resamples, request.seed) for t in tables]
    made = [_recommend(t, request, drawn) for t, drawn in zip(tables, counts, strict=True)]
    with store.reading() as session:
        rows = _rows(session, tables, made, request)
    return TuneResult(
        request,
        tuple(made),
        _stacked(CURVES, [curves(t, tried, drawn) for t, drawn in zip(tables, counts, strict=True)]),
        _stacked(RUN_LENGTHS, [run_lengths(t, tried) for t in tables]),
        _stacked(CIRCUITS, [circuit_totals(t, tried) for t in tables]),
        _stacked(SITES, [_site_changes(t, one, request) for t, one in zip(tables, made, strict=True)]),
        held_out_weeks(tables, tried),
        areas_left_out(tables, tried),
        rows,
        _left_out([*left_out, *more]),
        waiting,
        assumptions(request, sorted({t.currency for t in tables})),
    )


def _wanted(registry: Registry, request: TuneRequest) -> tuple[list[Circuit], list[LeftOut]]:
    wanted, left_out = [], []
    for circuit in registry.circuits:
        if request.appliances and circuit.appliance not in request.appliances:
            continue
        if not request.cohort.admits(registry.sites[circuit.site_id]):
            continue
        if circuit.valid_to is not None and (request.last is None or circuit.valid_to < request.last):
            left_out.append(LeftOut(circuit, f"the registry ends it on {circuit.valid_to}"))
        elif request.cohort.followers and not circuit.follows:
            left_out.append(LeftOut(circuit, NO_FOLLOWER))
        elif not registry.prices.get(registry.sites[circuit.site_id].tariff_id or ""):
            left_out.append(LeftOut(circuit, "its site has no tariff"))
        else:
            wanted.append(circuit)
    return wanted, left_out


def _recommend(table: ClassTable, request: TuneRequest, counts: Counts) -> Recommendation:
    cost, last = table.cost(), len(request.candidates)
    decision = decide(cost[:, :last], table.within()[:, :last], table.site, table.days.sum(axis=1), counts)
    candidate = request.candidates[decision.choice] if decision.choice >= 0 else None
    change = cost[:, last] - (cost[:, decision.choice] if candidate else cost[:, last])
    weights = counts[:, table.site].astype(np.float64)
    low, high = interval(mean_costs(weights, change[:, None]))
    by_site = np.bincount(table.site, weights=change)
    made = Recommendation(
        table.appliance,
        table.currency,
        len(table.circuits),
        len(table.site_ids),
        float(np.median(table.days.sum(axis=1))),
        decision,
        candidate,
        float(cost[:, decision.choice].mean()) if candidate else float("nan"),
        float(cost[:, last].mean()),
        float(change.mean()),
        float(low[0]),
        float(high[0]),
        int((by_site < 0).sum()),
        "",
    )
    return replace(made, sentence=sentence(made, request))


def _site_changes(table: ClassTable, made: Recommendation, request: TuneRequest) -> pl.DataFrame:
    """What the recommendation would change at each site:

    yearly cost of its circuits of the class [currency].
    """
    cost, last = table.cost(), len(request.candidates)
    choice = made.decision.choice if made.candidate else last
    today, then = (np.bincount(table.site, weights=cost[:, k]) for k in (last, choice))
    area = dict(zip(table.site.tolist(), (r.site.area for r in table.circuits), strict=True))
    columns = {
        "appliance": [table.appliance] * len(today),
        "currency": [table.currency] * len(today),
        "site_id": list(table.site_ids),
        "area": [area[k] for k in range(len(today))],
        "circuits": np.bincount(table.site),
        "today_cost": today,
        "recommended_cost": then,
        "change": then - today,
        "worse": then > today,
    }
    return pl.DataFrame(columns, schema=SITES).sort("change", descending=True, maintain_order=True)


def _rows(
    session: Session, tables: Sequence[ClassTable], made: Sequence[Recommendation], request: TuneRequest
) -> pl.DataFrame:
    chosen: list[tuple[Replayed, Candidate]] = []
    for table, one in zip(tables, made, strict=True):
        if one.candidate is not None and one.decision.enough:
            chosen += [(circuit, one.candidate) for circuit in table.circuits]
    if not chosen:
        return no_rows()
    valid_from = request.valid_from or _day_after_newest(session)
    return registry_rows(session, chosen, valid_from, request.candidates)


def _day_after_newest(session: Session) -> date:
    newest = session.rows("SELECT max(ts) FROM power_log")[0][0]
    return newest.date() + timedelta(days=1)  # type: ignore[no-any-return]


def _stacked(schema: Mapping[str, Any], frames: list[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat([pl.DataFrame(schema=schema), *frames])


def _left_out(rows: Sequence[LeftOut]) -> pl.DataFrame:
    """Circuits that took no part, each with its reason."""
    schema = dict.fromkeys(("circuit_id", "site_id", "appliance", "reason"), pl.String)
    found = [(r.circuit.circuit_id, r.circuit.site_id, r.circuit.appliance, r.reason) for r in rows]
    return pl.DataFrame(sorted(found), schema=schema, orient="row")
