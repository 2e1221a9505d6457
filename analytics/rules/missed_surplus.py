"""A circuit that is to run on surplus and idled under the sun.

The surplus stood well above its on level for an hour or more, in stretches long enough to start on, while
the circuit was off, rested, in no lockout, and held off by nobody. Usual causes: a surplus input that came
loose, a level that was changed at the controller and not here, a current clamp that fell off.

Fires: a pump with an on level of 1500 W stood still on a day with 4 h of 2 kW and more to spare.
Stays quiet: an hour in bits of a few minutes; surplus during a lockout, a hand hold or an outage; circuits
without an on level. On days with an island nothing is said.

Cost: of the energy that it could have used, `surplus_cost.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, confidence
from coilbook.analytics.costs import DAYS_BACK
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.analytics.rules.surplus_cost import FORMULA, KEY, unused_cost
from coilbook.ingest.phrases import phrase


@dataclass(frozen=True)
class Settings:
    """Thresholds of `missed_surplus`."""

    min_idle_min: float = setting(
        60.0,
        "minutes of a day with surplus to spare, in stretches of 10 or more",
        "our choice",
        low=10,
        high=1440,
    )
    case_findings: int = days_with_findings(5)
    case_days: int = judged_days(14)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days with idle surplus; measure and limit in minutes."""
    c = pl.col
    limit = pl.lit(settings.min_idle_min)
    idle = frames.idle_surplus.with_columns(idle_min=c("idle_surplus_s") / 60).filter(c("idle_min") >= limit)
    costs = unused_cost(idle.select(*KEY, unused_wh="idle_surplus_wh"), frames)
    days = frames.per_circuit(idle).join(costs, on=KEY, how="left")
    shown = words.with_clock(days, {"first_ts": "from"})
    raised = shown.select(
        "site_id",
        "local_date",
        "cost_per_year",
        subject="circuit_id",
        count="stretches",
        measure=c("idle_min").round(1),
        limit=limit,
        unit=pl.lit("min"),
        currency=pl.when(c("cost_per_year").is_not_null()).then(c("currency")),
        confidence=confidence(c("stretches"), above(c("idle_min"), limit), c("covered_share")),
        evidence=words.evidence(
            first=words.rfc3339(c("first_ts")),
            stretches=c("stretches"),
            idle_surplus_s=c("idle_surplus_s").round(1),
            idle_surplus_wh=c("idle_surplus_wh").round(1),
            surplus_on_w=c("surplus_on_w"),
            min_rest_s=c("min_rest_s"),
            cost=c("cost").round(4),
            cost_formula=pl.lit(FORMULA),
        ),
        sentence=phrase(
            "Stood still for {} with surplus to spare on {}, from {} on: a tenth or more above its on "
            "level of {}{}.",
            words.duration(c("idle_surplus_s")),
            words.day(c("local_date")),
            c("from"),
            words.power(c("surplus_on_w")),
            pl.when(c("idle_surplus_wh").is_not_null())
            .then(phrase("; {} went unused", words.energy(c("idle_surplus_wh"))))
            .otherwise(pl.lit("")),
        ),
        next_step=pl.lit(
            "Compare the on level in the controller with the registry, remotely first; then have the "
            "surplus input and "
            "the current clamp checked. If the circuit is meant to stand still, take its on level out of "
            "the registry."
        ),
    )
    return RULE.verdicts(raised, RULE.unjudged(_blank(frames), "coverage"))


def _blank(frames: Frames) -> pl.DataFrame:
    """Surplus circuits on days without the fact: no samples, or an island."""
    followers = frames.circuits.filter(pl.col("surplus_on_w").is_not_null())
    seen = frames.site_days.filter("complete").select("site_id", "local_date")
    return (
        followers.join(seen, on=["site_id", "local_date"])
        .join(frames.idle_surplus, on=["circuit_id", "local_date"], how="anti")
        .select("site_id", "local_date", subject="circuit_id")
    )


RULE: Rule[Settings] = Rule(
    name="missed_surplus",
    severity="cost",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"idle_surplus": DAYS_BACK},
    judge=judge,
)
