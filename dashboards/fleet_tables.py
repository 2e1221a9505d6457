"""Tables of the fleet's page, beside its charts."""

from __future__ import annotations

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.charts.contactors_due import quarter_name
from coilbook.dashboards.tables import Table, heads

LATELY = 4
"""Newest weeks that a table sums [weeks]."""


def weeks_table(counts: pl.DataFrame, what: str) -> Table:
    """For each panel of `cases_by_week_data`: standing now and before, opened and cleared lately."""
    newest = counts["week"].unique().sort().tail(LATELY + 1)
    lately = newest.tail(LATELY)
    before = newest.head(len(newest) - len(lately))
    in_them, c = pl.col("week").is_in(lately.implode()), pl.col
    summed = counts.group_by("panel", maintain_order=True).agg(
        c("standing").sort_by("week").last().alias("now"),
        c("standing").filter(c("week").is_in(before.implode())).first().alias("before"),
        c("opened").filter(in_them).sum().alias("opened"),
        c("cleared").filter(in_them).sum().alias("cleared"),
        c("opened").sum().alias("all"),
    )
    rows = [
        [
            row["panel"],
            words.number(row["now"]),
            words.number(row["before"]),
            words.number(row["opened"]),
            words.number(row["cleared"]),
            words.number(row["all"]),
        ]
        for row in summed.iter_rows(named=True)
    ]
    names = heads(
        what, "#Standing", f"#Standing {LATELY} weeks before", f"#Opened in {LATELY} weeks",
        f"#Cleared in {LATELY} weeks", "#Opened in all these weeks",
    )  # fmt: skip
    return Table(f"Cases by {what.lower()}", names, rows)


def precision_table(rules: pl.DataFrame) -> Table:
    """Outcomes of each rule and what they say of it; rows as `rule_precision_data` returns them."""
    rows = [
        [
            row["rule"],
            words.number(row["confirmed"]),
            words.number(row["not_found"]),
            words.percent(row["precision"]),
            f"{words.percent(row['low'])} to {words.percent(row['high'])}"
            if row["precision"] is not None
            else "nobody has seen one yet",
            words.number(row["setting_changed"]),
            words.number(row["no_access"]),
        ]
        for row in rules.iter_rows(named=True)
    ]
    names = heads(
        "Rule", "#Confirmed", "#Not found", "#Precision", "95 % interval", "#Setting changed", "#No access"
    )
    return Table("What was found on site, by rule", names, rows)


def parts_table(parts: pl.DataFrame) -> Table:
    """What to have in stock, by quarter."""
    rows = [
        [
            row["name"],
            row["contactor"] or "not in the registry",
            words.number(row["poles"]),
            words.with_unit(row["load_a"], "A"),
            words.with_unit(row["coil_v"], "V"),
            words.number(row["number"]),
        ]
        for row in parts.with_columns(quarter_name("quarter").alias("name")).iter_rows(named=True)
    ]
    names = heads("Quarter", "Contactor", "#Poles", "#Greatest contact current", "#Coil", "#Number")
    return Table("Parts plan: contactors by poles, current and coil voltage", names, rows)


def firmware_table(rates: pl.DataFrame) -> Table:
    """Rates before and after each version; rows as `firmware_cohorts_data` returns them."""
    keys = ["measure", "firmware"]
    sides = [rates.filter(pl.col("period") == period) for period in ("before", "after")]
    both = sides[0].join(sides[1], on=keys, how="inner", suffix="_after", maintain_order="left")
    rows = [
        [
            row["firmware"],
            row["measure"],
            words.number(row["circuits"]),
            _rate(row["rate"], row["low"], row["high"]),
            _rate(row["rate_after"], row["low_after"], row["high_after"]),
            _apart(row["low"], row["high"], row["low_after"], row["high_after"]),
        ]
        for row in both.iter_rows(named=True)
    ]
    names = heads("Version", "Measure", "#Circuits", "#Before", "#After", "Limits")
    return Table("Per circuit-week before and after, with 95 % limits", names, rows)


def _rate(value: float, low: float, high: float) -> str:
    digits = 1 if high >= 10 else 2
    return f"{words.number(value, digits)} ({words.number(low, digits)} to {words.number(high, digits)})"


def _apart(low: float, high: float, low_after: float, high_after: float) -> str:
    if low_after > high:
        return "higher after"
    return "lower after" if high_after < low else "overlap"
