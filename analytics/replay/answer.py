"""A whole answer to an engineer's question, as frames that can be kept.

Beside the recommendation stand the runs as they were logged, and every past change of a minimum run with the
replay's error for it: what a reader needs to believe the replay, or not to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl
from coilbook.analytics.replay.after_change import after_change
from coilbook.analytics.replay.circuit import LENGTH_EDGES_S
from coilbook.analytics.replay.curves import RUN_LENGTHS
from coilbook.analytics.replay.fleet import Cancel, Progress, bounds
from coilbook.analytics.replay.recommend import Recommendation, TuneResult, tune
from coilbook.analytics.replay.request import TuneRequest
from coilbook.analytics.replay.take_out import learned_steps
from coilbook.ingest.store import Store

LOGGED = "as logged"
LEAST_SEEN = 8  # clean steps of a circuit before their median is taken for its power, as in `switch_check`

LEARNED = """
SELECT
    circuit_id,
    CASE
        WHEN count(*) FILTER (verdict = 'seen') >= $least THEN median(step_w) FILTER (verdict = 'seen')
    END AS step_w,
    count(*) FILTER (verdict = 'seen') AS seen,
    count(*) FILTER (verdict = 'absent') AS absent
FROM switch_check WHERE closed AND NOT metered GROUP BY circuit_id ORDER BY circuit_id
"""
LOGGED_RUNS = """
SELECT circuit_id, duration_s FROM run
WHERE circuit_id IN (SELECT unnest($circuits)) AND "end" IS NOT NULL AND cause_on IS DISTINCT FROM 'hand'
    AND start >= $first AND start < $stop
"""
FRAMES = (
    *("recommendations", "curves", "run_lengths", "circuits", "sites", "held_out", "areas", "registry"),
    *("left_out", "past_changes", "assumptions"),
)
RECOMMENDATIONS: dict[str, Any] = {
    **dict.fromkeys(("appliance", "currency"), pl.String),
    **dict.fromkeys(("circuits", "sites"), pl.Int64),
    "days": pl.Float64,
    "enough": pl.Boolean,
    "agreement": pl.Float64,
    "reasons": pl.List(pl.String),
    "candidate": pl.Int64,
    "words": pl.String,
    **dict.fromkeys(
        ("cost", "today_cost", "saving", "saving_low", "saving_high", "starts_limit_1h"), pl.Float64
    ),
    "sites_worse": pl.Int64,
    "sentence": pl.String,
}


@dataclass(frozen=True)
class Answer:
    """`frames` by the names of `FRAMES`; `sentence` is what they come to."""

    frames: Mapping[str, pl.DataFrame]
    sentence: str


def answer(
    store: Store, request: TuneRequest, progress: Progress | None = None, cancel: Cancel | None = None
) -> Answer:
    """Tune, and look at what past changes did. Arguments and errors as `tune`'s."""
    with store.reading() as session:
        learned = session.frame(LEARNED, {"least": LEAST_SEEN})
    result = tune(store, request, progress, cancel, learned)
    past = after_change(store, learned_steps(learned), request.appliances, cancel)
    frames = {
        "recommendations": _recommendations(result),
        "curves": result.curves,
        "run_lengths": pl.concat([result.run_lengths, _logged(store, result)]),
        "circuits": result.circuits,
        "sites": result.sites,
        "held_out": result.held_out,
        "areas": result.areas,
        "registry": result.registry,
        "left_out": result.left_out,
        "past_changes": past,
        "assumptions": pl.DataFrame({"text": _assumptions(result)}, schema={"text": pl.String}),
    }
    said = " ".join(one.sentence for one in result.recommendations)
    return Answer(frames, said or "No circuit fits what was asked, so there is nothing to tell.")


def _recommendations(result: TuneResult) -> pl.DataFrame:
    rows = [_row(one, result.request) for one in result.recommendations]
    return pl.DataFrame(rows, schema=RECOMMENDATIONS, orient="row")


def _row(one: Recommendation, request: TuneRequest) -> tuple[object, ...]:
    """A recommendation in the columns of `RECOMMENDATIONS`."""
    found = one.candidate is not None
    decided = (one.decision.enough, one.decision.agreement, list(one.decision.reasons))
    chosen = (one.decision.choice, one.candidate.words()) if one.candidate is not None else (None, None)
    money = (one.cost if found else None, one.today_cost, one.saving, one.saving_low, one.saving_high)
    base = (one.appliance, one.currency, one.circuits, one.sites, one.days)
    limit = request.starts_per_hour.get(one.appliance)
    return (*base, *decided, *chosen, *money, limit, one.sites_worse, one.sentence)


def _logged(store: Store, result: TuneResult) -> pl.DataFrame:
    """Finished runs as the switching logs have them, those begun by hand left out, binned as the replay's."""
    kinds = result.circuits.select("circuit_id", "appliance", "currency").unique(maintain_order=True)
    first, stop = bounds(result.request)
    with store.reading() as session:
        values = {"circuits": kinds["circuit_id"].to_list(), "first": first, "stop": stop}
        runs = session.frame(LOGGED_RUNS, values)
    place = pl.lit(pl.Series(LENGTH_EDGES_S)).search_sorted(pl.col("duration_s"), side="right") - 1
    counts = (
        runs.join(kinds, on="circuit_id")
        .group_by("appliance", "currency", place.cast(pl.Int64).alias("bin"))
        .agg(pl.len().cast(pl.Int64).alias("runs"))
    )
    bins = pl.DataFrame(
        {
            "bin": range(len(LENGTH_EDGES_S)),
            "from_s": LENGTH_EDGES_S,
            "to_s": [*LENGTH_EDGES_S[1:], None],
        }
    )
    classes = kinds.select("appliance", "currency").unique(maintain_order=True)
    return (
        classes.join(bins, how="cross")
        .join(counts, on=("appliance", "currency", "bin"), how="left", maintain_order="left")
        .with_columns(
            pl.col("runs").fill_null(0),
            pl.lit(LOGGED).alias("words"),
            pl.lit(None, pl.Int64).alias("candidate"),
        )
        .select(pl.col(name).cast(kind) for name, kind in RUN_LENGTHS.items())
    )


def _assumptions(result: TuneResult) -> list[str]:
    said = list(result.assumptions)
    if result.waiting_site_days:
        said.append(
            f"{result.waiting_site_days} site-days wait for a review: what was loaded for them since is "
            "replayed, but its runs are not known yet."
        )
    return said
