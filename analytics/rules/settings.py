"""A registry row that contradicts itself, asks for what cannot be, or lacks what a rule needs.

Six things are looked at: load current above the contactor's rating, a run window inside a lockout, a least
run time longer than a run window, an on level below the off level, missing life figures, and a run window
that lies mostly in the dearest hours of the tariff.

Fires: a run window from 18:00 to 19:00 inside a lockout from 17:00 to 21:00.
Stays quiet: a run window that ends at 17:00, as the lockout begins.

The contactor's rating is read from its name as ordered ("2-pole 40 A"); without one it is not compared.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.hours import OTHER, weekly_overlap
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.ingest.phrases import phrase

DAY = ["circuit_id", "local_date"]
KINDS = (
    "overloaded",
    "window_in_lockout",
    "min_run_over_window",
    "levels_crossed",
    "dear_hours",
    "no_life_figures",
)


@dataclass(frozen=True)
class Settings:
    """Thresholds of `settings`."""

    min_dear_share: float = setting(
        0.5,
        "share of a run window's weekly hours in the dearest tariff hours",
        "our choice",
        low=0.01,
        high=1,
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with a faulty registry row; measure in faults."""
    c = pl.col
    windows = frames.windows.filter(c("kind") == "run")
    faults = pl.concat(
        [
            _overloaded(frames.circuits),
            _in_lockout(windows, frames.windows),
            _min_run(windows, frames.circuits),
            _levels(frames.circuits),
            _life_figures(frames.circuits),
            _dear_hours(windows, frames, settings),
        ]
    )
    days = (
        faults.sort("rank", "fault")
        .group_by(*DAY, maintain_order=True)
        .agg("kind", "fault", "change", n=pl.len().cast(pl.Int64))
        .join(frames.circuits, on=DAY)
    )
    return RULE.verdicts(
        days.select(
            "site_id",
            "local_date",
            subject="circuit_id",
            count="n",
            measure="n",
            limit=pl.lit(0.0),
            unit=pl.lit("faults"),
            confidence=confidence(c("n"), pl.lit(0.0), pl.lit(1.0)),
            evidence=words.evidence(kinds=c("kind"), faults=c("fault")),
            sentence=phrase("Registry: {}.", c("fault").list.join("; ")),
            next_step=phrase(
                "Change the registry or the setting: {}.",
                c("change").list.unique(maintain_order=True).list.join("; "),
            ),
        )
    )


def _fault(frame: pl.DataFrame, kind: str, fault: pl.Expr, change: str) -> pl.DataFrame:
    """One row a fault: its `kind`, one of `KINDS`, the fault in words, and what to change."""
    rank = pl.lit(KINDS.index(kind))
    return frame.select(*DAY, rank=rank, kind=pl.lit(kind), fault=fault, change=pl.lit(change))


def _overloaded(circuits: pl.DataFrame) -> pl.DataFrame:
    c = pl.col
    rating = c("contactor").str.extract(r"(\d+(?:\.\d+)?)\s*A\b").cast(pl.Float64)
    over = circuits.with_columns(rating_a=rating).filter(c("load_a") > c("rating_a"))
    text = phrase(
        "the load of {} A is above the {} A of the contactor",
        words.number(c("load_a")),
        words.number(c("rating_a")),
    )
    return _fault(
        over,
        "overloaded",
        text,
        "check the load current, and have too small a contactor changed by a licensed person",
    )


def _in_lockout(windows: pl.DataFrame, all_windows: pl.DataFrame) -> pl.DataFrame:
    c = pl.col
    other = {"days": OTHER[0], "start_min": OTHER[1], "end_min": OTHER[2], "window_id": "lockout_id"}
    lockouts = all_windows.filter(c("kind") == "lockout").select(*DAY, *other).rename(other)
    inside = weekly_overlap(windows.join(lockouts, on=DAY)).filter("inside")
    text = phrase("run window {} lies inside lockout {}", c("window_id"), c("lockout_id"))
    return _fault(inside, "window_in_lockout", text, "move the run window out of the lockout")


def _min_run(windows: pl.DataFrame, circuits: pl.DataFrame) -> pl.DataFrame:
    c = pl.col
    length_s = 60 * (c("end_min") - c("start_min"))
    long = windows.join(circuits.select(*DAY, "min_run_s"), on=DAY).filter(c("min_run_s") > length_s)
    text = phrase(
        "the least run time of {} is longer than run window {} ({})",
        words.duration(c("min_run_s")),
        c("window_id"),
        words.duration(length_s.cast(pl.Float64)),
    )
    return _fault(long, "min_run_over_window", text, "shorten the least run time or lengthen the window")


def _levels(circuits: pl.DataFrame) -> pl.DataFrame:
    c = pl.col
    crossed = circuits.filter(c("surplus_on_w") < c("surplus_off_w"))
    text = phrase(
        "the on level of {} is below the off level of {}",
        words.power(c("surplus_on_w")),
        words.power(c("surplus_off_w")),
    )
    return _fault(crossed, "levels_crossed", text, "set the on level above the off level")


def _dear_hours(windows: pl.DataFrame, frames: Frames, settings: Settings) -> pl.DataFrame:
    c = pl.col
    other = {"days": OTHER[0], "start_min": OTHER[1], "end_min": OTHER[2]}
    tariff = ["tariff_id", "local_date"]
    highest, lowest = (f(c("import_per_kwh")).over(tariff) for f in (pl.Expr.max, pl.Expr.min))
    dear = frames.tariff_hours.filter((c("import_per_kwh") == highest) & (highest > lowest)).rename(other)
    pairs = windows.join(frames.circuits.select(*DAY, "tariff_id"), on=DAY).join(dear, on=tariff)
    mostly = (
        weekly_overlap(pairs)
        .group_by(*DAY, "window_id", maintain_order=True)
        .agg(share=c("shared_min").sum() / c("week_min").first(), price=c("import_per_kwh").first())
        .filter(c("share") >= settings.min_dear_share)
    )
    text = phrase(
        "{} % of run window {} lies in the dearest hours of the tariff",
        words.whole(100 * c("share")),
        c("window_id"),
    )
    return _fault(mostly, "dear_hours", text, "move the run window to cheaper hours, if the owner agrees")


def _life_figures(circuits: pl.DataFrame) -> pl.DataFrame:
    c = pl.col
    electrical = pl.all_horizontal(c(n).is_not_null() for n in ("elec_life_ops", "elec_life_a", "load_a"))
    without = circuits.filter(c("mech_life_ops").is_null() & ~electrical)
    return _fault(
        without,
        "no_life_figures",
        pl.lit("the contactor's life figures are missing, so its wear is not judged"),
        "enter the contactor's life figures",
    )


RULE: Rule[Settings] = Rule(
    name="settings",
    severity="data",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={},
    judge=judge,
)
