"""A contactor that closes three times or more within a minute.

Main contacts that bounce draw an arc at each closing, run hot and can weld shut: the load then stays on
whatever the controller says. The usual causes are a coil voltage that sags as the load starts, a loose wire
in the coil circuit, or a controller that flaps.

Fires: closings at 14:03:00, 14:03:12 and 14:03:30, the third within a minute of the first.
Stays quiet: the same closing logged four times over, which is one closing.

Source of the limit: "occurs and clears at least 3 times in 1 minute", the usual starting criterion for a
chattering alarm, applied here to a contactor (our transfer).
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
    """Thresholds of `chatter`."""

    min_chatter: int = setting(
        1,
        "starts that are the third or later within a minute",
        "one is enough: contacts may weld",
        low=1,
        high=100,
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with chatter; measure and limit in starts."""
    days = frames.per_circuit(frames.circuit_day.filter(pl.col("chatter") >= settings.min_chatter))
    days = days.join(_bursts(frames.run), on=["circuit_id", "local_date"], how="left")
    days = words.with_clock(days, {"burst_end": "at"}, "%H:%M:%S")
    c = pl.col
    closings = pl.coalesce(c("most"), c("chatter") + 2)
    return RULE.verdicts(
        days.select(
            "site_id",
            "local_date",
            subject="circuit_id",
            count="chatter",
            measure=c("chatter"),
            limit=pl.lit(settings.min_chatter),
            unit=pl.lit("starts"),
            confidence=confidence(
                c("chatter"), above(c("chatter"), pl.lit(settings.min_chatter)), c("covered_share")
            ),
            evidence=words.evidence(
                closings_within_a_minute=closings,
                burst_end=words.rfc3339(c("burst_end")),
                starts=c("starts"),
                burst_starts=c("burst_starts"),
            ),
            sentence=phrase(
                "Closed {} times within a minute on {}{}; {} of the day's {} followed two others within it.",
                closings,
                words.day(c("local_date")),
                pl.when(c("at").is_null()).then(pl.lit("")).otherwise(phrase(", up to {}", c("at"))),
                c("chatter"),
                words.counted(c("starts"), "start", "starts"),
            ),
            next_step=pl.lit(
                "Take the circuit out of automatic control today and send a licensed person: the contacts "
                "may be welded, so treat the load side as live until proved dead. Look for a sagging coil "
                "voltage, a loose coil wire, or a controller output that flaps; bring a contactor."
            ),
        )
    )


def _bursts(runs: pl.DataFrame) -> pl.DataFrame:
    """Per circuit and day: most starts within `(t - 60 s, t]`, the t of that, and the starts in bursts."""
    if runs.is_empty():
        runs = runs.clear()
    minute = (
        runs.sort("circuit_id", "start")
        .rolling(index_column="start", period="1m", closed="right", group_by="circuit_id")
        .agg(n=pl.len(), local_date=pl.col("local_date").last())
        .filter(pl.col("n") >= 3)
        .sort("circuit_id", "start")
    )
    top = pl.col("n").arg_max()
    return minute.group_by("circuit_id", "local_date", maintain_order=True).agg(
        most=pl.col("n").max().cast(pl.Int64),
        burst_end=pl.col("start").get(top),
        burst_starts=words.rfc3339(pl.col("start")).head(12),
    )


RULE: Rule[Settings] = Rule(
    name="chatter",
    severity="danger",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"circuit_day": 0, "run": 1},
    judge=judge,
)
