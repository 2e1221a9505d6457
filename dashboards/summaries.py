"""What each chart shows, as a table or a sentence beside it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.local_wall import wall
from coilbook.dashboards.tables import Table, heads

MOST_RUNS = 60
FAR_YEARS = 20


def power_sentence(power: pl.DataFrame, holes: pl.DataFrame, islands: pl.DataFrame) -> str:
    """Peaks of PV, house and surplus [kW], and how long the log has holes or the home was islanded."""
    if power.is_empty():
        return "The power log holds nothing in this range."
    peaks = [
        f"{name} {words.number(top / 1000, 1)}{words.THIN}kW"
        for name, top in (
            ("PV", _top(power, "pv_max_w")),
            ("house", _top(power, "house_max_w")),
            ("surplus", _top(power, "surplus_max_w")),
        )
        if top is not None
    ]
    said = f"Greatest samples: {', '.join(peaks)}."
    for stretches, what in ((holes, "The power log has holes of"), (islands, "The home was islanded for")):
        if stretches.height:
            total = stretches.select((pl.col("stop") - pl.col("start")).sum().dt.total_seconds()).item()
            said += (
                f" {what} {words.duration(total)} in {words.count(stretches.height, 'stretch', 'stretches')}."
            )
    return said


def _top(power: pl.DataFrame, column: str) -> float | None:
    top = power[column].max()
    return float(top) if isinstance(top, int | float) else None


def runs_table(runs: pl.DataFrame, zone: str) -> Table:
    """The newest runs of the range, `MOST_RUNS` at most."""
    newest = runs.sort("start", "circuit_id", descending=[True, False]).head(MOST_RUNS)
    rows = [
        [
            run["circuit_id"],
            words.moment(run["start"]),
            "still on" if run["open"] else words.moment(run["stop"]),
            words.number(run["runs"]),
            words.duration(run["on_s"]),
            words.plain(run["cause_on"] or "unknown", words.CAUSE),
            "" if run["open"] else words.plain(run["cause_off"] or "unknown", words.CAUSE),
        ]
        for run in newest.with_columns(wall("start", zone), wall("stop", zone)).iter_rows(named=True)
    ]
    left = runs.height - newest.height
    return Table(
        f"Runs in this range, newest first, local time {zone}",
        heads("=Circuit", "=From", "=To", "#Runs", "#On for", "Begun by", "Ended by"),
        rows,
        f"{words.count(left, 'older row', 'older rows')} not shown; choose a shorter range." if left else "",
    )


def windows_table(record: pl.DataFrame) -> Table:
    """For each window: days, and how many of each verdict."""
    counted = record.group_by("circuit_id", "kind", "window_id", "verdict").len()
    rows = []
    for (circuit, kind, window), part in sorted(counted.group_by("circuit_id", "kind", "window_id")):
        by_verdict = dict(
            part.sort("len", "verdict", descending=[True, False]).select("verdict", "len").iter_rows()
        )
        good = by_verdict.pop("met" if kind == "run" else "kept", 0)
        other = ", ".join(f"{words.plain(v, words.VERDICT)} {n}" for v, n in by_verdict.items())
        rows.append(
            [
                str(circuit),
                f"{words.plain(str(kind), words.KIND)} {window}",
                words.number(good + sum(by_verdict.values())),
                words.number(good),
                other or "none",
            ]
        )
    return Table(
        "Verdicts by window", heads("Circuit", "Window", "#Days", "#Met or kept clear", "Other days"), rows
    )


def starts_table(days: pl.DataFrame) -> Table:
    """For each circuit: starts, their mean a day, the busiest hour against its limit. Rows as charted."""
    summed = days.group_by("circuit", maintain_order=True).agg(
        pl.len().alias("days"),
        pl.col("starts").sum(),
        pl.col("starts").mean().alias("mean"),
        pl.col("starts").max().alias("most"),
        pl.col("max_starts_1h").max().alias("hour"),
        pl.col("limit").first(),
        pl.col("beyond").sum(),
    )
    rows = [
        [
            row["circuit"],
            words.number(row["days"]),
            words.number(row["starts"]),
            words.number(row["mean"], 1),
            words.number(row["most"]),
            words.number(row["hour"]),
            words.with_unit(row["limit"], ""),
            words.number(row["beyond"]),
        ]
        for row in summed.iter_rows(named=True)
    ]
    names = heads(
        "Circuit", "#Days", "#Starts", "#Mean a day", "#Most in a day", "#Most in an hour", "#Limit an hour",
        "#Days beyond it",
    )  # fmt: skip
    return Table("Starts by circuit", names, rows)


def run_lengths_table(runs: pl.DataFrame) -> Table:
    """For each circuit: finished runs, their median, and the share under the least run time of their day."""
    done = runs.filter(~pl.col("open"))
    short = (pl.col("duration_s") < pl.col("min_run_s")).alias("short")
    summed = (
        done.with_columns(short)
        .group_by("circuit_id", maintain_order=True)
        .agg(
            pl.len().alias("runs"),
            pl.col("duration_s").median().alias("median"),
            pl.col("duration_s").min().alias("shortest"),
            pl.col("duration_s").max().alias("longest"),
            pl.col("min_run_s").last(),
            pl.col("short").sum().alias("under"),
        )
    )
    rows = [
        [
            row["circuit_id"],
            words.number(row["runs"]),
            words.duration(row["median"]),
            words.duration(row["shortest"]),
            words.duration(row["longest"]),
            words.duration(row["min_run_s"]),
            words.number(row["under"]),
        ]
        for row in summed.iter_rows(named=True)
    ]
    names = heads("Circuit", "#Runs", "#Median", "#Shortest", "#Longest", "#Least run time", "#Runs under it")
    return Table("Run lengths by circuit, runs ended by hand or shed included", names, rows)


def wear_table(wear: pl.DataFrame) -> Table:
    """Operations, rate, life used, and the dates of 80 % and 100 %; `wear`: each circuit's newest day."""
    rows = [
        [
            row["circuit_id"],
            words.number(row["ops"]),
            words.number(row["ops_per_day"], 1),
            "not known" if row["used"] is None else words.percent(row["used"], 1),
            used_up(row, 80, row["local_date"]),
            used_up(row, 100, row["local_date"]),
        ]
        for row in wear.iter_rows(named=True)
    ]
    names = heads("Circuit", "#Operations", "#A day", "#Rated life used", "80 % used", "100 % used")
    return Table("Contactors, newest day; dates with their 90 % interval", names, rows)


def used_up(row: Mapping[str, Any], level: int, today: date) -> str:
    """When a contactor has used `level` % of its rated life, with the 90 % interval of that date.

    `row`: `used` [1] and `date_80`, `date_80_early`, … as in the wear fact. Dates further off than
    `FAR_YEARS` from `today` are not told: nobody knows what a house will do then.
    """
    used, expected = row["used"], row[f"date_{level}"]
    if isinstance(used, float) and used >= level / 100:
        return "passed"
    if expected is None:
        return "not known" if used is None else "not in sight"
    far = today + timedelta(days=365 * FAR_YEARS)
    if expected > far:
        return f"over {FAR_YEARS} years off"
    early, late = row[f"date_{level}_early"], row[f"date_{level}_late"]
    until = "later" if late is None or late > far else words.day(late)
    return f"{words.day(expected)} ({words.day(early)} to {until})"
