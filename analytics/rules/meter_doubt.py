"""A power log that cannot be right: it does not balance, or shows what cannot be.

Where generation, house, grid and battery are all logged they must close to max(100 W, 5 %). Where they do
not, and turning the sign of one of them closes the balance, that clamp is probably reversed. Generation below
zero by day and a house that gives power say the same without a balance.

The clock of the power log belongs here too, and not to `clock_offset`: it is the site's logger that is off,
not a controller. It is held against the sun: where the middle of generation has moved by half an hour or
more, alike on three smooth days, the clock was set, or it follows daylight saving time and its stamps do
not say so. After six weeks what was before is forgotten; a case that nobody saw to ends then. The sun is
known where the site's place is: without one the clock is not judged, the rest is.

Fires: the balance is off in 60 % of samples and closes in nearly all of them with grid_w turned round; or
from one day to the next, and ever since, the array's noon comes an hour later.
Stays quiet: 4 % of samples off, as when two meters are read some seconds apart; -3 W of generation at night;
an array that looks west, so that its noon is late every day; one cloudy morning.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.analytics.rules.sun_clock import BACK, Limits, moved_clocks
from coilbook.ingest.phrases import phrase

FAULTS = {"balance": "off_hit", "generation": "pv_hit", "house": "house_hit", "clock": "clock_hit"}


@dataclass(frozen=True)
class Settings:
    """Thresholds of `meter_doubt`."""

    max_off_share: float = setting(
        0.1, "share of samples whose balance is off", "our choice", low=0.001, high=1
    )
    max_negative_share: float = setting(
        0.01,
        "share of samples with negative generation by day or negative house power",
        "our choice",
        low=0,
        high=1,
    )
    min_negative_samples: int = setting(
        2, "samples of a day that must read so", "one may be a slip of the meter", low=1, high=1000
    )
    min_flip_share: float = setting(
        0.8, "share of samples off that a turned sign must close", "our choice", low=0.5, high=1
    )
    min_clock_jump_min: float = setting(
        30.0,
        "minutes by which the middle of generation has moved on three smooth days",
        "our choice; daylight saving time moves clocks by 30 or 60 min",
        low=15,
        high=720,
    )
    max_from_sun_min: float = setting(
        180.0,
        "minutes from the sun that no roof explains",
        "our choice; a west wall adds about two hours",
        low=60,
        high=720,
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Site-days with a doubtful power log; measure and limit in percent of samples, of a clock in minutes."""
    c = pl.col
    fewest = settings.min_negative_samples
    limits = Limits(60 * settings.min_clock_jump_min, 60 * settings.max_from_sun_min)
    moved = moved_clocks(frames.solar_clock, frames.site_days, limits)
    days = frames.per_site(
        frames.coverage.drop("covered_s").with_columns(
            off=c("residual_bad") / c("residual_samples"),
            pv=c("pv_negative_day") / c("day_samples"),
            house=c("house_negative") / c("samples"),
        )
    ).with_columns(c(name).fill_nan(None).fill_null(0.0) for name in ("off", "pv", "house"))
    days = (
        days.join(moved, on=["site_id", "local_date"], how="left")
        .with_columns(
            clock_hit=c("clock_s").is_not_null(),
            off_hit=c("off") > settings.max_off_share,
            pv_hit=(c("pv") > settings.max_negative_share) & (c("pv_negative_day") >= fewest),
            house_hit=(c("house") > settings.max_negative_share) & (c("house_negative") >= fewest),
            grid_turned=c("flip_grid_good") >= settings.min_flip_share * c("residual_bad"),
            battery_turned=c("flip_battery_good") >= settings.min_flip_share * c("residual_bad"),
        )
        .filter(c("off_hit") | c("pv_hit") | c("house_hit") | c("clock_hit"))
    )
    return RULE.verdicts(_findings(days, settings), RULE.unjudged(_without_place(frames), "place"))


def _without_place(frames: Frames) -> pl.DataFrame:
    """Whole site-days with a power log, of sites without latitude and longitude."""
    powered = frames.coverage.filter(pl.col("samples") > 0).select("site_id", "local_date")
    here = frames.site_days.filter(pl.col("complete") & ~pl.col("placed")).join(
        powered, on=["site_id", "local_date"]
    )
    return here.select("site_id", "local_date", subject="site_id")


