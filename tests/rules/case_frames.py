"""Turns a case of `fixtures/cases/*.toml` into the frames that a rule reads.

A case gives only what matters: rows of fact tables with the columns that differ from a quiet day. Times
of day are wall times at the site; "HH:MM" and "HH:MM:SS" are on the row's own date, "next HH:MM" on the day
after.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import polars as pl
from coilbook.analytics.rule_frames import weekdays
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.analytics.rules.shape import (
    CIRCUITS,
    FACTS,
    SITE_DAYS,
    TARIFF_HOURS,
    WINDOWS,
    Frames,
    table_schema,
)
from coilbook.analytics.site_days import site_days
from coilbook.ingest.local_time import instant, midnight

FOLDER = Path(__file__).parents[2] / "fixtures" / "cases"
SITE: dict[str, Any] = {
    "site_id": "s1",
    "timezone": "America/Denver",
    "area": "north",
    "tariff_id": "t1",
    "import_min": 0.2,
    "import_max": 0.4,
    "export_min": 0.05,
    "export_max": 0.05,
    "currency": "EUR",
    "placed": True,
}
CIRCUIT: dict[str, Any] = {
    "site_id": "s1",
    "circuit_id": "c1",
    "controller_id": "k1",
    "appliance": "pool_pump",
    "rated_w": 1500.0,
    "poles": 2,
    "contactor": "2-pole 40 A",
    "coil_v": 240.0,
    "min_run_s": 1800.0,
    "min_rest_s": 600.0,
}
EARLY = datetime.fromisoformat("2026-01-01T00:00")  # naive UTC, as all instants inside
OWN = {"controller_day": {"controller_id": "k1"}, "coverage": {}}


@dataclass(frozen=True)
class Case:
    """One case: the file's common part, its own tables, and whether it must fire."""

    rule: str
    name: str
    fires: bool
    common: dict[str, Any]
    own: dict[str, Any]

    @property
    def day(self) -> date:
        day = self.own.get("day", self.common["day"])
        assert isinstance(day, date)
        return day

    @property
    def expect(self) -> dict[str, Any]:
        found: dict[str, Any] = self.own.get("expect", {})
        return found


def read_cases() -> Iterator[Case]:
    """Every case of every file, in order."""
    for path in sorted(FOLDER.glob("*.toml")):
        common = tomllib.loads(path.read_text("utf-8"))
        for kind in ("fires", "stays_quiet"):
            for own in common.get(kind, []):
                yield Case(path.stem, own["name"], kind == "fires", common, own)


def settings_of(case: Case) -> RuleSettings:
    """Default settings with the case's own thresholds."""
    settings = RuleSettings()
    changed = replace(settings.rules[case.rule], **case.own.get("settings", {}))
    return RuleSettings(settings.cases, {**settings.rules, case.rule: changed})


def frames_of(case: Case) -> Frames:
    """The frames of a case: one site unless it names more, wholly covered unless it says otherwise."""
    zone = str(_site(case)["timezone"])
    horizon = _moment(case.own.get("horizon", "next 00:00"), case.day, zone)
    circuits = [_circuit(case, row) for row in case.own.get("circuits", [{}])]
    sites = {str(row["site_id"]): _site(case) | {"site_id": row["site_id"]} for row in circuits}
    facts = {table: _rows(case, table, zone) for table in FACTS}
    if facts["coverage"].is_empty() and "coverage" not in case.own:
        facts["coverage"] = _full_coverage(sites, case.day, zone)
    sites_frame = _frame([{**row, "local_date": case.day} for row in sites.values()], SITE_DAYS)
    first = _moment(case.own.get("first_row", EARLY), case.day, zone)
    first_rows = pl.DataFrame(
        {
            "site_id": list(sites),
            "first_ts": [first] * len(sites),
            "power_from": [None if case.own.get("no_power_log") else first.date()] * len(sites),
        },
        schema={"site_id": pl.String, "first_ts": pl.Datetime("us"), "power_from": pl.Date},
    )
    return Frames(
        horizon=horizon,
        first=case.day,
        last=case.day,
        site_days=site_days(
            sites_frame.select("site_id", "local_date", *[n for n in SITE if n != "site_id"]),
            facts["coverage"],
            first_rows,
            horizon,
            settings_of(case).rules["silent"],
        ),
        circuits=_frame(circuits, CIRCUITS),
        windows=_frame([_hours(case, row) for row in case.own.get("windows", [])], WINDOWS),
        tariff_hours=_frame([_hours(case, row) for row in case.own.get("tariff_hours", [])], TARIFF_HOURS),
        **facts,
    )


def _site(case: Case) -> dict[str, Any]:
    return SITE | case.common.get("site", {}) | case.own.get("site", {})


def _circuit(case: Case, row: dict[str, Any]) -> dict[str, Any]:
    full = CIRCUIT | _site(case) | {"local_date": case.day} | case.common.get("circuit", {}) | row
    return {name: None if value != value else value for name, value in full.items()}  # nan stands for empty


def _hours(case: Case, row: dict[str, Any]) -> dict[str, Any]:
    start, end = (int(row[n][:2]) * 60 + int(row[n][3:]) for n in ("start", "end"))
    base = {"site_id": "s1", "circuit_id": "c1", "tariff_id": "t1", "local_date": case.day} | row
    return base | {
        "days": weekdays(row.get("days")),
        "start_min": start,
        "end_min": end if end > start else end + 1440,
    }


def _rows(case: Case, table: str, zone: str) -> pl.DataFrame:
    schema = table_schema(table)
    ids = {"site_id": "s1"} | OWN.get(table, {"circuit_id": "c1"})
    rows = []
    for given in case.own.get(table, []):
        row = ids | {"local_date": case.day} | given
        for name, type_ in schema.items():
            if type_ == pl.Datetime("us") and row.get(name) is not None:
                row[name] = _moment(row[name], row["local_date"], zone)
            elif type_ == pl.Int64 and name not in row:
                row[name] = 0
        if table == "run" and row.get("end") is not None:
            row.setdefault("duration_s", (row["end"] - row["start"]).total_seconds())
        rows.append(row)
    return _frame(rows, schema)


def _full_coverage(sites: dict[str, Any], day: date, zone: str) -> pl.DataFrame:
    start, end = midnight(zone, day), midnight(zone, day + timedelta(days=1))
    length = (end - start).total_seconds()
    rows = [
        {
            "site_id": site,
            "local_date": day,
            "day_s": length,
            "samples": int(length // 60),
            "covered_s": length,
            "longest_gap_s": 0.0,
            "first_ts": start,
            "last_ts": end - timedelta(minutes=1),
        }
        for site in sites
    ]
    return _frame(rows, table_schema("coverage"))


def _frame(rows: list[dict[str, Any]], schema: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def _moment(value: Any, day: date, zone: str) -> datetime:
    if isinstance(value, datetime):
        return value.replace(tzinfo=None)
    text = str(value)
    if text.startswith("next "):
        text, day = text[5:], day + timedelta(days=1)
    return instant(zone, day, time.fromisoformat(text))
