"""A contactor that was told to open and whose load stayed on: welded or jammed main contacts.

Two signs, both in the fact `stay_on`. By the house's power: the load's step was seen at the closing, none
at the opening, and for 30 min after it (an hour where samples are longer than 1.5 min) the house stayed up
by at least half of that step, as it had through the run. By the circuit's own meter: the load drew at least
a fifth of its rating for 5 min while commanded off.

Fires: a pump of 1500 W closed at 08:15 (+1500 W); at 11:00 it was told to open, the house's power did not
move, and stayed 1400 W over what it was before 08:15 until 11:30.
Stays quiet: a water heater whose thermostat opened during the run, so that the house fell back before the
contactor did; power that rises at the very minute of the opening, from another circuit or in the house; a
meter that shows draw where the log of switch events has a hole; a meter whose clock is late, so that the load
also seems to come on well after each closing.

After a load that stayed on, days on which no step of the circuit is seen are not judged, so that the case
stands until one is: welded contacts show no second time. So are days with openings too unclear to tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.analytics.rules.still_stuck import DAYS, unsettled
from coilbook.analytics.rules.sun_clock import BACK, USUAL, moved_clocks
from coilbook.ingest.phrases import phrase

MAX_NEGATIVE_SHARE = 0.01
# Of the step due, where a load that stays on is to be told from another: the closing's own step, by how much
# the house may be up after the opening, and by how much at the opening itself.
CLOSING, UP, BESIDE = (0.7, 1.3), (0.75, 1.4), 1.6
QUIET = 0.1  # of the step due: greatest noise beside an opening at which a load that stays on is told
FINE_S = 90.0  # samples up to this length show a load that stays on for half an hour
COARSE_S = 330.0  # a meter with longer samples does not show a load that stays on for minutes
OWN_CONTROL = ("water_heater", "air_conditioner", "heat_pump", "spa", "ev_charger")


@dataclass(frozen=True)
class Settings:
    """Thresholds of `stuck_closed`."""

    min_openings: int = setting(
        1,
        "openings of a day that left the load on",
        "one is enough: the contacts may be welded",
        low=1,
        high=20,
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with a load that stayed on; measure and limit in watts."""
    c = pl.col
    key = ["circuit_id", "local_date"]
    stays = frames.stay_on.filter((c("verdict") == "stays_on") & (c("local_date") >= pl.lit(frames.first)))
    stays = frames.per_circuit(stays).with_columns(subject=c("circuit_id"))
    meter, house = c("kind") == "meter", c("kind") == "house"
    unsure = c("moved") | (meter & (c("holes") | c("shifted"))) | (house & (c("negative") | c("unlike")))
    stays = (
        stays.join(_holes(frames), on=["controller_id", "local_date"], how="left")
        .join(_negative(frames), on=["site_id", "local_date"], how="left")
        .join(_shifted(stays, frames), on=["circuit_id", "ts", "kind"], how="left")
        .join(_unlike(stays, frames), on=["circuit_id", "ts", "kind"], how="left")
        .join(_moved(frames), on=["site_id", "local_date"], how="left")
        .with_columns(c("holes", "negative", "shifted", "unlike", "moved").fill_null(value=False))
    )
    sure = stays.filter(~unsure).sort(*key, "ts", "kind")
    worst = sure.group_by(key, maintain_order=True).agg(
        pl.exclude("_at").first(),
        n=pl.len().cast(pl.Int64),
        longest=c("minutes").max(),
        at=words.rfc3339(c("ts")).head(12),
    )
    raised = worst.filter(c("n") >= settings.min_openings)
    return RULE.verdicts(
        _findings(raised),
        RULE.unjudged(stays.filter(unsure), "coverage"),
        RULE.unjudged(_unclear(frames), "unclear"),
    )


def _moved(frames: Frames) -> pl.DataFrame:
    """Site-days whose power log has a clock that moved: power and switching do not belong together."""
    moved = moved_clocks(frames.solar_clock, frames.site_days, USUAL)
    return moved.select("site_id", "local_date", moved=pl.lit(value=True))


