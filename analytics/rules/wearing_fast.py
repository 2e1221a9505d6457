"""A contactor that works far more than those of the same kind of appliance in the fleet.

It may still be young; the rate says that something asks for too many starts. Compared are
the operations a day over the last 28 covered days with the median of the class on the same local date, the
circuit itself included.

Fires: a pool pump with 24 operations a day among twelve whose median is 4.
Stays quiet: the same in a class of five circuits, too few to know what is usual; or 9 a day against a median
of 2, since below 10 a day no contactor of these wears fast.
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
    """Thresholds of `wearing_fast`."""

    max_times_median: float = setting(3.0, "times the median of its class", "our choice", low=1.1, high=100)
    min_ops_per_day: float = setting(
        10.0, "operations a day below which none is fast", "our choice", low=0, high=1000
    )
    min_class: int = setting(
        8, "circuits of a class needed to know what is usual", "our choice", low=2, high=1000
    )
    min_rate_days: int = setting(1, "covered days needed behind a rate", "our choice", low=1, high=28)
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days far above their class; measure and limit in operations a day."""
    c = pl.col
    known = (c("rate_days") >= settings.min_rate_days) & c("ops_per_day").is_not_null()
    rates = frames.per_circuit(frames.wear).with_columns(
        subject=c("circuit_id"), known=known.fill_null(value=False)
    )
    classes = (
        rates.filter("known")
        .group_by("appliance", "local_date")
        .agg(median=c("ops_per_day").median(), peers=pl.len().cast(pl.Int64))
    )
    rates = rates.join(classes, on=["appliance", "local_date"], how="left").with_columns(
        limit=pl.max_horizontal(settings.max_times_median * c("median"), pl.lit(settings.min_ops_per_day)),
        compared=c("known") & (c("peers") >= settings.min_class).fill_null(value=False),
    )
    raised = rates.filter(c("compared") & (c("ops_per_day") > c("limit")))
    return RULE.verdicts(
        _findings(raised),
        RULE.unjudged(rates.filter(~c("known")), "coverage"),
        RULE.unjudged(rates.filter(c("known") & ~c("compared")), "peers"),
    )


def _findings(raised: pl.DataFrame) -> pl.DataFrame:
    c = pl.col
    return raised.select(
        "site_id",
        "local_date",
        "subject",
        "limit",
        count=(c("ops_per_day") * c("rate_days")).round().cast(pl.Int64),
        measure="ops_per_day",
        unit=pl.lit("operations/d"),
        confidence=confidence(c("rate_days"), above(c("ops_per_day"), c("limit")), pl.lit(1.0)),
        evidence=words.evidence(
            ops_per_day=c("ops_per_day"),
            ops_per_day_low=c("ops_per_day_low"),
            ops_per_day_high=c("ops_per_day_high"),
            rate_days=c("rate_days"),
            class_median=c("median"),
            class_circuits=c("peers"),
        ),
        sentence=phrase(
            "Its contactor works {} times a day over {} covered days up to {}; the median of {} circuits of "
            "this kind is {}.",
            words.decimals(c("ops_per_day"), 1),
            c("rate_days"),
            words.day(c("local_date")),
            c("peers"),
            words.decimals(c("median"), 1),
        ),
        next_step=pl.lit(
            "Compare its least run time, levels and windows with those of its kind and change what differs; "
            "where the settings are alike, have the appliance's own control seen to."
        ),
    )


RULE: Rule[Settings] = Rule(
    name="wearing_fast",
    severity="wear",
    subject_kind="circuit",
    scope="fleet",
    settings=Settings,
    reads={"wear": 0},
    judge=judge,
)
