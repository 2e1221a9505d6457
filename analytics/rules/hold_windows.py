"""Run windows that a long hold off by hand excuses: one half of `held_by_hand`."""

from __future__ import annotations

import polars as pl
from coilbook.analytics.rules.shape import Frames

GRACE_S = 300.0  # that windows allow
KEY = ["circuit_id", "local_date"]


def excused_windows(frames: Frames, over_h: float) -> pl.DataFrame:
    """Per circuit and day: the longest hold over `over_h` that takes more than the grace from an excused one.

    Returns circuit_id, local_date, since, held_s [s up to its or the day's end], windows (names), excused_s.
    """
    c = pl.col
    excused = frames.window_result.filter(c("verdict") == "excused").select(
        *KEY, "window_id", "start_ts", "end_ts", "excused_s"
    )
    until = c("since") + pl.duration(microseconds=(c("held_s") * 1e6).cast(pl.Int64))
    shared = pl.min_horizontal(until, "end_ts") - pl.max_horizontal("since", "start_ts")
    return (
        _holds(frames)
        .filter(c("held_s") > 3600 * over_h)
        .join(excused, on=KEY)
        .filter(_seconds(shared) > GRACE_S)
        .sort("start_ts", "window_id")
        .group_by(*KEY, "since", "held_s", maintain_order=True)
        .agg(windows=c("window_id"), excused_s=c("excused_s").sum())
        .sort("held_s", "since")
        .unique(KEY, keep="last", maintain_order=True)
    )


def _holds(frames: Frames) -> pl.DataFrame:
    """Per circuit and day: begin and length up to the day's end [s] of its long holds off by hand.

    A hold that stands when the day begins lasts until the day's first start, or as long as the day's hand
    time says where that is shorter; one that stands when the day ends lasts until then.
    """
    c = pl.col
    days = frames.circuit_day.filter(c("hand_s") > 0).join(
        frames.site_days.select("site_id", "local_date", "day_start", "day_end"), on=["site_id", "local_date"]
    )
    off_by_hand = frames.day_state.filter(
        (c("event_cause") == "hand") & ~c("closed").fill_null(value=False)
    ).select(*KEY, since="event_ts")
    first_start = frames.run.group_by(KEY).agg(begun=c("start").min())
    over_night = (
        days.join(off_by_hand.with_columns(c("local_date").dt.offset_by("1d")), on=KEY)
        .join(first_start, on=KEY, how="left")
        .with_columns(
            held_s=pl.min_horizontal(
                _seconds(c("day_start") - c("since")) + c("hand_s"), _seconds(c("begun") - c("since"))
            )
        )
    )
    end = pl.min_horizontal("day_end", pl.lit(frames.horizon, pl.Datetime("us")))
    standing = days.join(off_by_hand, on=KEY).with_columns(held_s=_seconds(end - c("since")))
    return pl.concat([frame.select(*KEY, "since", "held_s") for frame in (over_night, standing)]).unique()


def _seconds(span: pl.Expr) -> pl.Expr:
    return span.dt.total_microseconds() / 1e6
