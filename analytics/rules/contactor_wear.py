"""A contactor that has used most of its rated life, or will have used all of it soon.

Rated mechanical durability is the count that nine of ten contactors outlast (IEC 60947-4-1, from memory), so
a change can be planned before the tenth fails, welded or open.

Fires: 84 % of 100000 operations used; or 60 % used and 100 % expected within 90 days at the earliest.
Stays quiet: 40 % used at two operations a day. A contactor without life figures is not judged; the registry's
gap is the business of `settings`.

Cost: price of a contactor change x the share of its life used in a year at the present rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, below, confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.ingest.phrases import phrase

FAR_DAYS = 3653


@dataclass(frozen=True)
class Settings:
    """Thresholds of `contactor_wear`."""

    max_used_share: float = setting(0.8, "share of rated life used", "our choice", low=0.1, high=1)
    due_within_days: int = setting(
        90,
        "days within which all of it may be used, by the earlier bound",
        "a quarter's round",
        low=1,
        high=730,
    )
    contactor_change_cost: float = setting(
        250.0,
        "part and visit, in the currency of the site's tariff",
        "assumed: set your own",
        low=0,
        high=100000,
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days of worn contactors; measure and limit in percent of life, or in days left."""
    c = pl.col
    worn = frames.per_circuit(frames.wear).with_columns(
        subject=c("circuit_id"), days_left=(c("date_100_early") - c("local_date")).dt.total_days()
    )
    worn = worn.with_columns(
        used_hit=(c("used") >= settings.max_used_share).fill_null(value=False),
        soon_hit=(c("used").is_not_null() & (c("days_left") <= settings.due_within_days)).fill_null(
            value=False
        ),
    )
    raised = _findings(worn.filter(c("used_hit") | c("soon_hit")), settings)
    return RULE.verdicts(raised, RULE.unjudged(worn.filter(c("used").is_null()), "life_figures"))


def _findings(worn: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    c = pl.col
    used, left = 100 * c("used"), c("days_left").cast(pl.Float64)
    most, soon = pl.lit(100 * settings.max_used_share), pl.lit(float(settings.due_within_days))
    by_share = c("used_hit")
    margin = pl.when(by_share).then(above(used, most)).otherwise(below(left, soon))
    yearly = settings.contactor_change_cost * 365 * c("ops_per_day") * c("used") / c("ops")
    cost = pl.when((c("ops") > 0) & c("currency").is_not_null()).then(yearly.round(2))
    return worn.select(
        "site_id",
        "local_date",
        "subject",
        count=c("ops").round().cast(pl.Int64),
        measure=pl.when(by_share).then(used).otherwise(left).round(2),
        limit=pl.when(by_share).then(most).otherwise(soon),
        unit=pl.when(by_share).then(pl.lit("%")).otherwise(pl.lit("d")),
        cost_per_year=cost,
        currency=pl.when(cost.is_not_null()).then(c("currency")),
        confidence=confidence(c("rate_days"), margin, pl.lit(1.0)),
        evidence=words.evidence(
            ops=c("ops"),
            mech_used=c("mech_used"),
            elec_used=c("elec_used"),
            ops_per_day=c("ops_per_day"),
            ops_per_day_low=c("ops_per_day_low"),
            ops_per_day_high=c("ops_per_day_high"),
            rate_days=c("rate_days"),
            date_100=c("date_100").cast(pl.String),
            date_100_early=c("date_100_early").cast(pl.String),
            date_100_late=c("date_100_late").cast(pl.String),
            cost_formula=pl.lit(
                f"{settings.contactor_change_cost:g} a change x 365 x operations a day x used / operations"
            ),
        ),
        sentence=_sentence(),
        next_step=_next_step(),
    )


def _sentence() -> pl.Expr:
    c = pl.col
    life = (
        pl.when(c("elec_used").fill_null(-1) > c("mech_used").fill_null(-1))
        .then(pl.lit("electrical"))
        .otherwise(pl.lit("mechanical"))
    )
    rate = words.decimals(c("ops_per_day"), 1)
    early, late = words.day_and_year(c("date_100_early")), words.day_and_year(c("date_100_late"))
    between = (
        pl.when(c("date_100_late").is_null())
        .then(phrase("{} at the earliest", early))
        .when(c("date_100_early") == c("date_100_late"))
        .then(phrase("about {}", early))
        .otherwise(phrase("between {} and {}", early, late))
    )
    far = (c("date_100_early") - c("local_date")).dt.total_days() > FAR_DAYS
    date = (
        pl.when((c("used") >= 1) | c("date_100_early").is_null())
        .then(pl.lit(""))
        .when(far)
        .then(phrase("; at {} operations a day the rest lasts more than ten years", rate))
        .otherwise(phrase("; at {} operations a day all of it will be used {}", rate, between))
    )
    return phrase(
        "{} % of the contactor's rated {} life is used after {} operations{}.",
        words.whole(100 * c("used")),
        life,
        words.whole(c("ops")),
        date,
    )


def _next_step() -> pl.Expr:
    c = pl.col
    coil = pl.when(c("coil_v").is_not_null()).then(phrase(", {} V coil", words.number(c("coil_v"))))
    return phrase(
        "Plan a contactor change for the next round by a licensed person, with every source isolated and "
        "proved dead; bring {}{}. A longer least run time would slow the wear.",
        c("contactor").fill_null("the contactor type found on site"),
        coil.fill_null(""),
    )


RULE: Rule[Settings] = Rule(
    name="contactor_wear",
    severity="wear",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"wear": 0},
    judge=judge,
)
