"""What makes a load that seems to have stayed on doubtful: signs that are let pass for `stuck_closed`.

A danger is raised only where nothing else explains the sign. What is doubted is not judged, and not clean.
"""

from __future__ import annotations

from math import sqrt

import polars as pl
from coilbook.analytics.rules.shape import Frames
from coilbook.analytics.rules.still_stuck import unsettled
from coilbook.analytics.rules.sun_clock import USUAL, moved_clocks

MAX_NEGATIVE_SHARE = 0.01
# Of the step due, where a load that stays on is to be told from another: the closing's own step, by how much
# the house may be up after the opening, and by how much at the opening itself.
CLOSING, UP, BESIDE = (0.7, 1.3), (0.75, 1.4), 1.6
QUIET = 0.05  # of the step due: greatest noise beside an opening at which a load that stays on is told
# What may move as it opens: 3 x noise or STILL of the step due, between two samples sqrt 2 as much; samples
# beside it may move by SIDES.
STILL, SIDES = 0.05, 0.2
FINE_S = 90.0  # samples up to this length show a load that stays on for half an hour
COARSE_S = 330.0  # a meter with longer samples does not show a load that stays on for minutes
OWN_CONTROL = ("water_heater", "air_conditioner", "heat_pump", "spa", "ev_charger")