def _findings(days: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    c = pl.col

    def first(off: pl.Expr, pv: pl.Expr, house: pl.Expr, clock: pl.Expr) -> pl.Expr:
        return (
            pl.when("off_hit")
            .then(off)
            .when("pv_hit")
            .then(pv)
            .when("house_hit")
            .then(house)
            .otherwise(clock)
        )

    measure = first(100 * c("off"), 100 * c("pv"), 100 * c("house"), c("clock_s").abs() / 60)
    negative = pl.lit(100 * settings.max_negative_share)
    far = pl.lit(settings.max_from_sun_min)
    clock_limit = pl.when("jumped").then(pl.lit(settings.min_clock_jump_min)).otherwise(far)
    limit = first(pl.lit(100 * settings.max_off_share), negative, negative, clock_limit)
    count = first(c("residual_bad"), c("pv_negative_day"), c("house_negative"), c("clock_days"))
    percent = pl.lit("%")
    return days.select(
        "site_id",
        "local_date",
        subject="site_id",
        count=count,
        measure=measure.round(2),
        limit=limit,
        unit=first(percent, percent, percent, pl.lit("min")),
        confidence=confidence(count, above(measure, limit.clip(lower_bound=0.1)), c("covered_share")),
        evidence=words.evidence(
            faults=pl.concat_list(
                pl.when(hit).then(pl.lit(name)) for name, hit in FAULTS.items()
            ).list.drop_nulls(),
            residual_samples=c("residual_samples"),
            residual_bad=c("residual_bad"),
            flip_grid_good=c("flip_grid_good"),
            flip_battery_good=c("flip_battery_good"),
            day_samples=c("day_samples"),
            pv_negative_day=c("pv_negative_day"),
            house_negative=c("house_negative"),
            clock_moved_s=c("clock_s").round(0),
            clock_moved_from=c("clock_from").cast(pl.String),
        ),
        sentence=_sentence(),
        next_step=_next_step(),
    )


def _sentence() -> pl.Expr:
    c = pl.col
    turned = (
        pl.when("grid_turned")
        .then(pl.lit("; it closes with grid_w turned round"))
        .when("battery_turned")
        .then(pl.lit("; it closes with battery_w turned round"))
        .otherwise(pl.lit(""))
    )
    off = phrase("the balance is off in {} % of samples{}", words.whole(100 * c("off")), turned)
    pv = phrase("generation is below zero in {} % of samples by day", words.whole(100 * c("pv")))
    house = phrase("house power is below zero in {} % of samples", words.whole(100 * c("house")))
    late = pl.when(c("clock_s") > 0).then(pl.lit("later")).otherwise(pl.lit("earlier"))
    moved, since = words.duration(c("clock_s").abs()), words.day(c("clock_from"))
    clock = (
        pl.when("jumped")
        .then(
            phrase(
                "since {} or before the middle of generation comes {} {} by the sun than it did",
                since,
                moved,
                late,
            )
        )
        .otherwise(phrase("the middle of generation comes {} {} than the sun's noon", moved, late))
    )
    texts = {"off_hit": off, "pv_hit": pv, "house_hit": house, "clock_hit": clock}
    parts = [pl.when(hit).then(text) for hit, text in texts.items()]
    joined = pl.concat_list(parts).list.drop_nulls().list.join("; ")
    return phrase("Power log on {}: {}.", words.day(c("local_date")), joined)


def _next_step() -> pl.Expr:
    turned = pl.col("off_hit") & (pl.col("grid_turned") | pl.col("battery_turned"))
    clock_alone = ~(pl.col("off_hit") | pl.col("pv_hit") | pl.col("house_hit"))
    return (
        pl.when(clock_alone)
        .then(
            pl.lit(
                "Ask what was done to the logger's clock, and give the source profile the zone that its "
                "stamps are in (one with daylight saving time where they follow it); until then what "
                "switched and what power flowed do not belong together."
            )
        )
        .when(turned)
        .then(
            pl.lit(
                "Turn the sign in the source profile, or have the clamp turned round by a licensed person; "
                "until then surplus and costs of this site are in doubt."
            )
        )
        .otherwise(
            pl.lit(
                "Compare the log with the meters' own display, then check sign, phase and scale of each "
                "meter in the source profile; until then surplus and costs of this site are in doubt."
            )
        )
    )


RULE: Rule[Settings] = Rule(
    name="meter_doubt",
    severity="data",
    subject_kind="site",
    scope="site",
    settings=Settings,
    reads={"coverage": 0, "solar_clock": BACK},
    judge=judge,
)
