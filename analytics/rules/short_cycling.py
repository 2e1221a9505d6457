"""A circuit that starts too often, stops too soon, or restarts before its compressor has rested.

Every start costs contacts and motor windings; a compressor that restarts against its own head pressure may
stall. Raised on a day with three runs under the least run time, with more starts in any hour than the
appliance's limit, or, for an air conditioner or heat pump, with a single rest under the least rest.

Fires: a pool pump with a least run time of 30 min that ran 9 times, 5 of them for 4 to 20 min.
Stays quiet: an EV charger that its owner switched on and off by hand five times in an hour.

Runs ended by hand or shed, and runs still open, are never short; starts by hand and runs ended by hand or
shed do not count towards the starts in an hour.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field

import polars as pl
from coilbook.analytics.confidence import above, below, confidence
from coilbook.analytics.rules import words
from coilbook.analytics.rules.shape import Findings, Frames, Rule, days_with_findings, judged_days, setting
from coilbook.analytics.rules.starts_limits import StartsPerHour
from coilbook.ingest.phrases import phrase

COMPRESSORS = ("air_conditioner", "heat_pump")


@dataclass(frozen=True)
class Settings:
    """Thresholds of `short_cycling`."""

    min_short_runs: int = setting(3, "runs under the least run time", "common practice", low=1, high=1000)
    min_short_rests: int = setting(
        1,
        "rests of a compressor under its least rest",
        "common practice: 3 to 5 min of rest",
        low=1,
        high=1000,
    )
    max_starts_per_hour: StartsPerHour = field(default_factory=StartsPerHour)
    case_findings: int = days_with_findings(2)
    case_days: int = judged_days(7)


def judge(frames: Frames, settings: Settings) -> Findings:
    """Circuit-days that cycle too fast; measure and limit in runs, starts/h or s."""
    c = pl.col
    limits = asdict(settings.max_starts_per_hour)
    days = (
        frames.per_circuit(frames.circuit_day.filter(c("starts") > 0))
        .join(_starts_in_an_hour(frames.run), on=["circuit_id", "local_date"], how="left")
        .with_columns(
            starts_limit=c("appliance").replace_strict(
                limits, default=limits["other"], return_dtype=pl.Float64
            ),
            starts_1h=pl.min_horizontal("max_starts_1h", c("own_starts_1h").fill_null(0)),
            compressor=c("appliance").is_in(COMPRESSORS),
        )
        .with_columns(
            runs_hit=c("short_runs") >= settings.min_short_runs,
            starts_hit=c("starts_1h") > c("starts_limit"),
            rests_hit=c("compressor") & (c("short_rests") >= settings.min_short_rests),
        )
        .filter(c("runs_hit") | c("starts_hit") | c("rests_hit"))
    )
    days = days.join(_short_runs(frames), on=["circuit_id", "local_date"], how="left").join(
        _short_rests(frames), on=["circuit_id", "local_date"], how="left"
    )
    return RULE.verdicts(_findings(days, settings))


def _findings(days: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    c = pl.col
    count, measure, limit, unit, margin = _main_figure(settings)
    return days.select(
        "site_id",
        "local_date",
        subject="circuit_id",
        count=count,
        measure=measure,
        limit=limit,
        unit=unit,
        confidence=confidence(count, margin, c("covered_share")),
        evidence=words.evidence(
            starts=c("starts"),
            short_runs=c("short_runs"),
            shortest_run_s=c("shortest_run_s"),
            short_run_starts=c("short_run_starts"),
            min_run_s=c("min_run_s"),
            starts_in_an_hour=c("starts_1h"),
            starts_limit_per_hour=c("starts_limit"),
            short_rests=pl.when("compressor").then(c("short_rests")),
            shortest_rest_s=pl.when("compressor").then(c("shortest_rest_s")),
            min_rest_s=pl.when("compressor").then(c("min_rest_s")),
        ),
        sentence=_sentence(),
        next_step=_next_step(),
    )


def _main_figure(settings: Settings) -> tuple[pl.Expr, pl.Expr, pl.Expr, pl.Expr, pl.Expr]:
    """Count, measure, limit, unit and margin of the first of the three grounds that holds."""
    c = pl.col
    rest = c("shortest_rest_s")

    def first(runs: pl.Expr, starts: pl.Expr, rests: pl.Expr) -> pl.Expr:
        return pl.when("runs_hit").then(runs).when("starts_hit").then(starts).otherwise(rests)

    count = first(c("short_runs"), c("starts_1h"), c("short_rests"))
    measure = first(c("short_runs").cast(pl.Float64), c("starts_1h").cast(pl.Float64), rest)
    limit = first(pl.lit(float(settings.min_short_runs)), c("starts_limit"), c("min_rest_s"))
    unit = first(pl.lit("runs"), pl.lit("starts/h"), pl.lit("s"))
    margin = first(above(measure, limit), above(measure, limit), below(measure, limit))
    return count, measure, limit, unit, margin


def _sentence() -> pl.Expr:
    c = pl.col
    runs = phrase(
        "; {} lasted under the {} least run time, the shortest {}",
        words.counted(c("short_runs"), "run", "runs"),
        words.duration(c("min_run_s")),
        words.duration(c("shortest_run_s")),
    )
    starts = phrase(
        "; {} starts within one hour, the limit is {}", c("starts_1h"), words.number(c("starts_limit"))
    )
    rests = phrase(
        "; {} under the {} least rest, the shortest {}",
        words.counted(c("short_rests"), "rest was", "rests were"),
        words.duration(c("min_rest_s")),
        words.duration(c("shortest_rest_s")),
    )
    nothing = pl.lit("")
    return phrase(
        "Started {} on {}{}{}{}.",
        words.counted(c("starts"), "time", "times"),
        words.day(c("local_date")),
        pl.when("runs_hit").then(runs.fill_null("")).otherwise(nothing),
        pl.when("starts_hit").then(starts).otherwise(nothing),
        pl.when("rests_hit").then(rests.fill_null("")).otherwise(nothing),
    )


def _next_step() -> pl.Expr:
    c = pl.col
    on_surplus = phrase(
        "Change a setting: a longer least run time, or more room between on level ({}) and off level ({}).",
        words.power(c("surplus_on_w")).fill_null("not set"),
        words.power(c("surplus_off_w")).fill_null("not set"),
    )
    rest = phrase(
        "Change a setting: check that the controller holds the least rest of {} between runs.",
        words.duration(c("min_rest_s")).fill_null("3 to 5 min"),
    )
    return (
        pl.when(c("rests_hit") & ~c("runs_hit") & ~c("starts_hit"))
        .then(rest)
        .when(c("surplus_on_w").is_not_null())
        .then(on_surplus)
        .otherwise(
            pl.lit(
                "Check the least run time in the controller and what asks for the starts; if the settings "
                "agree with the registry, have the appliance's own control (thermostat, pressure or float "
                "switch) seen to."
            )
        )
    )


def _own(runs: pl.DataFrame) -> pl.DataFrame:
    """Runs that neither began by hand nor ended by hand or shed."""
    by_hand = pl.col("cause_on").eq_missing("hand")
    return runs.filter(~by_hand & ~pl.col("cause_off").fill_null("").is_in(["hand", "shed"]))


def _starts_in_an_hour(runs: pl.DataFrame) -> pl.DataFrame:
    """Per circuit and day: the most starts of own runs within `(t - 3600 s, t]`."""
    return (
        _own(runs)
        .sort("circuit_id", "start")
        .rolling(index_column="start", period="1h", closed="right", group_by="circuit_id")
        .agg(n=pl.len(), local_date=pl.col("local_date").last())
        .group_by("circuit_id", "local_date")
        .agg(own_starts_1h=pl.col("n").max().cast(pl.Int64))
    )


def _short_runs(frames: Frames) -> pl.DataFrame:
    """Per circuit and day: the shortest run under the least run time, and when such runs began."""
    limits = frames.circuits.select("circuit_id", "local_date", "min_run_s")
    short = (
        _own(frames.run)
        .join(limits, on=["circuit_id", "local_date"])
        .filter(pl.col("end").is_not_null() & (pl.col("duration_s") < pl.col("min_run_s")))
        .sort("circuit_id", "start")
    )
    return short.group_by("circuit_id", "local_date", maintain_order=True).agg(
        shortest_run_s=pl.col("duration_s").min(),
        short_run_starts=words.rfc3339(pl.col("start")).head(12),
    )


def _short_rests(frames: Frames) -> pl.DataFrame:
    """Per circuit and day: the shortest rest under the least rest, hand apart."""
    limits = frames.circuits.select("circuit_id", "local_date", "min_rest_s")
    before = [pl.col(n).shift(1).over("circuit_id", order_by="start") for n in ("end", "cause_off")]
    return (
        frames.run.sort("circuit_id", "start")
        .with_columns(end_before=before[0], off_before=before[1])
        .with_columns(rest_s=(pl.col("start") - pl.col("end_before")).dt.total_microseconds() / 1e6)
        .join(limits, on=["circuit_id", "local_date"])
        .filter(
            (pl.col("rest_s") < pl.col("min_rest_s"))
            & ~pl.col("cause_on").eq_missing("hand")
            & ~pl.col("off_before").eq_missing("hand")
        )
        .group_by("circuit_id", "local_date")
        .agg(shortest_rest_s=pl.col("rest_s").min())
    )


RULE: Rule[Settings] = Rule(
    name="short_cycling",
    severity="wear",
    subject_kind="circuit",
    scope="site",
    settings=Settings,
    reads={"circuit_day": 0, "run": 1},
    judge=judge,
    exposure="start",
)
