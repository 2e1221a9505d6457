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
    """`cause` explains `effect` on the same day: on one circuit, or on circuits of one controller."""

    cause: str
    effect: str
    on: Literal["circuit", "controller"]


PAIRS: tuple[Pair, ...] = (
    Pair("no_load_on_close", "missed_window", "circuit"),
    Pair("clock_offset", "missed_window", "controller"),
    Pair("clock_offset", "ran_in_lockout", "controller"),
    Pair("chatter", "short_cycling", "circuit"),
    Pair("cloud_starts", "short_cycling", "circuit"),
)


def explain(findings: pl.DataFrame, circuits: pl.DataFrame) -> pl.DataFrame:
    """`findings` with `explained_by` filled; of several causes the first of `PAIRS` is named.

    `circuits`: circuit_id, local_date, controller_id.
    """
    pairs = pl.DataFrame(
        [(p.cause, p.effect, p.on, rank) for rank, p in enumerate(PAIRS)],
        schema={"cause": pl.String, "rule": pl.String, "on": pl.String, "rank": pl.Int32},
        orient="row",
    )
    controllers = circuits.select("local_date", "controller_id", subject="circuit_id").unique()
    causes = findings.select("local_date", cause="rule", cause_subject="subject")
    effects = (
        findings.select("rule", "subject", "local_date")
        .join(pairs, on="rule")
        .join(controllers, on=["subject", "local_date"], how="left")
        .with_columns(
            cause_subject=pl.when(pl.col("on") == "controller").then("controller_id").otherwise("subject")
        )
    )
    explained = (
        effects.join(causes, on=["local_date", "cause", "cause_subject"])
        .sort("rank")
        .unique(["rule", "subject", "local_date"], keep="first")
        .select("rule", "subject", "local_date", explained_by="cause")
    )
    return findings.drop("explained_by").join(
        explained, on=["rule", "subject", "local_date"], how="left", maintain_order="left"
    )
