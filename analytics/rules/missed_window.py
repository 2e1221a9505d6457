"""A run window that did not get the run time it asked for.

The owner was promised warm water by six or a turned-over pool by two. Each window's verdict comes with the
facts: missed (never on), late (on only from well after the start), cut short (off well before the end) or
short (anything else under the need), all with 5 min of grace.

Fires: a window from 10:00 to 14:00 in which the pool pump ran from 11:05 on.
Stays quiet: the same window while the owner held the circuit off by hand (excused), or with a hole in the log
over half of it (unknown).
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.ingest.phrases import phrase

BAD = ("missed", "late", "cut_short", "short")


@dataclass(frozen=True)
class Settings:
    """Thresholds of `missed_window`."""

    min_windows: int = setting(
        1, "windows of a day that fell short", "one is a broken promise", low=1, high=24
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with a window under its need; measure and limit are the worst window's minutes."""
    c = pl.col
    windows = frames.per_circuit(frames.window_result).with_columns(
        subject=c("circuit_id"), bad=c("verdict").is_in(BAD), short_s=c("need_s") - c("on_s")
    )
    unknown = RULE.unjudged(windows.filter(c("verdict") == "unknown"), "coverage")
    worst_first = windows.filter("bad").sort(
        ["circuit_id", "local_date", "short_s", "start_ts", "window_id"],
        descending=[False, False, True, False, False],
    )
    worst_first = words.with_clock(
        worst_first, {"start_ts": "from", "end_ts": "to", "first_on_ts": "on_at", "last_off_ts": "off_at"}
    )
    days = (
        worst_first.with_columns(_window=_window_evidence())
        .group_by("circuit_id", "local_date", maintain_order=True)
        .agg(pl.exclude("_window").first(), windows=c("_window"), n=pl.len().cast(pl.Int64))
        .filter(c("n") >= settings.min_windows)
    )
    return RULE.verdicts(
        days.select(
            "subject",
            "site_id",
            "local_date",
            count="n",
            measure=c("on_s") / 60,
            limit=c("need_s") / 60,
            unit=pl.lit("min"),
            confidence=confidence(c("n"), c("short_s") / c("need_s"), c("covered_s") / _length()),
            evidence=words.evidence(windows=c("windows")),
            sentence=_sentence(),
            next_step=_next_step(),
        ),
        unknown,
    )


def _length() -> pl.Expr:
    return (pl.col("end_ts") - pl.col("start_ts")).dt.total_microseconds() / 1e6


def _window_evidence() -> pl.Expr:
    c = pl.col
    return pl.struct(
        "window_id",
        "verdict",
        "need_s",
        "on_s",
        "covered_s",
        "excused_s",
        start=words.rfc3339(c("start_ts")),
        end=words.rfc3339(c("end_ts")),
        first_on=words.rfc3339(c("first_on_ts")),
        last_off=words.rfc3339(c("last_off_ts")),
    )


def _sentence() -> pl.Expr:
    c = pl.col
    on, need = words.duration(c("on_s")), words.duration(c("need_s"))
    late_s = (c("first_on_ts") - c("start_ts")).dt.total_seconds()
    early_s = (c("end_ts") - c("last_off_ts")).dt.total_seconds()
    what = (
        pl.when(c("verdict") == "missed")
        .then(phrase("did not run at all; {} were due", need))
        .when(c("verdict") == "late")
        .then(phrase("began {} late, at {}; ran {} of {}", words.duration(late_s), c("on_at"), on, need))
        .when(c("verdict") == "cut_short")
        .then(phrase("stopped {} early, at {}; ran {} of {}", words.duration(early_s), c("off_at"), on, need))
        .otherwise(phrase("ran {} of the {} due", on, need))
    )
    others = (
        pl.when(c("n") > 1)
        .then(
            phrase("; {} of the day fell short too", words.counted(c("n") - 1, "more window", "more windows"))
        )
        .otherwise(pl.lit(""))
    )
    return phrase(
        "In its window {} ({} to {}) on {} it {}{}.",
        c("window_id"),
        c("from"),
        c("to"),
        words.day(c("local_date")),
        what,
        others,
    )


def _next_step() -> pl.Expr:
    clock = "Compare the window with the controller's own schedule, clock and mode"
    return pl.col("verdict").replace_strict(
        {
            "missed": f"{clock}; if they agree, send somebody to see why the controller gave no command.",
            "late": f"{clock}, and see on the site's page what kept the circuit off until it began.",
            "cut_short": f"{clock}, and see on the site's page what ended the run: hand, surplus or clock.",
            "short": f"{clock}, and see on the site's page what broke up the runs; or widen the window.",
        },
        return_dtype=pl.String,
    )


RULE: Rule[Settings] = Rule(
    name="missed_window",
    severity="service",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"window_result": 0},
    judge=judge,
    exposure="window",
)