def _unlike(stays: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Signs in the house's power that may be another load's: circuit_id, ts, kind.

    They are not of this load's size, the house is too restless, or the power log has a hole that day as long
    as the sign.
    """
    c = pl.col
    closings = frames.switch_check.filter("closed").select(
        "circuit_id", "step_w", low_w="before_w", closing_ts="ts"
    )
    openings = frames.switch_check.filter(~c("closed")).select("circuit_id", "ts", "noise_w", "before_w")
    due, closing, up = c("expected_w"), CLOSING, UP
    alike = c("step_w").is_between(closing[0] * due, closing[1] * due)
    alike = alike & c("rise_w").is_between(up[0] * due, up[1] * due)
    alike = alike & (c("before_w") - c("low_w") <= BESIDE * due)
    whole = (c("longest_gap_s") < 60 * c("minutes")).fill_null(value=True)
    alike = alike & (c("noise_w") <= QUIET * due)
    gaps = frames.coverage.select("site_id", "local_date", "longest_gap_s")
    return (
        stays.filter(c("kind") == "house")
        .join(closings, on=["circuit_id", "closing_ts"])
        .join(openings, on=["circuit_id", "ts"])
        .join(gaps, on=["site_id", "local_date"], how="left")
        .filter(~alike.fill_null(value=False) | ~whole)
        .select("circuit_id", "ts", "kind", unlike=pl.lit(value=True))
    )


def _shifted(stays: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Draws at a meter that its clock may explain: circuit_id, ts, kind.

    If the clock is late, the load that draws on after an opening did not come on at the closing before. If it
    is early, a draw runs into a closing. A hole in the power log as long as the draw may hide that the
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
    coarse = (sample > COARSE_S) & (lasts <= 3 * sample)  # a closing's check looks at three samples
    hole = (c("longest_gap_s") >= lasts).fill_null(value=False)
    late = follows & (~came_on.fill_null(value=False) | hole | coarse)
    early = ~follows & (to_closing <= 2 * sample).fill_null(value=False)
    return judged.filter(late | early).select(*by, "ts", "kind", shifted=pl.lit(value=True))


def _unclear(frames: Frames) -> pl.DataFrame:
    """Circuit-days that say nothing: every opening unclear, or nothing seen since a load stayed on.

    An opening at which nothing fell says that the load had gone before, where the appliance switches itself,
    or where the load had come on and finer samples would show it if it stayed.
    """
    c = pl.col
    key = ["site_id", "circuit_id", "local_date"]
    ends = frames.run.filter(c("end").is_not_null()).select("circuit_id", closing_ts="start", ts="end")
    risen = frames.switch_check.filter(c("closed") & (c("verdict") == "seen")).select(
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


def _findings(days: pl.DataFrame) -> pl.DataFrame:
    c = pl.col
    shown = words.with_clock(days, {"ts": "off_at", "closing_ts": "on_at"})
    house = c("kind") == "house"
    limit = pl.when(house).then(0.5 * c("expected_w")).otherwise(0.2 * c("expected_w"))
    return shown.select(
        "site_id",
        "local_date",
        "subject",
        count="n",
        measure=c("rise_w").round(1),
        limit=limit.round(1),
        unit=pl.lit("W"),
        confidence=confidence(c("n"), above(c("rise_w"), limit), c("covered_share")),
        evidence=words.evidence(
            told_by=c("kind"),
            openings=c("at"),
            closing=words.rfc3339(c("closing_ts")),
            rise_w=c("rise_w").round(0),
            expected_w=c("expected_w").round(0),
            least_in_run_w=c("floor_w").round(0),
            minutes=c("longest").round(1),
        ),
        sentence=pl.when(house)
        .then(
            phrase(
                "Told to open at {} on {}, but the load stayed on: it came on with {} at {}, nothing fell "
                "at the "
                "opening, and {} later the house was still up by {}.",
                c("off_at"),
                words.day(c("local_date")),
                words.power(c("expected_w")),
                c("on_at"),
                words.duration(60 * c("longest")),
                words.power(c("rise_w")),
            )
        )
        .otherwise(
            phrase(
                "Drew {} or more at its own meter for {} while commanded off on {}, from {}.",
                words.power(c("rise_w")),
                words.duration(60 * c("longest")),
                words.day(c("local_date")),
                c("off_at"),
            )
        ),
        next_step=pl.lit(
            "Send a licensed person today and treat the load side as live until proved dead: the main "
            "contacts may "
            "be welded, so the load can be stopped at its breaker only. Bring a contactor, and look for what "
            "welded the old one (inrush, loose terminals, a short)."
        ),
    )


RULE: Rule[Settings] = Rule(
    name="stuck_closed",
    severity="danger",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"stay_on": DAYS, "switch_check": DAYS, "run": 1, "controller_day": 0, "solar_clock": BACK},
    judge=judge,
    exposure="start",
)
