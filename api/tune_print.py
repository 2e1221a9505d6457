"""A tuning to read on a terminal: the sentence first, then the table; and the files made from it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
from coilbook.analytics.queries.tune import Tuning
from coilbook.analytics.replay.rows import registry_csv
from coilbook.api.output import print_table, say
from coilbook.ingest.target import replacing

HEADS = (
    "settings", "cost a year", "90 % interval", "median", "10-90 % of circuits", "starts a day",
    "within limit", "solar kWh", "bought kWh", "cost a kWh",
)  # fmt: skip


def write_rows(found: Tuning, target: Path) -> int:
    """Write the recommended settings as rows of the circuits file; how many there are."""
    with replacing(target) as draft:
        draft.write_text(registry_csv(found.frames["registry"]), "utf-8")
    return found.frames["registry"].height


def write_report(found: Tuning, target: Path) -> None:
    """Write the result as a page that stands alone."""
    from coilbook.dashboards.min_run_report import min_run_report

    with replacing(target) as draft:
        draft.write_text(min_run_report(vars(found)), "utf-8")


def print_tuning(found: Tuning) -> None:
    """Sentence, table, sites worse off, circuits left out, past changes and assumptions, class by class."""
    made = found.frames["recommendations"]
    if made.is_empty():
        say(found.sentence or "")
    for one in made.iter_rows(named=True):
        say(one["sentence"])
        say("")
        of_class = pl.col("appliance") == one["appliance"], pl.col("currency") == one["currency"]
        _print_curve(found.frames["curves"].filter(*of_class), one)
        _print_worse(found.frames["sites"].filter(*of_class, pl.col("worse")), one)
        say("")
    _print_left_out(found.frames["left_out"])
    _print_past(found.frames["past_changes"])
    say("taken for granted")
    for text in found.frames["assumptions"]["text"]:
        say(f"- {text}")


def _print_curve(curve: pl.DataFrame, one: dict[str, Any]) -> None:
    def row(c: dict[str, Any]) -> tuple[object, ...]:
        mark = " *" if c["candidate"] is not None and c["candidate"] == one["candidate"] else ""
        return (
            c["words"] + mark,
            f"{c['cost_mean']:.2f}", f"{c['cost_mean_low']:.2f} to {c['cost_mean_high']:.2f}",
            f"{c['cost_median']:.2f}", f"{c['cost_p10']:.2f} to {c['cost_p90']:.2f}",
            f"{c['starts_per_day_mean']:.2f}", f"{c['within_limit']:.0%}", f"{c['solar_kwh']:.0f}",
            f"{c['bought_kwh']:.0f}", f"{c['cost_per_own_kwh']:.3f}" if c["own_kwh"] > 0 else "",
        )  # fmt: skip

    print_table(HEADS, (row(c) for c in curve.iter_rows(named=True)), right=HEADS[1:])
    mean = "recommended" if one["enough"] else "least costly, not recommended"
    mark = f"* {mean}; " if one["candidate"] is not None else ""
    say(f"{mark}costs in {one['currency']} a circuit and year, means unless named otherwise")


def _print_worse(worse: pl.DataFrame, one: dict[str, Any]) -> None:
    if worse.is_empty() or not one["enough"]:
        return
    say("")
    say(f"sites that would pay more [{one['currency']} a year]")
    rows = worse.select("site_id", "area", "today_cost", "recommended_cost", "change").iter_rows()
    names = ("site", "area", "today", "recommended", "change")
    print_table(names, ((s, a, *(f"{v:.2f}" for v in values)) for s, a, *values in rows), right=names[2:])


def _print_left_out(left_out: pl.DataFrame) -> None:
    if left_out.is_empty():
        return
    say("circuits left out")
    rows = left_out.group_by("reason", maintain_order=True).agg("circuit_id").iter_rows()
    named = ((reason, len(circuits), ", ".join(circuits)) for reason, circuits in rows)
    print_table(("why", "circuits", "which"), named, right=("circuits",))
    say("")


def _print_past(past: pl.DataFrame) -> None:
    if past.is_empty():
        return
    say("past changes of a minimum run: starts a day that it brought about, as logged and as replayed")
    right = ("from min", "to min", "logged", "replayed", "error")

    def shown(value: float | None) -> str:
        return "" if value is None else f"{value:+.2f}"

    rows = (
        (
            p["circuit_id"], str(p["changed_on"]), p["before_s"] / 60, p["after_s"] / 60,
            shown(p["starts_effect"]), shown(p["replayed_starts"]), shown(p["starts_error"]), p["reason"],
        )
        for p in past.iter_rows(named=True)
    )  # fmt: skip
    print_table(("circuit", "on", *right, "not judged because"), rows, right=right)
    say("")
