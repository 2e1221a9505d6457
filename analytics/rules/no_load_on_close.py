"""A contactor that closes and nothing draws: a tripped breaker, a broken element, a plug pulled.

Each closing is held against the power beside it (`switch_check`): the step that the load makes when it
comes on is seen, absent or unclear. Appliances that switch themselves (a tank that is warm, a car that is
full) often draw nothing at a closing, so for them only a load that drew for weeks and has wholly stopped
says anything, and only while somebody is at home: where the house, while none of its circuits is on, draws
clearly less than in the two weeks before, the owners seem to be away and nothing is said.

Fires: a pool pump closed ten times in a week, and at nine of these closings the house's power did not move.
Stays quiet: a water heater closed on a full tank every second day; closings that a noisy house hides, or at
which another load went off.

Closings on days on which house power reads negative are left out: what such a meter says of a step means
nothing. So are closings after an opening that left the load on (`stuck_closed`) until a step is seen again:
contacts that are closed already move nothing at a closing. Where that opening is doubtful, and so no danger
is raised, closings count, and the finding says that the contacts may be welded: nobody else would.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from coilbook.analytics.confidence import above, confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.analytics.rules.still_stuck import DAYS, unsettled
from coilbook.analytics.rules.stuck_doubts import restless
from coilbook.ingest.phrases import phrase

OWN_CONTROL = ("water_heater", "air_conditioner", "heat_pump", "spa", "ev_charger")
WEEK, GONE, BEFORE = 7, 3, 14
MAX_NEGATIVE_SHARE = 0.01
REST_S = 4 * 3600.0
"""Least time at rest that says what a house draws in a day [s]."""


@dataclass(frozen=True)
class Settings:
    """Thresholds of `no_load_on_close`."""

    min_checks: int = setting(5, "clear closings in 7 days", "our choice", low=1, high=100)
    min_absent_share: float = setting(
        0.8, "share of them at which nothing drew", "our choice", low=0.5, high=1
    )
    min_gone_checks: int = setting(
        3, "clear closings in 3 days, of appliances with their own control", "our choice", low=1, high=100
    )
    min_seen_before: int = setting(
        10, "closings in the 14 days before at which such an appliance drew", "our choice", low=1, high=200
    )
    away_share: float = setting(
        0.75,
        "share of what the house used to draw at rest, under which its owners seem to be away",
        "our choice; 0 = not asked",
        low=0,
        high=1,
    )
    case_findings: int = days_with_findings(1)
    case_days: int = judged_days(1)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days whose recent closings found no load; measure and limit in percent of closings."""
    c = pl.col
    days = frames.per_circuit(_windows(frames)).with_columns(
        subject=c("circuit_id"), own=c("appliance").is_in(OWN_CONTROL).fill_null(value=False)
    )
    lacking = (c("absent") >= settings.min_absent_share * c("checks")) & (c("checks") >= settings.min_checks)
    stopped = (
        (c("gone_seen") == 0)
        & (c("gone_absent") >= settings.min_gone_checks)
        & (c("before_seen") >= settings.min_seen_before)
    )
    lacking_load = days.filter(pl.when("own").then(stopped).otherwise(lacking))
    away = _away(lacking_load.filter("own"), frames, settings.away_share)
    raised = lacking_load.join(away, on=["circuit_id", "local_date"], how="anti")
    unclear = days.filter(
        ~c("own") & (c("checks") < settings.min_checks) & (c("checks") + c("unclear") >= settings.min_checks)
    )
    return RULE.verdicts(
        _findings(raised, settings), RULE.unjudged(unclear, "unclear"), RULE.unjudged(away, "away")
    )


def _windows(frames: Frames) -> pl.DataFrame:
    """Per circuit and day judged: counts of closings in the last 7 and 3 days and in the 14 before these."""
    c = pl.col
    doubtful = frames.coverage.filter(c("house_negative") > MAX_NEGATIVE_SHARE * c("samples"))
    good = frames.switch_check.filter("closed").join(
        doubtful.select("site_id", "local_date", metered=pl.lit(value=False)),
        on=["site_id", "local_date", "metered"],
        how="anti",
        nulls_equal=True,
    )
    # Where power fell by more than a fifth of the step due, something else went off, and may hide the load.
    doubtful_stays = restless(frames.stay_on, frames.switch_check)
    sure = frames.stay_on.join(doubtful_stays, on=["circuit_id", "ts", "kind"], how="anti")
    stuck = unsettled(good.select("circuit_id", "ts"), sure, frames.switch_check)
    good = good.join(_after_doubt(good, frames, doubtful_stays), on=["circuit_id", "ts"], how="left")
    good = good.join(stuck.with_columns(stuck=True), on=["circuit_id", "ts"], how="left")
    gone_down = c("step_w") < -0.2 * c("expected_w")
    hidden = (c("verdict") == "absent") & (gone_down | c("stuck").fill_null(value=False))
    good = good.with_columns(verdict=pl.when(hidden).then(pl.lit("unclear")).otherwise("verdict"))
    daily = good.group_by("site_id", "circuit_id", "local_date").agg(
        seen=(c("verdict") == "seen").sum().cast(pl.Int64),
        absent=(c("verdict") == "absent").sum().cast(pl.Int64),
        unclear=(c("verdict") == "unclear").sum().cast(pl.Int64),
        steps=c("step_w").filter(c("verdict") == "absent"),
        due=c("expected_w").filter(c("verdict") == "absent"),
        at=c("ts").filter(c("verdict") == "absent"),
        doubted_ts=c("doubted_ts").filter(c("verdict") == "absent").max(),
    )
    ages = pl.DataFrame({"age": range(GONE + BEFORE)}, schema={"age": pl.Int64})
    aged = daily.join(ages, how="cross").with_columns(
        local_date=c("local_date") + pl.duration(days=c("age")), then=c("local_date")
    )
    aged = aged.filter(c("local_date").is_between(pl.lit(frames.first), pl.lit(frames.last)))
    week, gone = c("age") < WEEK, c("age") < GONE
    return (
        aged.sort("then")
        .group_by("site_id", "circuit_id", "local_date", maintain_order=True)
        .agg(
            absent=c("absent").filter(week).sum(),
            checks=(c("absent") + c("seen")).filter(week).sum(),
            unclear=c("unclear").filter(week).sum(),
            gone_absent=c("absent").filter(gone).sum(),
            gone_seen=c("seen").filter(gone).sum(),
            before_seen=c("seen").filter(~gone).sum(),
            steps=c("steps").filter(week).list.explode(empty_as_null=False, keep_nulls=False),
            due=c("due").filter(week).list.explode(empty_as_null=False, keep_nulls=False),
            at=c("at").filter(week).list.explode(empty_as_null=False, keep_nulls=False),
            doubted_ts=c("doubted_ts").filter(week).max(),
        )
    )


