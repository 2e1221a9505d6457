"""The page on the minimum run: what was asked, what came of it, and how much to believe it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

import polars as pl
from coilbook.dashboards import min_run_tables, words
from coilbook.dashboards.charts import room
from coilbook.dashboards.charts.look import AnyChart
from coilbook.dashboards.charts.min_run_cost import cost_chart, cost_data, series_key
from coilbook.dashboards.charts.min_run_energy import energy_chart, energy_data
from coilbook.dashboards.charts.min_run_lengths import lengths_chart, lengths_data
from coilbook.dashboards.charts.min_run_sites import sites_chart, sites_data
from coilbook.dashboards.min_run_words import (
    asked_table,
    compared_table,
    part_key,
    past_sentence,
    said_alone,
    shape_of,
    summary_table,
)
from coilbook.dashboards.render import render
from coilbook.dashboards.tables import Table

CHARTS = ("cost", "energy", "sites", "lengths")
REFRESH_S = 3
Frames = Mapping[str, pl.DataFrame]


@dataclass(frozen=True)
class Running:
    """A tuning at work."""

    number: int
    title: str
    sites_done: int
    sites: int


@dataclass(frozen=True)
class Seen:
    """What the page is told.

    `kept`: tunings on record, newest first, as mappings of the columns of `tune_run`. `shown`, `earlier`: one
    of them with its `frames`, as a tuning gives them. `classes`: `appliance, circuits, sites`; `fields` are
    the form's values as text (`appliances`, `areas` several); `fault` says why a form was not taken.
    """

    classes: pl.DataFrame
    areas: Sequence[str]
    kept: Sequence[Mapping[str, Any]]
    fields: Mapping[str, Any]
    placeholders: Mapping[str, str]
    running: Running | None = None
    shown: Mapping[str, Any] | None = None
    earlier: Mapping[str, Any] | None = None
    fault: str = ""


@dataclass(frozen=True)
class Part:
    """One class of a result: `one` is its recommendation; `specs` the addresses of its charts."""

    one: dict[str, Any]
    key: str
    query: str
    said: str
    series: list[tuple[str, str]]
    cost: Table
    parts: Table
    worse: Table
    better: Table
    lengths: Table
    halves: Table
    areas: Table
    compared: Table | None
    past_said: str
    rooms: Mapping[str, room.Room]
    svgs: Mapping[str, str] = field(default_factory=dict)


def min_run_page(seen: Seen) -> str:
    """The page as HTML."""
    shown = seen.shown
    result = shown is not None and shown["state"] == "done"
    return render(
        "min_run.html",
        seen=seen,
        shown=shown,
        earlier=seen.earlier,
        refresh=REFRESH_S if seen.running is not None else 0,
        shows_result=result,
        parts=class_parts(shown, seen.earlier) if shown is not None and result else [],
        summary=summary_table(shown["frames"]["recommendations"]) if result and shown else None,
        whole=whole_tables(shown) if shown is not None and result else {},
        classes=list(seen.classes.iter_rows(named=True)),
        kept=[_kept(one) for one in seen.kept],
        shape=shape_of,
    )


def class_parts(
    shown: Mapping[str, Any], earlier: Mapping[str, Any] | None = None, links: bool = True
) -> list[Part]:
    """Each class of a result, ready for a template."""
    frames: Frames = shown["frames"]
    made = []
    beside = {} if earlier is None else {"with": earlier["tune_run_id"]}
    for place, one in enumerate(frames["recommendations"].iter_rows(named=True)):
        mine = of_class(frames, one["appliance"], one["currency"])
        chosen = one["candidate"]
        tables = min_run_tables
        lengths = lengths_data(mine["run_lengths"], chosen)
        made.append(
            Part(
                one=one,
                key=part_key(place),
                query=urlencode({"appliance": one["appliance"], "currency": one["currency"], **beside}),
                said=said_alone(one["sentence"]),
                series=series_key(cost_data(mine["curves"], chosen)),
                cost=tables.cost_table(mine["curves"], one),
                parts=tables.parts_table(mine["curves"], one),
                worse=tables.sites_table(mine["sites"], one["currency"], worse=True, links=links),
                better=tables.sites_table(mine["sites"], one["currency"], worse=False, links=links),
                lengths=tables.lengths_table(lengths),
                halves=tables.scores_table(mine["held_out"], "Weeks held out", one["currency"]),
                areas=tables.scores_table(mine["areas"], "Areas held out", one["currency"]),
                compared=compared_table(one, earlier, shown["request"]) if earlier is not None else None,
                past_said=past_sentence(frames["past_changes"], one["appliance"]),
                rooms={
                    "cost": room.MIN_RUN_COST,
                    "energy": room.MIN_RUN_ENERGY,
                    "sites": room.MIN_RUN_SITES,
                    "lengths": room.min_run_lengths(lengths["whose"].n_unique()),
                },
            )
        )
    return made


def whole_tables(shown: Mapping[str, Any]) -> dict[str, Any]:
    """What a result says of all its classes together."""
    frames: Frames = shown["frames"]
    return {
        "asked": asked_table(shown),
        "past": min_run_tables.past_table(frames["past_changes"]),
        "left_out": min_run_tables.left_out_table(frames["left_out"]),
        "assumptions": frames["assumptions"]["text"].to_list(),
        "rows": frames["registry"].height,
    }


def of_class(frames: Frames, appliance: str, currency: str) -> dict[str, pl.DataFrame]:
    """The frames of a result that go by class, cut to one."""
    wanted = (pl.col("appliance") == appliance, pl.col("currency") == currency)
    names = ("recommendations", "curves", "run_lengths", "sites", "held_out", "areas", "circuits")
    return {name: frames[name].filter(*wanted) for name in names}


def drawn(
    name: str, frames: Frames, appliance: str, currency: str, earlier: Frames | None = None
) -> tuple[pl.DataFrame, AnyChart] | None:
    """One of `CHARTS` for one class: its rows and its drawing; None where there is nothing to draw."""
    mine = of_class(frames, appliance, currency)
    if mine["recommendations"].is_empty():
        return None
    one = mine["recommendations"].row(0, named=True)
    chosen = one["candidate"]
    if name == "cost":
        older = of_class(earlier, appliance, currency)["curves"] if earlier is not None else None
        rows = cost_data(mine["curves"], chosen, older)
        return rows, cost_chart(rows, currency)
    if name == "energy":
        rows = energy_data(mine["curves"], chosen)
        return rows, energy_chart(rows)
    if name == "sites":
        rows = sites_data(mine["sites"])
        return rows, sites_chart(rows, currency)
    if name == "lengths":
        rows = lengths_data(mine["run_lengths"], chosen)
        least = mine["curves"].filter(pl.col("candidate") == pl.lit(chosen, pl.Int64))["min_run_s"]
        return rows, lengths_chart(rows, least[0] if least.len() else None)
    return None


def _kept(one: Mapping[str, Any]) -> dict[str, Any]:
    made_at: datetime = one["made_at"]
    return {**one, "made": words.moment(made_at), "took": words.duration(one["duration_s"])}
