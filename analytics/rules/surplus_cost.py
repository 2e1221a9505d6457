"""What surplus that a circuit could have used and did not was worth.

    cost of a day = unused kWh x (lowest import - highest export price)

That is the least it can have been worth: each kWh would have saved at least the cheapest bought one and
brought at most the dearest sold one. Prices are those of the newest day judged; a year is as in `costs.py`.
"""

from __future__ import annotations

import polars as pl
from coilbook.analytics.costs import per_year
from coilbook.analytics.rules.shape import Frames

FORMULA = "365 x unused kWh of 28 days x (lowest import - highest export price) / (7 x weeks)"
KEY = ["circuit_id", "local_date"]


def unused_cost(unused: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Cost and yearly cost [currency] of the days of `unused` (circuit_id, local_date, unused_wh [Wh]).

    Returns circuit_id, local_date, cost, cost_per_year; both empty where the energy or a price is not known.
    """
    c = pl.col
    prices = frames.circuits.sort("local_date").unique("circuit_id", keep="last", maintain_order=True)
    worth = (c("import_min") - c("export_max")).clip(lower_bound=0)
    costs = unused.join(
        prices.select("circuit_id", "import_min", "export_max"), on="circuit_id", how="left"
    ).select(*KEY, cost=c("unused_wh") / 1000 * worth)
    return costs.join(per_year(costs), on=KEY, how="left")
