"""A site that sends nothing, or too little to judge its day.

While it is silent nothing else about the site is judged: a hole in the log is reported as a hole, never as a
circuit that did not run. A site without a power log is silent on days without any row of any log, since its
switching alone cannot say how much of a day was seen.

Fires: no row of the site all day, or samples over 9 h of 24 h.
Stays quiet: days before the site's first row; a day of which less than 6 h lie before the fleet's newest log.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import below, confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.ingest.phrases import phrase


@dataclass(frozen=True)
class Settings:
    """Thresholds of `silent`."""

    min_covered_share: float = setting(
        0.8, "share of the day's due part that samples must cover", "our choice", low=0.05, high=1
    )
    min_part_h: float = setting(
        6.0, "hours of the day that must be due before it is judged", "our choice", low=0.5, high=23
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Silent site-days; measure and limit in percent of the day's due part."""
    c = pl.col
    days = frames.site_days.with_columns(subject="site_id")
    coverage = frames.coverage.select(
        "site_id", "local_date", "samples", "first_ts", "last_ts", "longest_gap_s"
    )
    silent = days.filter("silent").join(coverage, on=["site_id", "local_date"], how="left")
    silent = words.with_clock(silent, {"last_ts": "last_at"})
    share = 100 * c("covered_share")
    limit = pl.lit(100 * settings.min_covered_share)
    nothing = phrase(
        "Nothing came from this site on {}; {} of the day were due.",
        words.day(c("local_date")),
        words.duration(c("due_s")),
    )
    little = phrase(
        "Samples cover only {} of {} on {} ({} %); the longest gap is {}, the last row came at {}.",
        words.duration(c("covered_s")),
        words.duration(c("due_s")),
        words.day(c("local_date")),
        words.whole(share),
        words.duration(c("longest_gap_s")).fill_null("not known"),
        c("last_at"),
    )
    return RULE.verdicts(
        silent.select(
            "subject",
            "site_id",
            "local_date",
            count=pl.lit(1),
            measure=share.round(1),
            limit=limit,
            unit=pl.lit("%"),
            confidence=confidence(pl.lit(1), below(share, limit), pl.lit(1.0)),
            evidence=words.evidence(
                covered_s=c("covered_s"),
                due_s=c("due_s"),
                samples=c("samples").fill_null(0),
                longest_gap_s=c("longest_gap_s"),
                first_row=words.rfc3339(c("first_ts")),
                last_row=words.rfc3339(c("last_ts")),
            ),
            sentence=pl.when("rows").then(little).otherwise(nothing),
            next_step=pl.lit(
                "Ask the owner by phone whether the internet link and the controller have power before you "
                "send somebody; nothing else about this site is judged until its logs come again."
            ),
        ),
        RULE.unjudged(days.filter("early"), "early"),
    )


RULE: Rule[Settings] = Rule(
    name="silent",
    severity="data",
    subject_kind="site",
    scope="site",
    settings=Settings,
    reads={"coverage": 0},
    judge=judge,
)
