"""A hand command that was never taken back, and that now costs the owner a run window or the sun.

A hand command beats clock and surplus until the next event of the circuit. Left standing for more than a day
it is usually forgotten. Where the owner is away and wants it so, one question settles it.

Fires: switched off by hand on Monday at 18:00; on Tuesday and Wednesday the run window from 10:00 to 14:00 is
excused because of it, and by the end of Tuesday the hold has stood for 30 h. Or: a pump that is to run on
surplus, off by hand since Friday, while on Sunday 4 h of surplus above its on level go by.
Stays quiet: held off by hand for an afternoon, even where a window falls into it; a long hold on days on
which no window was due and less than an hour of surplus, in stretches of 10 min, went by. Such a day is not
clean: the case stands until the circuit starts again.

Surplus is counted as for `missed_surplus`, which leaves out time under a hold: what one counts the other does
not. Where a store was brought to this version nothing is known of it on days before.

Cost: of the surplus (`surplus_cost.py`); a missed window has none.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, confidence
from coilbook.analytics.costs import DAYS_BACK
from coilbook.analytics.rules import words
from coilbook.analytics.rules.hold_windows import KEY, excused_windows
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.analytics.rules.surplus_cost import FORMULA, unused_cost
from coilbook.ingest.phrases import phrase


@dataclass(frozen=True)
class Settings:
    """Thresholds of `held_by_hand`."""

    max_hold_h: float = setting(24.0, "hours that a hand hold may stand", "our choice", low=1, high=24 * 30)
    min_surplus_min: float = setting(
        60.0,
        "minutes of a day with surplus to spare under such a hold, in stretches of 10 or more",
        "our choice, as for missed_surplus",
        low=10,
        high=1440,
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with a window or surplus lost to a long hand hold; measure and limit in hours held."""
    c = pl.col
    windows = excused_windows(frames, settings.max_hold_h)
    surplus = _blocked(frames, settings)
    both = windows.join(surplus, on=KEY, how="full", coalesce=True).with_columns(
        since=c("since").fill_null(c("held_since")), held_s=c("held_s").fill_null(c("stood_s"))
    )
    held = frames.per_circuit(frames.circuit_day.select("site_id", *KEY)).join(both, on=KEY)
    return RULE.verdicts(_findings(held.sort("local_date", "circuit_id"), settings))


def _blocked(frames: Frames, settings: Settings) -> pl.DataFrame:
    """Circuits and days with enough surplus under a long hold, and what it was worth [currency]."""
    c = pl.col
    blocked = frames.idle_surplus.filter(
        (c("held_s") > 3600 * settings.max_hold_h) & (c("held_surplus_s") >= 60 * settings.min_surplus_min)
    )
    costs = unused_cost(blocked.select(*KEY, unused_wh="held_surplus_wh"), frames)
    return blocked.select(
        *KEY,
        "held_since",
        "held_surplus_s",
        "held_surplus_wh",
        "held_stretches",
        "held_first_ts",
        stood_s="held_s",
    ).join(costs, on=KEY, how="left")


def _findings(held: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    c = pl.col
    held_h, limit = c("held_s") / 3600, pl.lit(settings.max_hold_h)
    n = c("windows").list.len().cast(pl.Int64).fill_null(c("held_stretches"))
    shown = words.with_clock(held, {"since": "since_local"}, "%-d %B %H:%M")
    return shown.select(
        "site_id",
        "local_date",
        "cost_per_year",
        subject="circuit_id",
        count=n,
        measure=held_h.round(2),
        limit=limit,
        unit=pl.lit("h"),
        currency=pl.when(c("cost_per_year").is_not_null()).then(c("currency")),
        confidence=confidence(n, above(held_h, limit), c("covered_share")),
        evidence=words.evidence(
            since=words.rfc3339(c("since")),
            held_s=c("held_s"),
            windows=c("windows"),
            excused_s=c("excused_s"),
            first=words.rfc3339(c("held_first_ts")),
            stretches=c("held_stretches"),
            held_surplus_s=c("held_surplus_s").round(1),
            held_surplus_wh=c("held_surplus_wh").round(1),
            surplus_on_w=pl.when(c("held_surplus_s").is_not_null()).then(c("surplus_on_w")),
            cost=c("cost").round(4),
            cost_formula=pl.when(c("cost").is_not_null()).then(pl.lit(FORMULA)),
        ),
        sentence=phrase(
            "Held by hand since {}, for {} up to {}; because of it {}.",
            c("since_local"),
            words.duration(c("held_s")),
            words.day(c("local_date")),
            pl.concat_str([_lost_windows(), _lost_surplus()], separator=" and ", ignore_nulls=True),
        ),
        next_step=pl.lit(
            "Ask the owner by phone whether the hold is still wanted; if not, put the circuit back under "
            "automatic control."
        ),
    )


def _lost_windows() -> pl.Expr:
    """Windows that did not run, in words; empty where none did not."""
    names = pl.col("windows")
    noun = pl.when(names.list.len() == 1).then(pl.lit("window")).otherwise(pl.lit("windows"))
    return pl.when(names.is_not_null()).then(phrase("{} {} did not run as due", noun, names.list.join(", ")))


def _lost_surplus() -> pl.Expr:
    """Surplus that went by, in words; empty where it was too little."""
    c = pl.col
    energy = phrase(" ({})", words.energy(c("held_surplus_wh"))).fill_null("")
    spare = phrase("{} with surplus to spare went by{}", words.duration(c("held_surplus_s")), energy)
    return pl.when(c("held_surplus_s").is_not_null()).then(spare)


RULE: Rule[Settings] = Rule(
    name="held_by_hand",
    severity="service",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"window_result": 0, "circuit_day": 0, "day_state": 1, "run": 0, "idle_surplus": DAYS_BACK},
    judge=judge,
    exposure="start",
)
