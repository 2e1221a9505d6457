"""How cases stand by what people did, and when a case that was put aside comes back.

`standing` folds the acts of each case; nothing is overwritten, so an undo is an act too, and what it takes
back is left out of the fold. `listed` then says what the morning list shows of each case on a given day.

A *closed* case leaves the list. It comes back, as `back`, once its rule has found again on a local day after
the closing's own and the days of grace that the outcome gives:

- `confirmed`, `setting_changed`: something was mended. 2 days of grace, or as long as the rule looks back.
- `not_found`: nothing was seen. 7 days, so that a doubtful finding does not send somebody every morning.
- `no_access`: nothing was done. No grace, and a finding on the day of closing counts.
- severity danger has no grace, whatever the outcome; where nothing was mended, a finding on the day of
  closing counts.

A case that had its clean days meanwhile is cleared and stays so: what comes later is a new case.
A *snoozed* case comes back on its date; one of severity danger on the next local day.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from coilbook.ingest.local_time import local_date

OUTCOMES = ("confirmed", "not_found", "no_access", "setting_changed")
OPEN = ("new", "continuing", "back")

MENDED = ("confirmed", "setting_changed")
MENDED_DAYS = 2
NOT_FOUND_DAYS = 7
CLOSING_DAY_COUNTS = -1

LOOKS_BACK_DAYS = {"no_load_on_close": 7, "clock_offset": 7, "contactor_wear": 14, "wearing_fast": 28}
"""Rules whose finding of a day rests on earlier days too [d]; for wear, until a service log is in."""

STANDING: dict[str, Any] = {
    "case_id": pl.String,
    "assigned_to": pl.String,
    "snoozed_until": pl.Date,
    "snoozed_at": pl.Datetime("us"),
    "outcome": pl.String,
    "closed_at": pl.Datetime("us"),
    "closed_by": pl.String,
    "note": pl.String,
    "note_at": pl.Datetime("us"),
    "note_by": pl.String,
    "version": pl.Int64,
}
"""One row a case with acts. `outcome` is empty unless it is closed; `version` is its newest act."""


def standing(acts: pl.DataFrame) -> pl.DataFrame:
    """What the acts of each case come to: columns of `STANDING`, sorted by case_id.

    `acts`: case_id, act_id, kind, who, at, to_person, until, text, outcome, undoes; rows in any order.
    """
    c = pl.col
    acts = acts.sort("act_id")
    struck = acts.select(c("undoes").drop_nulls())["undoes"].implode()
    said = acts.filter((c("kind") != "undo") & ~c("act_id").is_in(struck))
    turns = _last(said, c("kind").is_in(["close", "reopen"])).select(
        "case_id",
        turned="act_id",
        outcome=c("outcome"),
        closed_at=pl.when(c("kind") == "close").then("at"),
        closed_by=pl.when(c("kind") == "close").then("who"),
    )
    naps = _last(said, c("kind") == "snooze").select(
        "case_id", slept="act_id", snoozed_until="until", snoozed_at="at"
    )
    hands = _last(said, c("kind") == "assign").select("case_id", assigned_to="to_person")
    notes = _last(said, c("text").is_not_null()).select("case_id", note="text", note_at="at", note_by="who")
    found = acts.group_by("case_id").agg(version=c("act_id").max())
    for part in (hands, naps, turns, notes):
        found = found.join(part, on="case_id", how="left")
    awake = (c("turned") > c("slept")).fill_null(value=False)
    nap = [pl.when(~awake).then(name).alias(name) for name in ("snoozed_until", "snoozed_at")]
    return found.with_columns(nap).select(c(n).cast(t) for n, t in STANDING.items()).sort("case_id")


def _last(acts: pl.DataFrame, which: pl.Expr) -> pl.DataFrame:
    return acts.filter(which).unique("case_id", keep="last", maintain_order=True)


def listed(cases: pl.DataFrame, stands: pl.DataFrame, now: datetime) -> pl.DataFrame:
    """`cases` with the columns of `STANDING`, and `state` as the morning list says it at `now` [naive UTC].

    `cases`: case_id, rule, severity, state, last_finding_on, zone [IANA]. `state` becomes `closed` or
    `snoozed` for an open case that is put aside, `back` for one that came back after its closing;
    `snoozed_until` is empty unless the case sleeps, and then the date on which it comes back; `version` is
    0 without acts.
    """
    c = pl.col
    rows = cases.join(stands, on="case_id", how="left", maintain_order="left")
    rows = rows.with_columns(
        c("version").fill_null(0),
        today=_dates(rows["zone"], [now] * rows.height),
        closed_on=_dates(rows["zone"], rows["closed_at"]),
        slept_on=_dates(rows["zone"], rows["snoozed_at"]),
    )
    one_night = pl.when(c("severity") == "danger").then(c("slept_on") + timedelta(days=1))
    wakes = pl.min_horizontal("snoozed_until", one_night)
    rows = rows.with_columns(
        wakes=pl.when(c("snoozed_until").is_not_null() & (c("today") < wakes)).then(wakes),
        again=c("last_finding_on") > c("closed_on") + pl.duration(days=_grace_days()),
    )
    is_open, closed = c("state").is_in(OPEN), c("outcome").is_not_null()
    state = (
        pl.when(is_open & closed & ~c("again"))
        .then(pl.lit("closed"))
        .when(is_open & c("wakes").is_not_null())
        .then(pl.lit("snoozed"))
        .when(is_open & closed)
        .then(pl.lit("back"))
        .otherwise("state")
    )
    return rows.with_columns(state=state, snoozed_until="wakes").drop(
        "wakes", "again", "today", "closed_on", "slept_on"
    )


def _grace_days() -> pl.Expr:
    """Days after the closing's own on which findings do not bring a case back [d]."""
    c = pl.col
    looks_back = c("rule").replace_strict(LOOKS_BACK_DAYS, default=0, return_dtype=pl.Int64)
    mended = c("outcome").is_in(MENDED)
    danger = c("severity") == "danger"
    return (
        pl.when((c("outcome") == "no_access") | (danger & ~mended))
        .then(CLOSING_DAY_COUNTS)
        .when(danger)
        .then(0)
        .when(mended)
        .then(pl.max_horizontal(looks_back, MENDED_DAYS))
        .otherwise(pl.max_horizontal(looks_back, NOT_FOUND_DAYS))
    )


def _dates(zones: Iterable[str | None], instants: Iterable[datetime | None]) -> pl.Series:
    days: list[date | None] = [
        local_date(name or "UTC", ts) if ts else None for name, ts in zip(zones, instants, strict=True)
    ]
    return pl.Series(days, dtype=pl.Date)
