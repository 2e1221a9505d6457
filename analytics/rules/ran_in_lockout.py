"""A circuit that ran while its lockout asked it to stay off.

A lockout usually covers the dear hours of the tariff. Two minutes are allowed for clocks that differ.

Fires: a water heater on from 17:20 to 18:00 by the clock, within a lockout from 17:00 to 21:00.
Stays quiet: the same run begun by hand, since the owner may overrule a lockout.

Cost: the run's energy at the prices of its hours less the same at the day's cheapest price, as the facts have
it, carried to a year by `costs.per_year`.
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
    """Thresholds of `ran_in_lockout`."""

    max_on_s: float = setting(
        120.0, "seconds on within a lockout that are let pass", "our choice", low=0, high=3600
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with a lockout run; measure and limit in minutes on."""
    c = pl.col
    broken = frames.lockout_result.filter(c("on_s") > settings.max_on_s).sort(
        "circuit_id", "start_ts", "window_id"
    )
    costs = broken.group_by("circuit_id", "local_date", maintain_order=True).agg(
        cost=pl.when(c("excess_cost").is_null().any()).then(None).otherwise(c("excess_cost").sum())
    )
    windows = words.with_clock(frames.per_circuit(broken), {"start_ts": "from", "end_ts": "to"})
    days = (
        windows.with_columns(_lockout=_lockout_evidence())
        .group_by("circuit_id", "local_date", maintain_order=True)
        .agg(
            pl.exclude("_lockout", "on_s", "own_wh").first(),
            lockouts=c("_lockout"),
            n=pl.len().cast(pl.Int64),
            on_s=c("on_s").sum(),
            own_wh=pl.when(c("own_wh").is_null().any()).then(None).otherwise(c("own_wh").sum()),
        )
        .join(costs.rename({"cost": "extra"}), on=["circuit_id", "local_date"], how="left")
        .join(per_year(costs), on=["circuit_id", "local_date"], how="left")
    )
    return RULE.verdicts(_findings(days, settings))


def _lockout_evidence() -> pl.Expr:
    c = pl.col
    return pl.struct(
        "window_id",
        "on_s",
        "hand_s",
        "own_wh",
        "cost",
        "excess_cost",
        start=words.rfc3339(c("start_ts")),
        end=words.rfc3339(c("end_ts")),
    )


def _findings(days: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    c = pl.col
    limit = pl.lit(settings.max_on_s / 60)
    minutes = c("on_s") / 60
    spent = pl.when((c("own_wh") > 0) & c("own_wh").is_not_null()).then(
        phrase("; {}", words.energy(c("own_wh")))
    )
    dearer = pl.when(c("extra") > 0).then(
        phrase(", {} more than at the day's cheapest price", words.money(c("extra"), c("currency")))
    )
    where = (
        pl.when(c("n") == 1)
        .then(phrase("the lockout {} to {}", c("from"), c("to")))
        .otherwise(phrase("{} lockouts, the first {} to {},", c("n"), c("from"), c("to")))
    )
    return days.select(
        "site_id",
        "local_date",
        "cost_per_year",
        subject="circuit_id",
        count="n",
        measure=minutes,
        limit=limit,
        unit=pl.lit("min"),
        currency=pl.when(c("cost_per_year").is_not_null()).then(c("currency")),
        confidence=confidence(c("n"), above(minutes, limit.clip(lower_bound=0.5)), c("covered_share")),
        evidence=words.evidence(
            lockouts=c("lockouts"),
            excess_cost=c("extra"),
            cost_formula=pl.lit(
                "365 x excess cost of the last 28 days / (7 x weeks since the first of them)"
            ),
        ),
        sentence=phrase(
            "Ran {} in {} on {}, not begun by hand{}{}.",
            words.duration(c("on_s")),
            where,
            words.day(c("local_date")),
            spent.fill_null(""),
            dearer.fill_null(""),
        ),
        next_step=pl.lit(
            "Change a setting: enter the lockout in the controller, or end the run window before it begins; "
            "then compare the controller's clock with local time."
        ),
    )


RULE: Rule[Settings] = Rule(
    name="ran_in_lockout",
    severity="cost",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"lockout_result": DAYS_BACK},
    judge=judge,
    exposure="lockout",
)
