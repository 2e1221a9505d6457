"""Recommendations scored where they were not made: on the other weeks, and on an area left out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from coilbook.analytics.replay.candidates import Candidate
from coilbook.analytics.replay.tables import ClassTable
from coilbook.analytics.replay.uncertainty import NONE, Floats, Mask, best

SCORE_COLUMNS = {
    "appliance": pl.String,
    "currency": pl.String,
    "made_on": pl.String,
    "scored_on": pl.String,
    "circuits": pl.Int64,
    "chosen": pl.String,
    "chosen_cost": pl.Float64,
    "best": pl.String,
    "best_cost": pl.Float64,
    "today_cost": pl.Float64,
    "within_limit": pl.Float64,
}


def held_out_weeks(tables: Sequence[ClassTable], candidates: Sequence[Candidate]) -> pl.DataFrame:
    """Each half of the weeks recommends, the other scores; yearly mean costs a circuit [currency].

    Circuits without covered time in both halves are left aside. Columns as in `SCORE_COLUMNS`; empty
    `chosen` = no candidate keeps enough circuits within the starts limit.
    """
    rows = []
    for table in tables:
        both = (table.days > 0).all(axis=1)
        if not both.any():
            continue
        halves = [(table.cost((h,))[both], table.within((h,))[both]) for h in (0, 1)]
        for made, scored, names in ((0, 1, ("even weeks", "odd weeks")), (1, 0, ("odd weeks", "even weeks"))):
            rows.append(_score(table, candidates, names, halves[made], halves[scored]))
    return pl.DataFrame(rows, schema=SCORE_COLUMNS, orient="row")


def areas_left_out(tables: Sequence[ClassTable], candidates: Sequence[Candidate]) -> pl.DataFrame:
    """All areas but one recommend, that one scores; as `held_out_weeks`. Nothing for a class in one area."""
    rows = []
    for table in tables:
        area = np.array([r.site.area or "" for r in table.circuits])
        names = sorted(set(area.tolist()))
        cost, within = table.cost(), table.within()
        for name in names if len(names) > 1 else []:
            here = area == name
            labels = (f"all but {name or 'no area'}", name or "no area")
            rows.append(
                _score(table, candidates, labels, (cost[~here], within[~here]), (cost[here], within[here]))
            )
    return pl.DataFrame(rows, schema=SCORE_COLUMNS, orient="row")


def _score(
    table: ClassTable,
    candidates: Sequence[Candidate],
    names: tuple[str, str],
    made: tuple[Floats, Mask],
    scored: tuple[Floats, Mask],
) -> tuple[object, ...]:
    last = len(candidates)
    chosen, least = (_best(cost[:, :last], within[:, :last]) for cost, within in (made, scored))
    means = scored[0].mean(axis=0)

    def of(choice: int) -> tuple[str | None, float | None]:
        return (None, None) if choice == NONE else (candidates[choice].words(), float(means[choice]))

    kept = None if chosen == NONE else float(scored[1][:, chosen].mean())
    costs = (*of(chosen), *of(least), float(means[last]))
    return (table.appliance, table.currency, *names, len(scored[0]), *costs, kept)


def _best(cost: Floats, within: Mask) -> int:
    return int(best(np.ones((1, len(cost))), cost, within)[0])
