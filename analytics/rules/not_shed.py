"""A circuit that stayed on while the home ran on its own battery, though it is set to be shed.

In an island the battery and the inverter carry everything that is left on. A large load that stays can trip
the inverter, so that the home goes dark, or empty the battery within the hour.

Fires: the grid was away from 11:00 to 11:45, and the pump, set to be shed, ran on through it.
Stays quiet: the pump opened within the first minute. Of a run that somebody closed by hand during the
island only the customer need be told: it is their choice, and the finding is of severity service.

The first and last sample of an island count for nothing, as the grid may have been there for a part of them,
unless the circuit was on from before the island to after it. Where they are all there is of it, nothing can
be said of a circuit that was on for a part of them.
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
    """Thresholds of `not_shed`."""

    max_on_s: float = setting(
        60.0, "seconds on in an island that are let pass", "our choice", low=0, high=3600
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with a circuit on in an island; measure and limit in seconds of the worst island."""
    c = pl.col
    on = frames.per_circuit(frames.island_run).filter(
        c("shed_when_islanded").fill_null(value=False) & (c("on_s") > settings.max_on_s)
    )
    days = (
        on.sort(
            ["circuit_id", "local_date", "by_hand", "on_s", "start"],
            descending=[False, False, False, True, False],
        )
        .group_by("circuit_id", "local_date", maintain_order=True)
        .agg(
            pl.all().first(),
            n=c("start").n_unique().cast(pl.Int64),
            islands=words.rfc3339(c("start").unique().sort()).head(12),
        )
        .with_columns(subject=c("circuit_id"))
    )
    shown = words.with_clock(days, {"start": "from", "end": "to"})
    limit = pl.lit(settings.max_on_s)
    unclear = RULE.unjudged(_too_short(frames, settings), "unclear")
    return RULE.verdicts(
        shown.select(
            "site_id",
            "local_date",
            "subject",
            severity=pl.when("by_hand").then(pl.lit("service")).otherwise(pl.lit("danger")),
            count="n",
            measure=c("on_s").round(1),
            limit=limit,
            unit=pl.lit("s"),
            confidence=confidence(c("n"), above(c("on_s"), limit), c("covered_share")),
            evidence=words.evidence(
                islands=c("islands"),
                island_from=words.rfc3339(c("start")),
                island_to=words.rfc3339(c("end")),
                on_from=words.rfc3339(c("on_from")),
                on_s=c("on_s").round(1),
                by_hand=c("by_hand"),
                rated_w=c("rated_w"),
            ),
            sentence=phrase(
                "On for {} of the island from {} to {} on {}, though it is set to be shed{}.",
                words.duration(c("on_s")),
                c("from"),
                c("to"),
                words.day(c("local_date")),
                pl.when("by_hand")
                .then(pl.lit("; it was closed by hand in the island"))
                .otherwise(pl.lit("")),
            ),
            next_step=pl.when("by_hand")
            .then(
                pl.lit(
                    "Tell the owner what this load takes from the battery in an outage, and how to leave "
                    "it off; "
                    "if it is wanted, change the circuit's setting."
                )
            )
            .otherwise(
                pl.lit(
                    "Send a licensed person before the next outage: the shed input may not be wired, or "
                    "the contacts "
                    "may be welded. Prove the shedding with the grid opened under supervision."
                )
            ),
        ),
        unclear,
    )


def _too_short(frames: Frames, settings: Settings) -> pl.DataFrame:
    """Circuits to be shed that were on for a part of an island of at most two samples."""
    c = pl.col
    short = frames.island.join(
        frames.coverage.select("site_id", "local_date", "interval_s"), on=["site_id", "local_date"]
    ).filter(c("duration_s") <= 2 * c("interval_s"))
    to_shed = frames.circuits.filter(c("shed_when_islanded").fill_null(value=False))
    runs = frames.run.select("circuit_id", "start", until=c("end").fill_null(pl.lit(frames.horizon)))
    both = (
        short.select("site_id", "local_date", from_ts="start", to_ts="end")
        .join(to_shed.select("site_id", "local_date", "circuit_id"), on=["site_id", "local_date"])
        .join(runs, on="circuit_id")
    )
    shared = pl.min_horizontal("until", "to_ts") - pl.max_horizontal("start", "from_ts")
    on_s = shared.dt.total_microseconds() / 1e6
    return both.filter(on_s > settings.max_on_s).select("site_id", "local_date", subject="circuit_id")


RULE: Rule[Settings] = Rule(
    name="not_shed",
    severity="danger",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"island_run": 0, "island": 0, "run": 1},
    judge=judge,
)
