"""A controller whose clock is wrong: its clock starts come too early or too late by one and the same amount.

Every start by the clock has a distance to the nearest time at which one was due: the begin of a run window
or the end of a lockout. A wrong clock moves all of them alike; anything else that delays a start does not.

Fires: six starts in three days, all between 59 and 61 min after their windows began, from the day on which
the zone's clocks went forward: the controller did not follow daylight saving.
Stays quiet: one program that was left in the peak hours beside others that start on time; starts late by a
different amount each day; starts of a circuit whose windows were changed in the registry that week.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.ingest.phrases import phrase

DAYS, BACK = 7, 28
EXTRA = 2  # starts among the newest that may be off the cluster
NEAR_S = 300.0  # an offset this near the zone's shift is the shift


@dataclass(frozen=True)
class Settings:
    """Thresholds of `clock_offset`."""

    min_starts: int = setting(4, "clock starts in 7 days that are off alike", "our choice", low=2, high=50)
    max_mad_s: float = setting(
        120.0, "seconds of median absolute deviation among them", "our choice", low=1, high=1800
    )
    min_offset_min: float = setting(30.0, "minutes by which they are off", "our choice", low=5, high=720)
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Controller-days with a clock that is off; measure and limit in minutes, the measure without sign."""
    c = pl.col
    starts = frames.clock_start.filter(
        c("offset_s").is_not_null() & ~c("windows_changed").fill_null(value=False)
    ).with_columns(c("shift_s").fill_null(0.0))
    days = frames.per_site(_clusters(starts, frames, settings)).filter(
        (c("n") >= settings.min_starts)
        & (c("mad_s") <= settings.max_mad_s)
        & (c("offset_s").abs() >= 60 * settings.min_offset_min)
    )
    days = days.join(_onset(starts, days), on=["controller_id", "local_date"], how="left")
    return RULE.verdicts(_findings(days, settings))


def _clusters(starts: pl.DataFrame, frames: Frames, settings: Settings) -> pl.DataFrame:
    """Per controller and day: number, median and MAD of the starts off, among the newest of 7 days."""
    c = pl.col
    ages = pl.DataFrame({"age": range(DAYS)}, schema={"age": pl.Int64})
    recent = (
        starts.join(ages, how="cross")
        .with_columns(local_date=c("local_date") + pl.duration(days=c("age")))
        .filter(c("local_date").is_between(pl.lit(frames.first), pl.lit(frames.last)))
        .sort("ts", "circuit_id", descending=True)
        .group_by("site_id", "controller_id", "local_date", maintain_order=True)
        .head(settings.min_starts + EXTRA)
        .filter(c("offset_s").abs() >= 60 * settings.min_offset_min - NEAR_S)
    )
    off = c("offset_s")
    return recent.group_by("site_id", "controller_id", "local_date", maintain_order=True).agg(
        n=pl.len().cast(pl.Int64),
        offset_s=off.median(),
        mad_s=(off - off.median()).abs().median(),
        circuits=c("circuit_id").unique().sort(),
        starts=words.rfc3339(c("ts")).head(12),
        due=words.rfc3339(c("due_ts")).head(12),
    )


def _onset(starts: pl.DataFrame, days: pl.DataFrame) -> pl.DataFrame:
    """Per controller and day of `days`: the first start off alike, and the zone's shift before it."""
    c = pl.col
    return (
        days.select("controller_id", "local_date", middle="offset_s")
        .join(starts.rename({"local_date": "on"}), on="controller_id")
        .filter((c("on") <= c("local_date")) & ((c("offset_s") - c("middle")).abs() <= NEAR_S))
        .sort("ts")
        .group_by("controller_id", "local_date", maintain_order=True)
        .agg(since=c("on").first(), shift_s=c("shift_s").first())
    )


def _findings(days: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    c = pl.col
    minutes, limit = c("offset_s").abs() / 60, pl.lit(settings.min_offset_min)
    saving = (c("shift_s") != 0) & ((c("offset_s") - c("shift_s")).abs() <= NEAR_S)
    return days.select(
        "site_id",
        "local_date",
        subject="controller_id",
        count="n",
        measure=minutes.round(1),
        limit=limit,
        unit=pl.lit("min"),
        confidence=confidence(c("n"), above(minutes, limit), c("covered_share")),
        evidence=words.evidence(
            offset_s=c("offset_s").round(0),
            mad_s=c("mad_s").round(0),
            since=c("since").cast(pl.String),
            daylight_saving=saving,
            shift_s=c("shift_s"),
            circuits=c("circuits"),
            starts=c("starts"),
            due=c("due"),
        ),
        sentence=phrase(
            "Its clock is {} {}: the last {} by the clock came {} than due, alike since {}{}.",
            words.duration(c("offset_s").abs()),
            pl.when(c("offset_s") > 0).then(pl.lit("slow")).otherwise(pl.lit("fast")),
            words.counted(c("n"), "start", "starts"),
            pl.when(c("offset_s") > 0).then(pl.lit("later")).otherwise(pl.lit("earlier")),
            words.day(c("since")),
            pl.when(saving)
            .then(pl.lit("; it did not follow the change of daylight saving time"))
            .otherwise(pl.lit("")),
        ),
        next_step=pl.when(saving)
        .then(
            pl.lit(
                "Set the controller's zone, or switch on its daylight saving rule, remotely or by phone; "
                "then look at "
                "the other controllers of that make."
            )
        )
        .otherwise(
            pl.lit(
                "Set the controller's clock remotely or by phone, and see whether it holds; if it drifts "
                "again, look "
                "for a dead clock battery or a time source that it cannot reach."
            )
        ),
    )


RULE: Rule[Settings] = Rule(
    name="clock_offset",
    severity="service",
    subject_kind="controller",
    scope="site",
    settings=Settings,
    reads={"clock_start": BACK},
    judge=judge,
)
