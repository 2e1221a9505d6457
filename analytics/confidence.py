"""How sure a finding is, from its own evidence; used in ranking within a severity only.

    doubt      = 1 / ((1 + events) x (1 + margin))
    confidence = coverage x (1 - doubt)

`events` is the number of events behind the finding, `margin` how far the measure lies past its limit in units
of the limit (0 at the limit), `coverage` the share of the day's due part that samples cover [0 to 1]. One
event just at the limit on a fully covered day gives 0.5; three give 0.75; one at twice the limit gives 0.75.
It is a rank, not a probability: how often a rule was right is measured from outcomes.
"""

from __future__ import annotations

import polars as pl


def confidence(events: pl.Expr, margin: pl.Expr, coverage: pl.Expr) -> pl.Expr:
    """Confidence [0 to 1] of a finding; empty values count as one event, no margin, full coverage."""
    n = events.fill_null(1).clip(lower_bound=1).cast(pl.Float64)
    m = margin.fill_null(0.0).fill_nan(0.0).clip(0.0, 1e6)
    share = coverage.fill_null(1.0).clip(0.0, 1.0)
    return (share * (1 - 1 / ((1 + n) * (1 + m)))).round(4)


def above(measure: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """Margin of a measure that must not exceed its limit, in units of the limit."""
    return (measure - limit) / limit


def below(measure: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """Margin of a measure that must not fall under its limit, in units of the limit."""
    return (limit - measure) / limit
