"""A power log that cannot be right: it does not balance, or shows what cannot be.

Where generation, house, grid and battery are all logged they must close to max(100 W, 5 %). Where they do
not, and turning the sign of one of them closes the balance, that clamp is probably reversed. Generation below
zero by day and a house that gives power say the same without a balance.

Fires: the balance is off in 60 % of samples and closes in nearly all of them with grid_w turned round.
Stays quiet: 4 % of samples off, as when two meters are read some seconds apart; -3 W of generation at night.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.ingest.phrases import phrase


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
    min_flip_share: float = setting(
        0.8, "share of samples off that a turned sign must close", "our choice", low=0.5, high=1
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Site-days with a doubtful power log; measure and limit in percent of samples."""
    c = pl.col
    days = frames.per_site(
        frames.coverage.drop("covered_s").with_columns(
            off=c("residual_bad") / c("residual_samples"),
            pv=c("pv_negative_day") / c("day_samples"),
            house=c("house_negative") / c("samples"),
        )
    ).with_columns(c(name).fill_nan(None).fill_null(0.0) for name in ("off", "pv", "house"))
    days = days.with_columns(
        off_hit=c("off") > settings.max_off_share,
        pv_hit=c("pv") > settings.max_negative_share,
        house_hit=c("house") > settings.max_negative_share,
        grid_turned=c("flip_grid_good") >= settings.min_flip_share * c("residual_bad"),
        battery_turned=c("flip_battery_good") >= settings.min_flip_share * c("residual_bad"),
    ).filter(c("off_hit") | c("pv_hit") | c("house_hit"))
    return RULE.verdicts(_findings(days, settings))


def _findings(days: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    c = pl.col

    def first(off: pl.Expr, pv: pl.Expr, house: pl.Expr) -> pl.Expr:
        return pl.when("off_hit").then(off).when("pv_hit").then(pv).otherwise(house)

    measure = 100 * first(c("off"), c("pv"), c("house"))
    limit = 100 * first(
        pl.lit(settings.max_off_share),
        pl.lit(settings.max_negative_share),
        pl.lit(settings.max_negative_share),
    )
    count = first(c("residual_bad"), c("pv_negative_day"), c("house_negative"))
    return days.select(
        "site_id",
        "local_date",
        subject="site_id",
        count=count,
        measure=measure.round(2),
        limit=limit,
        unit=pl.lit("%"),
        confidence=confidence(count, above(measure, limit.clip(lower_bound=0.1)), c("covered_share")),
        evidence=words.evidence(
            residual_samples=c("residual_samples"),
            residual_bad=c("residual_bad"),
            flip_grid_good=c("flip_grid_good"),
            flip_battery_good=c("flip_battery_good"),
            day_samples=c("day_samples"),
            pv_negative_day=c("pv_negative_day"),
            house_negative=c("house_negative"),
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
    parts = [
        pl.when(hit).then(text) for hit, text in (("off_hit", off), ("pv_hit", pv), ("house_hit", house))
    ]
    joined = pl.concat_list(parts).list.drop_nulls().list.join("; ")
    return phrase("Power log on {}: {}.", words.day(c("local_date")), joined)


def _next_step() -> pl.Expr:
    turned = pl.col("off_hit") & (pl.col("grid_turned") | pl.col("battery_turned"))
    return (
        pl.when(turned)
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
    reads={"coverage": 0},
    judge=judge,
)
