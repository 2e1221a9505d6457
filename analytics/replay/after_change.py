"""What a changed minimum run did: circuits whose setting changed, against those of their kind that stayed.

Difference in differences: a changed circuit's mean of the days after less that of the days before, less
the mean of the same difference over circuits of its appliance whose setting did not change in that time,
over the same dates. Weather and season, which both groups share, fall out; what only one of them had
does not. Beside it stands what the replay says for the same circuit and dates under both settings, and
how far it was out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import polars as pl
from coilbook.analytics.replay.candidates import Candidate
from coilbook.analytics.replay.fleet import Cancel, Replayed, replay_fleet, stop_if
from coilbook.analytics.replay.kernel import BOUGHT_WH, STARTS
from coilbook.analytics.replay.registry import read_registry
from coilbook.analytics.replay.request import TuneRequest
from coilbook.analytics.replay.take_out import Learned
from coilbook.ingest.store import Store

WINDOW_DAYS = 28
LEAST_DAYS = 14
COVERED = 0.8

CHANGES = """
SELECT circuit_id, appliance, valid_from AS changed_on, before_s, min_run_s AS after_s
FROM (
    SELECT
        circuit_id, appliance, valid_from, coalesce(min_run_s, 0) AS min_run_s,
        lag(coalesce(min_run_s, 0)) OVER (PARTITION BY circuit_id ORDER BY valid_from NULLS FIRST) AS before_s
    FROM circuit
)
WHERE valid_from IS NOT NULL AND before_s IS NOT NULL AND before_s <> min_run_s
ORDER BY circuit_id, changed_on
"""
DAILY = """
WITH cloudy AS ( SELECT circuit_id, local_date, count(*) AS starts FROM surplus_start WHERE why = 'cloud'
GROUP BY ALL ), kind AS ( SELECT circuit_id, appliance FROM circuit QUALIFY row_number() OVER (PARTITION
BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1 ) SELECT d.circuit_id, k.appliance, d.local_date,
CAST(d.starts AS DOUBLE) AS starts, d.grid_wh, CAST(coalesce(c.starts, 0) AS DOUBLE) AS cloud_starts FROM
circuit_day d JOIN kind k ON k.circuit_id = d.circuit_id JOIN coverage v ON v.site_id = d.site_id AND
v.local_date = d.local_date AND v.covered_s >= $covered * v.day_s LEFT JOIN cloudy c ON c.circuit_id =
d.circuit_id AND c.local_date = d.local_date ORDER BY d.circuit_id, d.local_date
"""
MEASURES = ("starts", "cloud_starts", "grid_wh")
SCHEMA = {
    "circuit_id": pl.String,
    "appliance": pl.String,
    "changed_on": pl.Date,
    "before_s": pl.Float64,
    "after_s": pl.Float64,
    "days_before": pl.Int64,
    "days_after": pl.Int64,
    "unchanged": pl.Int64,
    **{f"{m}_{part}": pl.Float64 for m in MEASURES for part in ("change", "unchanged", "effect")},
    "replayed_starts": pl.Float64,
    "replayed_grid_wh": pl.Float64,
    "starts_error": pl.Float64,
    "grid_wh_error": pl.Float64,
    "reason": pl.String,
}


@dataclass(frozen=True)
class Change:
    """One change of a minimum run [s] in the registry."""

    circuit_id: str
    appliance: str
    changed_on: date
    before_s: float
    after_s: float

    def dates(self) -> tuple[date, date]:
        """First and last date of the time compared, both included."""
        span = timedelta(days=WINDOW_DAYS)
        return self.changed_on - span, self.changed_on + span - timedelta(days=1)


def after_change(
    store: Store,
    learned: Mapping[str, Learned] | None = None,
    appliances: Sequence[str] = (),
    cancel: Cancel | None = None,
) -> pl.DataFrame:
    """One row a change of `min_run_s` in the registry, 28 days either side; columns as in `SCHEMA`, by day.

    `<measure>_change`: after less before at the circuit. `_unchanged`: the same at those that stayed.
    `_effect`: the difference of both. `replayed_*`: new less old setting, replayed over all the time
    compared; `*_error`: that less the effect. `reason`: why a change could not be judged; days under 80 %
    covered are left aside. `appliances`: only these, empty = all; `cancel` as in `tune`.
    """

    def wanted(appliance: str) -> bool:
        return not appliances or appliance in appliances

    with store.reading() as session:
        changes = [c for c in (Change(*row) for row in session.rows(CHANGES)) if wanted(c.appliance)]
        daily = session.frame(DAILY, {"covered": COVERED}) if changes else pl.DataFrame()
    rows = []
    for change in changes:
        stop_if(cancel)
        row = _compared(change, changes, daily)
        if row["reason"] is None:
            row |= _replayed(store, change, learned or {}, row)
        rows.append(row)
    return pl.DataFrame(rows, schema=SCHEMA)


def _compared(change: Change, changes: list[Change], daily: pl.DataFrame) -> dict[str, object]:
    first, last = change.dates()
    row: dict[str, object] = dict.fromkeys(SCHEMA) | vars(change)
    others = [c.changed_on for c in changes if c.circuit_id == change.circuit_id and c is not change]
    if any(first < day <= last for day in others):
        return row | {"reason": "its setting changed more than once in the time compared"}
    time = daily.filter(pl.col("local_date").is_between(first, last), pl.col("appliance") == change.appliance)
    moved = {c.circuit_id for c in changes if first < c.changed_on <= last}
    after = pl.col("local_date") >= change.changed_on
    sides = time.group_by("circuit_id", maintain_order=True).agg(
        (~after).sum().cast(pl.Int64).alias("days_before"),
        after.sum().cast(pl.Int64).alias("days_after"),
        *((pl.col(m).filter(after).mean() - pl.col(m).filter(~after).mean()).alias(m) for m in MEASURES),
    )
    enough = sides.filter(pl.col("days_before") >= LEAST_DAYS, pl.col("days_after") >= LEAST_DAYS)
    own = enough.filter(pl.col("circuit_id") == change.circuit_id)
    stayed = enough.filter(~pl.col("circuit_id").is_in(sorted(moved)))
    row["unchanged"] = stayed.height
    if own.is_empty():
        return row | {"reason": f"under {LEAST_DAYS} covered days before or after"}
    if stayed.is_empty():
        return row | {"reason": "no circuit of its kind stayed as it was"}
    row |= {"days_before": own["days_before"][0], "days_after": own["days_after"][0]}
    for m in MEASURES:
        at_it, at_others = own[m][0], stayed[m].mean()
        effect = None if at_it is None or at_others is None else at_it - at_others
        row |= {f"{m}_change": at_it, f"{m}_unchanged": at_others, f"{m}_effect": effect}
    return row


def _replayed(
    store: Store, change: Change, learned: Mapping[str, Learned], row: Mapping[str, object]
) -> dict[str, object]:
    first, last = change.dates()
    tried = (Candidate(change.before_s), Candidate(change.after_s))
    request = replace(TuneRequest(), candidates=tried, first=first, last=last, threads=1)
    with store.reading() as session:
        registry = read_registry(session)
    circuits = [c for c in registry.circuits if c.circuit_id == change.circuit_id]
    replayed, _ = replay_fleet(store, registry, circuits, request, learned)
    if not replayed:
        return {}
    starts, grid_wh = _per_day(replayed[0])
    effects = (row["starts_effect"], row["grid_wh_effect"])
    errors = [None if e is None else p - e for p, e in zip((starts, grid_wh), effects, strict=True)]  # type: ignore[operator]
    names = ("replayed_starts", "replayed_grid_wh", "starts_error", "grid_wh_error")
    return dict(zip(names, (starts, grid_wh, *errors), strict=True))


def _per_day(one: Replayed) -> tuple[float, float]:
    """New less old setting: starts and bought energy [Wh] a covered day."""
    days = float(one.days.sum())
    starts = one.outcome.counts[:, :, STARTS].sum(axis=1)
    bought = one.outcome.energies[:, :, BOUGHT_WH].sum(axis=1)
    return float(np.diff(starts[:2])[0]) / days, float(np.diff(bought[:2])[0]) / days
