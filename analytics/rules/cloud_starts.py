"""A circuit that starts on surplus which the next cloud takes away.

It then has to run out its least run time on bought power, or stops early and starts again. One day of broken
sky is weather; several within a fortnight say that the on level is too low or the delay before a start too
short for this site.

Fires: three surplus starts in a day that lost their sun to a cloud, or two when they are half of that day's.
Stays quiet: starts whose surplus went because an oven came on (house), because the sun went down (sunset), or
for a reason that the log does not show (unknown).

Cost: energy bought over those runs x (the day's lowest import price - its highest export price), which is the
least it can have been worth, carried to a year by `costs.per_year`.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, confidence
from coilbook.analytics.costs import DAYS_BACK, per_year
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.ingest.phrases import phrase


@dataclass(frozen=True)
class Settings:
    """Thresholds of `cloud_starts`."""

    min_starts: int = setting(3, "surplus starts lost to a cloud", "our choice", low=1, high=100)
    min_starts_of_few: int = setting(2, "such starts that do at a large share", "our choice", low=1, high=100)
    min_share: float = setting(
        0.5, "share of the day's surplus starts that is large", "our choice", low=0.05, high=1
    )
    case_findings: int = days_with_findings(3)
    case_days: int = judged_days(14)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with starts lost to clouds; measure and limit in starts."""
    c = pl.col
    days = _days(frames).with_columns(
        hit=_enough(c("clouds"), c("n"), settings),
        might=_enough(c("clouds") + c("unknown"), c("n"), settings),
    )
    costs = (
        days.filter("hit")
        .join(_newest_prices(frames.circuits), on="circuit_id", how="left")
        .select(
            "circuit_id",
            "local_date",
            cost=c("grid_wh") / 1000 * (c("import_min") - c("export_max")).clip(lower_bound=0),
        )
    )
    days = frames.per_circuit(days).with_columns(subject=c("circuit_id"))
    raised = (
        days.filter("hit")
        .join(_details(frames.surplus_start, days.filter("hit")), on=["circuit_id", "local_date"])
        .join(costs, on=["circuit_id", "local_date"], how="left")
        .join(per_year(costs), on=["circuit_id", "local_date"], how="left")
    )
    return RULE.verdicts(
        _findings(raised, settings), RULE.unjudged(days.filter(c("might") & ~c("hit")), "coverage")
    )


def _newest_prices(circuits: pl.DataFrame) -> pl.DataFrame:
    newest = circuits.sort("local_date").unique("circuit_id", keep="last", maintain_order=True)
    return newest.select("circuit_id", "import_min", "export_max")


def _enough(clouds: pl.Expr, starts: pl.Expr, settings: Settings) -> pl.Expr:
    few = (clouds >= settings.min_starts_of_few) & (clouds >= settings.min_share * starts)
    return (clouds >= settings.min_starts) | few


def _days(frames: Frames) -> pl.DataFrame:
    """Per circuit and day: surplus starts, those lost to a cloud, and the energy bought over the latter."""
    c = pl.col
    cloud = c("why") == "cloud"
    return frames.surplus_start.group_by("site_id", "circuit_id", "local_date").agg(
        n=pl.len().cast(pl.Int64),
        clouds=cloud.sum().cast(pl.Int64),
        unknown=(c("why") == "unknown").sum().cast(pl.Int64),
        grid_wh=_known_sum(c("grid_wh").filter(cloud)),
    )


def _details(starts: pl.DataFrame, days: pl.DataFrame) -> pl.DataFrame:
    """Per circuit and day of `days`: what the starts lost to a cloud looked like."""
    c = pl.col
    return (
        starts.filter(c("why") == "cloud")
        .join(days, on=["circuit_id", "local_date"], how="semi")
        .sort("circuit_id", "start")
        .group_by("circuit_id", "local_date", maintain_order=True)
        .agg(
            own_wh=c("own_wh").sum(),
            fall_w=c("d_pv_w").mean(),
            before_w=c("surplus_before_w").mean(),
            starts=words.rfc3339(c("start")).head(12),
            dips=words.rfc3339(c("dip_ts")).head(12),
        )
    )


def _known_sum(values: pl.Expr) -> pl.Expr:
    return pl.when(values.is_null().any()).then(None).otherwise(values.sum())


def _findings(days: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    c = pl.col
    many = c("clouds") >= settings.min_starts
    limit = pl.when(many).then(settings.min_starts).otherwise(settings.min_starts_of_few).cast(pl.Float64)
    hold = pl.when(c("min_run_s") > 0).then(
        phrase(" within the {} least run time", words.duration(c("min_run_s")))
    )
    bought = pl.when(c("grid_wh") > 0).then(phrase("; {} were bought for them", words.energy(c("grid_wh"))))
    fell = pl.when(c("fall_w") > 0).then(
        phrase(", generation falling by {} on average", words.power(c("fall_w")))
    )
    return days.select(
        "site_id",
        "local_date",
        "subject",
        "cost_per_year",
        count="clouds",
        measure="clouds",
        limit=limit,
        unit=pl.lit("starts"),
        currency=pl.when(c("cost_per_year").is_not_null()).then(c("currency")),
        confidence=confidence(c("clouds"), above(c("clouds"), limit), c("covered_share")),
        evidence=words.evidence(
            starts=c("starts"),
            dips=c("dips"),
            surplus_starts=c("n"),
            surplus_before_w=c("before_w").round(0),
            own_wh=c("own_wh").round(1),
            grid_wh=c("grid_wh").round(1),
            surplus_on_w=c("surplus_on_w"),
            min_run_s=c("min_run_s"),
            cost=c("cost").round(4),
            cost_formula=pl.lit(
                "365 x bought kWh of 28 days x (lowest import - highest export price) / (7 x weeks)"
            ),
        ),
        sentence=phrase(
            "{} of {} on {} lost the sun to a cloud{}{}{}.",
            c("clouds"),
            words.counted(c("n"), "surplus start", "surplus starts"),
            words.day(c("local_date")),
            hold.fill_null(""),
            fell.fill_null(""),
            bought.fill_null(""),
        ),
        next_step=phrase(
            "Change a setting if it goes on: raise the on level (now {}), or ask for the surplus to last "
            "longer before a start; the replay of this circuit's own days shows what either would do.",
            words.power(c("surplus_on_w")).fill_null("not set"),
        ),
    )


RULE: Rule[Settings] = Rule(
    name="cloud_starts",
    severity="cost",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"surplus_start": DAYS_BACK},
    judge=judge,
    exposure="surplus_start",
)
