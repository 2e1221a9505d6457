"""What a fault costs in a year if it goes on as it has.

    cost_per_year = 365 x (sum of the daily costs of the last 28 days) / (7 x weeks)

`weeks` are the whole weeks begun since the first of those costs, so one bad day counts as once a week, and
seven in a row as every day. Days are local days up to and including the one judged.
"""

from __future__ import annotations

import polars as pl

DAYS_BACK = 27


def per_year(costs: pl.DataFrame) -> pl.DataFrame:
    """Yearly cost [currency] of each circuit and day of `costs` (circuit_id, local_date, cost [currency]).

    Returns circuit_id, local_date, cost_per_year; empty where that day's own cost is.
    """
    earlier = costs.select("circuit_id", then="local_date", spent="cost").drop_nulls()
    age = (pl.col("local_date") - pl.col("then")).dt.total_days()
    return (
        costs.drop_nulls("cost")
        .join(earlier, on="circuit_id")
        .with_columns(age=age)
        .filter(pl.col("age").is_between(0, DAYS_BACK))
        .group_by("circuit_id", "local_date", maintain_order=True)
        .agg(total=pl.col("spent").sort_by("then").sum(), weeks=pl.col("age").max() // 7 + 1)
        .select(
            "circuit_id",
            "local_date",
            cost_per_year=(365 * pl.col("total") / (7 * pl.col("weeks"))).round(2),
        )
    )