def _away(days: pl.DataFrame, frames: Frames, share: float) -> pl.DataFrame:
    """Those of `days` on which the house at rest drew less than `share` of what it used to."""
    c = pl.col
    ages = pl.DataFrame({"age": range(GONE + BEFORE)}, schema={"age": pl.Int64})
    rest = frames.house_rest.filter(c("rest_s") >= REST_S).join(ages, how="cross")
    rest = rest.with_columns(local_date=c("local_date") + pl.duration(days=c("age")))
    lately = c("rest_w").filter(c("age") < GONE)
    before = c("rest_w").filter(c("age") >= GONE)
    seen = rest.group_by("site_id", "local_date").agg(
        quiet=(lately.mean() < share * before.median()) & (before.count() >= BEFORE // 2)
    )
    return days.join(seen.filter("quiet"), on=["site_id", "local_date"], how="semi")


def _after_doubt(good: pl.DataFrame, frames: Frames, doubtful: pl.DataFrame) -> pl.DataFrame:
    """Closings with no step seen since an opening at which the load may have stayed on: circuit_id, ts, that
    opening's instant as `doubted_ts`."""
    c = pl.col
    stays = frames.stay_on.join(doubtful, on=["circuit_id", "ts", "kind"], how="semi")
    after = unsettled(good.select("circuit_id", "ts"), stays, frames.switch_check)
    openings = stays.filter(c("verdict") == "stays_on").select("circuit_id", "ts", doubted_ts="ts").sort("ts")
    return after.sort("ts").join_asof(openings, on="ts", by="circuit_id", check_sortedness=False)


def _findings(days: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    c = pl.col
    count = pl.when("own").then(c("gone_absent")).otherwise(c("absent"))
    checks = pl.when("own").then(c("gone_absent")).otherwise(c("checks"))
    share, limit = 100 * count / checks, pl.lit(100 * settings.min_absent_share)
    span = pl.when("own").then(pl.lit("3 days")).otherwise(pl.lit("7 days"))
    before = pl.when("own").then(phrase("; in the two weeks before it drew at {} closings", c("before_seen")))
    days = words.with_clock(days, {"doubted_ts": "doubted_at"}, "%-d %B %H:%M")
    stayed = pl.when(c("doubted_ts").is_not_null()).then(
        phrase("; at the opening of {} it may have stayed on, and no step was seen since", c("doubted_at"))
    )
    return days.select(
        "site_id",
        "local_date",
        "subject",
        severity=pl.when("own").then(pl.lit("data")).otherwise(pl.lit("service")),
        count=count,
        measure=share.round(1),
        limit=limit,
        unit=pl.lit("%"),
        confidence=confidence(count, above(share, limit), c("covered_share")),
        evidence=words.evidence(
            absent=count,
            checks=checks,
            seen_in_two_weeks_before=pl.when("own").then("before_seen"),
            median_step_w=c("steps").list.median().round(0),
            expected_w=c("due").list.median().round(0),
            may_have_stayed_on_at=words.rfc3339(c("doubted_ts")),
            closings=c("at").list.tail(12).list.eval(words.rfc3339(pl.element())),
        ),
        sentence=phrase(
            "No load at {} of {} in the {} to {}: power moved by {} where {} were due{}{}.",
            count,
            words.counted(checks, "closing", "closings"),
            span,
            words.day(c("local_date")),
            words.power(c("steps").list.median()),
            words.power(c("due").list.median()),
            before.fill_null(""),
            stayed.fill_null(""),
        ),
        next_step=pl.when(c("doubted_ts").is_not_null())
        .then(
            pl.lit(
                "The main contacts may be welded: treat the load side as live until proved dead and send a "
                "licensed person. If the load draws while the contactor is told to be open, isolate it at "
                "its breaker and change the contactor; if it draws nothing, check supply, breaker and load."
            )
        )
        .when("own")
        .then(
            pl.lit(
                "Ask the owner whether the appliance is in use and still heats, cools or charges; if it "
                "should, "
                "have a licensed person check its breaker, isolator and the appliance itself."
            )
        )
        .otherwise(
            pl.lit(
                "Ask the owner by phone to look at the breaker and the appliance's own switch. If both are "
                "on, "
                "send a licensed person: isolate and prove dead, then check the supply, the main contacts "
                "and "
                "the load."
            )
        ),
    )


RULE: Rule[Settings] = Rule(
    name="no_load_on_close",
    severity="service",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={
        "switch_check": DAYS,
        "stay_on": DAYS,
        "coverage": GONE + BEFORE - 1,
        "house_rest": GONE + BEFORE - 1,
    },
    judge=judge,
    exposure="start",
)
