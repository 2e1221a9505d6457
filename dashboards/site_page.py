"""The page of one site, for whoever goes there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl
from coilbook.dashboards import palette, site_tables, summaries, words
from coilbook.dashboards.acts import Panel
from coilbook.dashboards.charts import room
from coilbook.dashboards.charts.starts_per_day import starts_per_day_data
from coilbook.dashboards.evidence import Evidence
from coilbook.dashboards.ranges import Range
from coilbook.dashboards.render import render


@dataclass(frozen=True)
class SiteRecord:
    """What the page is told: frames as the queries of `analytics.queries` return them.

    `card` is the `SiteCard`'s fields; `starts`, `windows`, `runs` and `wear` cover `first` to `last`; the
    timeline's `shown_runs, power, holes, islands` cover the range.
    """

    card: Mapping[str, Any]
    cases: pl.DataFrame
    findings: pl.DataFrame
    circuits: pl.DataFrame
    schedule: pl.DataFrame
    settings_history: pl.DataFrame
    past: pl.DataFrame
    service_log: pl.DataFrame
    windows: pl.DataFrame
    starts: pl.DataFrame
    runs: pl.DataFrame
    wear: pl.DataFrame
    shown_runs: pl.DataFrame
    power: pl.DataFrame
    holes: pl.DataFrame
    islands: pl.DataFrame
    first: date | None
    last: date | None
    limits: Mapping[str, float]


def site_page(
    record: SiteRecord,
    shown: Range,
    record_days: int,
    charts: Mapping[str, str],
    *,
    opened: Panel | None = None,
    done: Panel | None = None,
    people: Sequence[str] = (),
    evidence: Evidence | None = None,
) -> str:
    """The page as HTML; `charts` maps windows, starts, lengths and wear to the addresses of their specs.

    `opened` are the forms of the case that `opened.case_id` names, `done` those of the one just acted on.
    `evidence` is what the range was chosen for, where a finding was asked for.
    """
    zone = str(record.card["timezone"])
    starts = starts_per_day_data(record.starts, record.circuits, record.limits)
    return render(
        "site.html",
        card=record.card,
        cases=list(record.cases.iter_rows(named=True)),
        loose=site_tables.loose_findings(record.findings, record.cases, str(record.card["site_id"])),
        opened=opened,
        done=done,
        people=people,
        evidence=evidence,
        range=shown,
        record_days=record_days,
        record_first=record.first,
        record_last=record.last,
        charts=charts,
        verdict_key=_verdict_key(record.windows),
        power_said=summaries.power_sentence(record.power, record.holes, record.islands),
        runs=summaries.runs_table(record.shown_runs, zone),
        windows=summaries.windows_table(record.windows),
        starts=summaries.starts_table(starts),
        lengths=summaries.run_lengths_table(record.runs),
        wear=summaries.wear_table(record.wear),
        wear_known=record.wear["used"].is_not_null().any(),
        circuits=site_tables.fitted(record.circuits),
        settings_now=site_tables.settings_now(record.circuits),
        schedule=site_tables.schedule(record.schedule),
        settings_history=site_tables.settings_history(record.settings_history),
        past=site_tables.past_cases(record.past, str(record.card["site_id"])),
        service_log=site_tables.service_log(record.service_log),
        rooms=_rooms(record),
    )


def _rooms(record: SiteRecord) -> dict[str, room.Room]:
    """Room for each chart."""
    mondays = record.windows["local_date"].dt.truncate("1w")
    return {
        "timeline": room.timeline(record.circuits.height),
        "windows": room.windows(record.windows.select("circuit_id", "kind").n_unique(), mondays.n_unique()),
        "starts": room.starts(record.starts["circuit_id"].n_unique()),
        "lengths": room.lengths(record.runs.filter(~pl.col("open"))["circuit_id"].n_unique()),
        "wear": room.wear(record.wear.drop_nulls("used")["circuit_id"].n_unique()),
    }


def _verdict_key(windows: pl.DataFrame) -> list[tuple[str, str]]:
    """The verdicts that occur, in the palette's order; those of one colour share a swatch."""
    here = set(windows["verdict"])
    shared: dict[str, list[str]] = {}
    for verdict in palette.VERDICT:
        if verdict in here:
            shared.setdefault(palette.VERDICT[verdict], []).append(verdict)
    return [
        (verdicts[0], ", ".join(words.plain(verdict, words.VERDICT) for verdict in verdicts))
        for verdicts in shared.values()
    ]
