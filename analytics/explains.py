"""One cause, one case: which rule's finding explains which other finding of the same day.

An explained finding keeps the name of the rule that explains it, opens no case of its own and is shown as
evidence of the explaining case. That a silent site is judged by nothing else needs no pair here: its other
findings are never made.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl


@dataclass(frozen=True)
class Pair:
    """`cause` explains `effect` on the same day: on one circuit, or on circuits of one controller or site.

    Where `evidence` is given, only a cause whose evidence holds that text explains.
    """

    cause: str
    effect: str
    on: Literal["circuit", "controller", "site"]
    evidence: str = ""


# Power that is logged at another time than switching shows no step where one is due. No danger is explained
# away.
CLOCK_MOVED = '"clock"'
PAIRS: tuple[Pair, ...] = (
    Pair("stuck_closed", "no_load_on_close", "circuit"),
    Pair("no_load_on_close", "missed_window", "circuit"),
    Pair("clock_offset", "missed_window", "controller"),
    Pair("clock_offset", "ran_in_lockout", "controller"),
    Pair("settings", "missed_window", "circuit", evidence='"window_in_lockout"'),
    Pair("settings", "ran_in_lockout", "circuit", evidence='"window_in_lockout"'),
    Pair("meter_doubt", "no_load_on_close", "site", evidence=CLOCK_MOVED),
    Pair("meter_doubt", "cloud_starts", "site", evidence=CLOCK_MOVED),
    Pair("meter_doubt", "missed_surplus", "site", evidence=CLOCK_MOVED),
    Pair("chatter", "short_cycling", "circuit"),
    Pair("cloud_starts", "short_cycling", "circuit"),
    Pair("short_cycling", "wearing_fast", "circuit"),
)
KEY = ["rule", "subject", "local_date"]


def explain(
    findings: pl.DataFrame, circuits: pl.DataFrame, known: pl.DataFrame | None = None
) -> pl.DataFrame:
    """`findings` with `explained_by` filled; of several causes the first of `PAIRS` is named.

    `circuits`: circuit_id, local_date, controller_id, site_id. `known`: findings of other rules for the
    same days, made before, that may be causes too.
    """
    pairs = pl.DataFrame(
        [(p.cause, p.effect, p.on, p.evidence, rank) for rank, p in enumerate(PAIRS)],
        schema={"cause": pl.String, "rule": pl.String, "on": pl.String, "needs": pl.String, "rank": pl.Int32},
        orient="row",
    )
    above = circuits.select("local_date", "controller_id", "site_id", subject="circuit_id").unique()
    causes = pl.concat(
        [findings.select(*KEY, "evidence")] + ([] if known is None else [known.select(*KEY, "evidence")])
    )
    causes = causes.select("local_date", "evidence", cause="rule", cause_subject="subject")
    effects = (
        findings.select(KEY)
        .join(pairs, on="rule")
        .join(above, on=["subject", "local_date"], how="left")
        .with_columns(
            cause_subject=pl.when(pl.col("on") == "controller")
            .then("controller_id")
            .when(pl.col("on") == "site")
            .then("site_id")
            .otherwise("subject")
        )
    )
    explained = (
        effects.join(causes, on=["local_date", "cause", "cause_subject"])
        .filter(pl.col("evidence").fill_null("").str.contains(pl.col("needs"), literal=True))
        .sort("rank")
        .unique(KEY, keep="first")
        .select(*KEY, explained_by="cause")
    )
    return findings.drop("explained_by").join(explained, on=KEY, how="left", maintain_order="left")
