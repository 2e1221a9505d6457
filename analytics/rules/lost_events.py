"""A controller whose running numbers have holes: events that it made and nobody received.

A run whose closing or opening is lost reads as a missed window, a run without end or no run at all, so every
other finding about its circuits is weaker while this goes on.

Fires: event 118 followed by event 121: two events are lost.
Stays quiet: event 118 followed by event 1, which is a restart of the controller.
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
    """Thresholds of `lost_events`."""

    min_lost: int = setting(1, "events missing from the numbering", "our choice", low=1, high=10000)
    case_findings: int = days_with_findings(3)
    case_days: int = judged_days(14)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Controller-days with lost events; measure and limit in events."""
    c = pl.col
    days = frames.per_site(frames.controller_day.filter(c("lost_events") >= settings.min_lost))
    due = c("events") + c("lost_events")
    limit = pl.lit(settings.min_lost)
    return RULE.verdicts(
        days.select(
            "site_id",
            "local_date",
            subject="controller_id",
            count="lost_events",
            measure="lost_events",
            limit=limit,
            unit=pl.lit("events"),
            confidence=confidence(c("lost_events"), above(c("lost_events"), limit), c("covered_share")),
            evidence=words.evidence(
                events=c("events"), lost_events=c("lost_events"), resets=c("resets"), firmware=c("firmware")
            ),
            sentence=phrase(
                "{} of {} {} missing from the controller's numbering on {} ({} %).",
                c("lost_events"),
                words.counted(due, "event", "events"),
                pl.when(c("lost_events") == 1).then(pl.lit("is")).otherwise(pl.lit("are")),
                words.day(c("local_date")),
                words.decimals(100 * c("lost_events") / due, 1),
            ),
            next_step=pl.lit(
                "Load the missing files if there are any; else have the controller's link and its store of "
                "unsent events checked, remotely first. Runs and windows of that day may read wrong."
            ),
        )
    )


RULE: Rule[Settings] = Rule(
    name="lost_events",
    severity="data",
    subject_kind="controller",
    scope="site",
    settings=Settings,
    reads={"controller_day": 0},
    judge=judge,
)