def with_doubts(stays: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Rows of `stay_on` with circuit and site, and `doubtful`: something else may explain the sign."""
    c = pl.col
    meter, house = c("kind") == "meter", c("kind") == "house"
    marks = ("holes", "negative", "shifted", "unlike", "moved")
    return (
        stays.join(_holes(frames), on=["controller_id", "local_date"], how="left")
        .join(_negative(frames), on=["site_id", "local_date"], how="left")
        .join(_shifted(stays, frames), on=["circuit_id", "ts", "kind"], how="left")
        .join(_unlike(stays, frames), on=["circuit_id", "ts", "kind"], how="left")
        .join(_moved(frames), on=["site_id", "local_date"], how="left")
        .with_columns(c(name).fill_null(value=False) for name in marks)
        .with_columns(
            doubtful=c("moved")
            | (meter & (c("holes") | c("shifted")))
            | (house & (c("negative") | c("unlike")))
        )
        .drop(marks)
    )


def _moved(frames: Frames) -> pl.DataFrame:
    """Site-days whose power log has a clock that moved: power and switching do not belong together."""
    moved = moved_clocks(frames.solar_clock, frames.site_days, USUAL)
    return moved.select("site_id", "local_date", moved=pl.lit(value=True))


def _unlike(stays: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Signs in the house's power that may be another load's: circuit_id, ts, kind.

    They are `restless`, or the power log has a hole that day as long as the sign.
    """
    c = pl.col
    gaps = frames.coverage.select("site_id", "local_date", "longest_gap_s")
    hole = (c("longest_gap_s") >= 60 * c("minutes")).fill_null(value=False)
    holed = (
        stays.filter(c("kind") == "house")
        .join(gaps, on=["site_id", "local_date"], how="left")
        .filter(hole)
        .select("circuit_id", "ts", "kind")
    )
    found = pl.concat([restless(stays, frames.switch_check), holed]).unique()
    return found.with_columns(unlike=pl.lit(value=True))


def restless(stays: pl.DataFrame, checks: pl.DataFrame) -> pl.DataFrame:
    """Signs in the house's power that the power beside the opening makes doubtful: circuit_id, ts, kind.

    They are not of this load's size, the house is too restless, or power moved as the contactor opened.
    `stays` and `checks` are rows of the facts `stay_on` and `switch_check`.

    A load that stays on moves nothing at its opening. One that goes off while another comes on leaves both
    on, or neither, for the time between: a bump or a dip of (time between / sample) x its size in the sample,
    or a whole one beside it. Of a load of 2 kW, samples of 1 min show 3 s between at 30 W of noise; what they
    do not show must also be of the same size, from the sample before to the one after. That is rare, not
    impossible: a meter on the circuit rules it out.
    """
    c = pl.col
    closings = checks.filter("closed").select("circuit_id", "step_w", low_w="before_w", closing_ts="ts")
    openings = checks.filter(~c("closed")).select(
        "circuit_id", "ts", "noise_w", "before_w", "swing_w", "side_swing_w", "jump_w"
    )
    due, closing, up = c("expected_w"), CLOSING, UP
    alike = c("step_w").is_between(closing[0] * due, closing[1] * due)
    alike = alike & c("rise_w").is_between(up[0] * due, up[1] * due)
    alike = alike & (c("before_w") - c("low_w") <= BESIDE * due)
    alike = alike & (c("noise_w") <= QUIET * due) & (c("side_swing_w") <= SIDES * due)
    still = pl.max_horizontal(3 * c("noise_w"), STILL * due)
    alike = alike & (c("swing_w") <= still) & (c("jump_w").abs() <= sqrt(2) * still)
    return (
        stays.filter(c("kind") == "house")
        .join(closings, on=["circuit_id", "closing_ts"])
        .join(openings, on=["circuit_id", "ts"])
        .filter(~alike.fill_null(value=False))
        .select("circuit_id", "ts", "kind")
    )


def _shifted(stays: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Draws at a meter that its clock may explain: circuit_id, ts, kind.

    If the clock is late, the load that draws after an opening did not come on at the closing before. If it is
    early, a draw runs into a closing. A hole in the power log as long as the draw may hide that the
    clock has just been moved.
    """
    c = pl.col
    by = ["circuit_id"]
    meter = stays.filter(c("kind") == "meter").sort("ts")
    closings = frames.switch_check.filter(c("closed") & c("metered")).select(
        *by, "before_w", closing="verdict", start="ts"
    )
    runs = (
        frames.run.filter(c("end").is_not_null())
        .join(closings, on=[*by, "start"], how="left")
        .select(*by, "closing", "before_w", ended="end", at="end")
        .sort("at")
    )
    starts = frames.run.select(*by, next_start="start", at="start").sort("at")
    gaps = frames.coverage.select("site_id", "local_date", "interval_s", "longest_gap_s")
    judged = (
        meter.with_columns(at=c("ts"))
        .join_asof(runs, on="at", by="circuit_id", check_sortedness=False)
        .join_asof(starts, on="at", by="circuit_id", strategy="forward", check_sortedness=False)
        .join(gaps, on=["site_id", "local_date"], how="left")
    )
    lasts, sample = 60 * c("minutes"), c("interval_s").fill_null(900)
    follows = ((c("ts") - c("ended")).dt.total_seconds() <= 2 * sample).fill_null(value=False)
    came_on = (c("closing") == "seen") | (c("before_w") >= 0.5 * c("rise_w"))
    to_closing = (c("next_start") - c("ts")).dt.total_seconds() - lasts
    # A closing's check looks at three samples, so a clock that is late by less does not show in it.
    coarse = (c("interval_s") > COARSE_S).fill_null(value=False) & (lasts <= 3 * sample)
    hole = (c("longest_gap_s") >= lasts).fill_null(value=False)
    late = (~came_on).fill_null(value=follows) | (follows & (hole | coarse))
    early = ~follows & (to_closing <= 2 * sample).fill_null(value=False)
    return judged.filter(late | early).select(*by, "ts", "kind", shifted=pl.lit(value=True))


def unclear_days(frames: Frames) -> pl.DataFrame:
    """Circuit-days that say nothing: every opening unclear, or nothing seen since a load stayed on.

    An opening at which nothing fell says that the load had gone before, where the appliance switches itself,
    or where the load had come on, it alone, and finer samples would show it if it stayed.
    """
    c = pl.col
    key = ["site_id", "circuit_id", "local_date"]
    ends = frames.run.filter(c("end").is_not_null()).select("circuit_id", closing_ts="start", ts="end")
    alone = c("step_w") <= CLOSING[1] * c("expected_w")
    risen = frames.switch_check.filter(c("closed") & (c("verdict") == "seen") & alone).select(
        "circuit_id", closing_ts="ts", risen=pl.lit(value=True)
    )
    known = frames.switch_check.filter(~c("closed") & (c("local_date") >= pl.lit(frames.first)))
    doubts = frames.stay_on.filter((c("kind") == "house") & (c("verdict") == "unclear")).select(
        "circuit_id", "ts", doubt=pl.lit(value=True)
    )
    kinds = frames.circuits.select("circuit_id", "local_date", own=c("appliance").is_in(OWN_CONTROL))
    openings = (
        known.join(ends, on=["circuit_id", "ts"])
        .join(risen, on=["circuit_id", "closing_ts"], how="left")
        .join(doubts, on=["circuit_id", "ts"], how="left")
        .join(kinds, on=["circuit_id", "local_date"], how="left")
    )
    by_itself = c("own").fill_null(value=False)
    gone = by_itself | (c("risen").fill_null(value=False) & (c("interval_s") <= FINE_S))
    told = (c("verdict") == "seen") | ((c("verdict") == "absent") & c("doubt").is_null() & gone)
    blind = (
        openings.group_by(key)
        .agg(told=(told | (c("metered") & (c("interval_s") <= COARSE_S))).any())
        .filter(~c("told"))
    )
    unseen = (
        _opening_days(frames)
        .join(known, on=key, how="anti")
        .join(frames.switch_check.filter("metered"), on="circuit_id", how="anti")
    )
    checked = frames.switch_check.filter(c("local_date") >= pl.lit(frames.first))
    marks = checked.group_by(key).agg(c("ts").max())
    stuck = unsettled(marks, frames.stay_on, frames.switch_check)
    rows = pl.concat([frame.select(key) for frame in (blind, unseen, stuck)])
    return rows.rename({"circuit_id": "subject"})


def _opening_days(frames: Frames) -> pl.DataFrame:
    """Circuits and the judged days on which they opened."""
    ends = frames.run.select("site_id", "circuit_id", ts="end").drop_nulls("ts").sort("ts")
    days = frames.site_days.select("site_id", "local_date", ts="day_start").sort("ts")
    dated = ends.join_asof(days, on="ts", by="site_id", check_sortedness=False)
    return dated.drop_nulls("local_date").select("site_id", "circuit_id", "local_date").unique()


def _holes(frames: Frames) -> pl.DataFrame:
    """Controller-days with missing events, and the days before: a hole shows at the event after it."""
    lost = frames.controller_day.filter(pl.col("lost_events") > 0).select("controller_id", "local_date")
    before = lost.with_columns(pl.col("local_date").dt.offset_by("-1d"))
    return pl.concat([lost, before]).unique().with_columns(holes=pl.lit(value=True))


def _negative(frames: Frames) -> pl.DataFrame:
    days = frames.coverage.filter(pl.col("house_negative") > MAX_NEGATIVE_SHARE * pl.col("samples"))
    return days.select("site_id", "local_date", negative=pl.lit(value=True))
