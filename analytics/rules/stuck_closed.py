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
from coilbook.analytics.rules.still_stuck import DAYS
from coilbook.analytics.rules.stuck_doubts import unclear_days, with_doubts
from coilbook.analytics.rules.sun_clock import BACK
from coilbook.ingest.phrases import phrase


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
    stays = with_doubts(stays, frames)
    unsure = c("doubtful")
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
        RULE.unjudged(unclear_days(frames), "unclear"),
    )


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
