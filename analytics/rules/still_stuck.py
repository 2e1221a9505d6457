"""Contacts that were seen to stick, and have not been seen to open or close since.

A welded contactor shows once, at the opening that leaves the load on. After that its closings and openings
move nothing, and each day by itself looks like a load that is gone. Until a step is seen again nobody knows
better.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

DAYS = 28
"""How far rules look back [d]."""

KNOWN = timedelta(days=DAYS - 2)
"""For so long an opening counts, so that a day reads the same whatever days are judged with it."""


def unsettled(marks: pl.DataFrame, stay_on: pl.DataFrame, checks: pl.DataFrame) -> pl.DataFrame:
    """Those rows of `marks` (circuit_id, ts) that follow a load that stayed on, with no step seen since.

    `stay_on` and `checks` are rows of these facts; they look back as far as the frames do.
    """
    c = pl.col
    by = ["circuit_id"]
    stuck = stay_on.filter(c("verdict") == "stays_on").select(*by, "ts", stuck_ts="ts")
    moved = checks.filter(c("verdict") == "seen").select(*by, "ts", moved_ts="ts")
    if stuck.is_empty() or marks.is_empty():
        return marks.clear()
    dated = marks.sort("ts")
    for known in (stuck, moved):
        dated = dated.join_asof(known.sort("ts"), on="ts", by="circuit_id", check_sortedness=False)
    stands = (c("ts") - c("stuck_ts") <= KNOWN) & (c("moved_ts").is_null() | (c("moved_ts") <= c("stuck_ts")))
    return dated.filter(stands).select(marks.columns)
