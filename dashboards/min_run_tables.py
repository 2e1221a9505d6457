"""Tables of the page on the minimum run: the same as its charts, and what no chart shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.tables import Table, heads
from markupsafe import Markup

MOST_ROWS = 200
MOST_NAMED = 40
MOST_CURVE_ROWS = 60
TODAY = "today's setting"
CHECK = "\u2713"


def cost_table(curves: pl.DataFrame, one: dict[str, Any]) -> Table:
    """Cost and starts of each candidate; the cheapest `MOST_CURVE_ROWS` where many were crossed."""
    shown, more = _cheapest(curves)
    rows = [
        [
            _setting(c, one),
            _money(c["cost_mean"]),
            f"{_money(c['cost_mean_low'])} to {_money(c['cost_mean_high'])}",
            _money(c["cost_median"]),
            f"{_money(c['cost_p10'])} to {_money(c['cost_p90'])}",
            words.number(c["starts_per_day_mean"], 2),
            " to ".join(words.number(c[f"starts_per_day_mean_{end}"], 2) for end in ("low", "high")),
            words.percent(c["within_limit"]),
        ]
        for c in shown.iter_rows(named=True)
    ]
    names = heads(
        "Minimum run", "#Cost a year, mean", "#90 % interval", "#Median", "#10 to 90 % of circuits",
        "#Starts a day, mean", "#90 % interval", "#Circuits in the starts limit",
    )  # fmt: skip
    return Table(f"Cost and starts of a circuit [{one['currency']}/a, 1/d]", names, rows, more)


def parts_table(curves: pl.DataFrame, one: dict[str, Any]) -> Table:
    """What the cost is made of, and where the energy came from."""
    shown, more = _cheapest(curves)
    worth = curves["own_value"].max()
    extra = heads("#Worth of run time") if worth else ()
    rows = [
        [
            _setting(c, one),
            words.number(c["own_kwh"]),
            words.number(c["solar_kwh"]),
            words.number(c["bought_kwh"]),
            words.percent(c["solar_kwh"] / c["own_kwh"]) if c["own_kwh"] else words.DASH,
            _money(c["bought_cost"]),
            _money(c["forgone_export"]),
            _money(c["closings_cost"]),
            *([_money(-c["own_value"])] if worth else []),
            words.number(c["cost_per_own_kwh"], 3) if c["own_kwh"] else words.DASH,
            words.number(c["short_runs"]),
            words.percent(c["life_used"], 1),
        ]
        for c in shown.iter_rows(named=True)
    ]
    names = (
        *heads(
            "Minimum run",
            "#Own kWh",
            "#From the sun",
            "#Bought",
            "#Solar share",
            "#Bought energy",
            "#Export forgone",
        ),
        *heads("#Closings"),
        *extra,
        *heads("#Cost of a kWh", "#Runs under 10 min", "#Contactor life used"),
    )
    return Table(f"Energy and cost of a circuit in a year [kWh, {one['currency']}]", names, rows, more)


def sites_table(sites: pl.DataFrame, currency: str, *, worse: bool, links: bool = True) -> Table:
    """The sites that would pay more, or the others, those that change most first."""
    wanted = sites.filter(pl.col("worse") == worse).sort("change", "site_id", descending=[worse, False])
    rows = [
        [
            _site(row["site_id"], links),
            row["area"] or words.DASH,
            words.number(row["circuits"]),
            _money(row["today_cost"]),
            _money(row["recommended_cost"]),
            _signed(row["change"]),
        ]
        for row in wanted.head(MOST_ROWS).iter_rows(named=True)
    ]
    names = heads("Site", "Area", "#Circuits", "#Today", "#Then", "#Change")
    what = "pay more" if worse else "pay less, or the same"
    left = wanted.height - len(rows)
    more = f"{words.number(left)} more sites are in the data of the chart." if left > 0 else ""
    return Table(f"Sites that would {what} [{currency}/a]", names, rows, more)


def lengths_table(lengths: pl.DataFrame) -> Table:
    """Runs by length, a column for each reading."""
    columns = lengths["whose"].unique(maintain_order=True).to_list()
    title = {"logged": "As logged", "today": "Replayed, today", "recommended": "Replayed, recommended"}
    rows = []
    for (low, high), part in lengths.group_by("from_s", "to_s", maintain_order=True):
        seen = {row["whose"]: row for row in part.iter_rows(named=True)}
        cells = [f"{words.number(seen[w]['runs'])} ({words.percent(seen[w]['share'])})" for w in columns]
        rows.append([_span(low, high), *cells])
    return Table("Runs by length", heads("Length", *(f"#{title[w]}" for w in columns)), rows)


def scores_table(scores: pl.DataFrame, caption: str, currency: str) -> Table:
    """What a recommendation made on one part costs on the other, beside what was best there."""
    rows = [
        [
            row["made_on"],
            row["scored_on"],
            words.number(row["circuits"]),
            row["chosen"] or "none keeps the limit",
            _money(row["chosen_cost"]),
            row["best"] or words.DASH,
            _money(row["best_cost"]),
            _money(row["today_cost"]),
        ]
        for row in scores.iter_rows(named=True)
    ]
    names = heads(
        "Made on", "Scored on", "#Circuits", "Chosen", "#Its cost there", "Best there", "#Its cost", "#Today"
    )
    return Table(f"{caption} [{currency}/a]", names, rows)


def past_table(past: pl.DataFrame) -> Table:
    """Past changes: what they brought about a day, what the replay says, and how far it is out."""
    rows = [
        [
            row["circuit_id"],
            words.day(row["changed_on"]),
            f"{words.duration(row['before_s'])} to {words.duration(row['after_s'])}",
            words.number(row["unchanged"]),
            *(_signed(row[name]) for name in ("starts_effect", "replayed_starts", "starts_error")),
            *(_signed(row[name], 0) for name in ("grid_wh_effect", "replayed_grid_wh", "grid_wh_error")),
            row["reason"] or "",
        ]
        for row in past.iter_rows(named=True)
    ]
    names = heads(
        "Circuit", "Changed on", "Minimum run", "#Compared with", "#Starts a day, logged",
        "#Replayed", "#Error", "#Bought Wh a day, logged", "#Replayed", "#Error", "~Not judged because",
    )  # fmt: skip
    return Table("Past changes of a minimum run, 28 days either side", names, rows)


def left_out_table(left_out: pl.DataFrame) -> Table:
    """Why circuits took no part, and which."""
    grouped = (
        left_out.group_by("reason", maintain_order=True)
        .agg("circuit_id")
        .sort(pl.col("circuit_id").list.len(), "reason", descending=[True, False])
    )
    rows = [
        [words.number(len(circuits)), reason, ", ".join(circuits[:MOST_NAMED]) + _rest(circuits)]
        for reason, circuits in grouped.iter_rows()
    ]
    return Table("Circuits left out, and why", heads("#Circuits", "~Why", "~Which"), rows)


def _rest(circuits: Sequence[str]) -> str:
    left = len(circuits) - MOST_NAMED
    return f" and {words.number(left)} more" if left > 0 else ""


def _cheapest(curves: pl.DataFrame) -> tuple[pl.DataFrame, str]:
    today = curves.filter(pl.col("candidate").is_null())
    tried = curves.filter(pl.col("candidate").is_not_null())
    kept = tried.sort("cost_mean").head(MOST_CURVE_ROWS).sort("candidate")
    left = tried.height - kept.height
    more = f"{words.number(left)} candidates that cost more are in the data of the chart." if left else ""
    return pl.concat([today, kept]), more


def _setting(c: dict[str, Any], one: dict[str, Any]) -> str:
    if c["candidate"] is None:
        return TODAY
    told = words.bound(str(c["words"]).removeprefix("minimum run "))
    return f"{CHECK} {told}" if c["candidate"] == one["candidate"] else told


def _site(site_id: str, links: bool) -> str:
    if not links:
        return site_id
    return Markup('<a href="/sites/{}">{}</a>').format(quote(site_id, safe=""), site_id)


def _money(value: float | None) -> str:
    return words.number(value, 0 if value is not None and abs(value) >= 1000 else 2)


def _signed(value: float | None, digits: int = 2) -> str:
    if value is None:
        return words.DASH
    return f"+{words.number(value, digits)}" if value > 0 else words.number(value, digits)


def _span(low: float, high: float | None) -> str:
    if high is None:
        return f"{words.duration(low)} and more"
    return f"{words.duration(low)} to {words.duration(high)}" if low else f"under {words.duration(high)}"
