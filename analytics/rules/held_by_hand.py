"""A hand command that was never taken back, and that now costs the owner a run window.

A hand command beats clock and surplus until the next event of the circuit. Left standing for more than a day
it is usually forgotten.

Fires: switched off by hand on Monday at 18:00; on Tuesday and Wednesday the run window from 10:00 to 14:00 is
excused because of it, and by the end of Tuesday the hold has stood for 30 h.
Stays quiet: held off by hand for an afternoon, even where a window falls into it.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.ingest.phrases import phrase

GRACE_S = 300.0  # that windows allow


@dataclass(frozen=True)
class Settings:
    """Thresholds of `held_by_hand`."""

    max_hold_h: float = setting(24.0, "hours that a hand hold may stand", "our choice", low=1, high=24 * 30)
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with a window excused by a long hand hold; measure and limit in hours held."""
    c = pl.col
    key = ["circuit_id", "local_date"]
    held = frames.per_circuit(frames.circuit_day.filter(c("hand_s") > 0))
    long = (
        held.join(_excusing(frames), on=key)
        .with_columns(held_h=c("held_s") / 3600)
        .filter(c("held_h") > settings.max_hold_h)
    )
    limit = pl.lit(settings.max_hold_h)
    shown = words.with_clock(long, {"since": "since_local"}, "%-d %B %H:%M")
    return RULE.verdicts(
        shown.select(
            "site_id",
            "local_date",
            subject="circuit_id",
            count="n",
            measure=c("held_h").round(2),
            limit=limit,
            unit=pl.lit("h"),
            confidence=confidence(c("n"), above(c("held_h"), limit), c("covered_share")),
            evidence=words.evidence(
                since=words.rfc3339(c("since")),
                held_s=c("held_s"),
                windows=c("windows"),
                excused_s=c("excused_s"),
            ),
            sentence=phrase(
                "Held by hand since {}, for {} up to {}; because of it {} {} did not run as due.",
                c("since_local"),
                words.duration(c("held_s")),
                words.day(c("local_date")),
                pl.when(c("n") == 1).then(pl.lit("window")).otherwise(pl.lit("windows")),
                c("windows").list.join(", "),
            ),
            next_step=pl.lit(
                "Ask the owner by phone whether the hold is still wanted; if not, put the circuit back under "
                "automatic control."
            ),
        )
    )


def _excusing(frames: Frames) -> pl.DataFrame:
    """Per circuit and day: the longest hold that takes more than the grace from an excused window."""
    c = pl.col
    key = ["circuit_id", "local_date"]
    excused = frames.window_result.filter(c("verdict") == "excused").select(
        *key, "window_id", "start_ts", "end_ts", "excused_s"
    )
    until = c("since") + pl.duration(microseconds=(c("held_s") * 1e6).cast(pl.Int64))
    shared = pl.min_horizontal(until, "end_ts") - pl.max_horizontal("since", "start_ts")
    return (
        _holds(frames)
        .join(excused, on=key)
        .filter(_seconds(shared) > GRACE_S)
        .sort("start_ts", "window_id")
        .group_by(*key, "since", "held_s", maintain_order=True)
        .agg(windows=c("window_id"), n=pl.len().cast(pl.Int64), excused_s=c("excused_s").sum())
        .sort("held_s", "since")
        .unique(key, keep="last", maintain_order=True)
    )


def _holds(frames: Frames) -> pl.DataFrame:
    """Per circuit and day: begin and length up to the day's end [s] of its long holds off by hand.

    A hold that stands when the day begins lasts until the day's first start, or as long as the day's hand
    time says where that is shorter; one that stands when the day ends lasts until then.
    """
    c = pl.col
    key = ["circuit_id", "local_date"]
    days = frames.circuit_day.filter(c("hand_s") > 0).join(
        frames.site_days.select("site_id", "local_date", "day_start", "day_end"), on=["site_id", "local_date"]
    )
    off_by_hand = frames.day_state.filter(
        (c("event_cause") == "hand") & ~c("closed").fill_null(value=False)
    ).select(*key, since="event_ts")
    first_start = frames.run.group_by(key).agg(begun=c("start").min())
    over_night = (
        days.join(off_by_hand.with_columns(c("local_date").dt.offset_by("1d")), on=key)
        .join(first_start, on=key, how="left")
        .with_columns(
            held_s=pl.min_horizontal(
                _seconds(c("day_start") - c("since")) + c("hand_s"), _seconds(c("begun") - c("since"))
            )
        )
    )
    end = pl.min_horizontal("day_end", pl.lit(frames.horizon, pl.Datetime("us")))
    standing = days.join(off_by_hand, on=key).with_columns(held_s=_seconds(end - c("since")))
    return pl.concat([frame.select(*key, "since", "held_s") for frame in (over_night, standing)]).unique()


def _seconds(span: pl.Expr) -> pl.Expr:
    return span.dt.total_microseconds() / 1e6


RULE: Rule[Settings] = Rule(
    name="held_by_hand",
    severity="service",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"window_result": 0, "circuit_day": 0, "day_state": 1, "run": 0},
    judge=judge,
    exposure="window",
)
