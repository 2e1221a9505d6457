"""The one shape of every rule: frames and settings in, findings out.

A rule is a file with a frozen `Settings` class, a pure function `judge` and a `Rule` called `RULE`. It reads
facts and registry rows as Polars frames, never the store, and never the wall clock: the fleet's horizon comes
as data. It returns rows of the `finding` and `not_judged` tables for the local days `first..last`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Generic, Literal, TypeVar

import polars as pl
from coilbook.ingest.schema import BY_NAME

Severity = Literal["danger", "service", "cost", "wear", "data"]
SubjectKind = Literal["circuit", "controller", "site"]
Scope = Literal["site", "fleet"]
Exposure = Literal["day", "start", "surplus_start", "window", "lockout"]
Reason = Literal[
    "coverage", "unclear", "settings", "life_figures", "place", "silent", "early", "peers", "away"
]
S = TypeVar("S")

TYPES: dict[str, Any] = {
    "VARCHAR": pl.String,
    "BIGINT": pl.Int64,
    "DOUBLE": pl.Float64,
    "BOOLEAN": pl.Boolean,
    "TIMESTAMP": pl.Datetime("us"),
    "DATE": pl.Date,
    "TIME": pl.Time,
    "DOUBLE[]": pl.List(pl.Float64),
}


def table_schema(table: str) -> dict[str, Any]:
    """Column names and Polars types of a table of the store."""
    return {column.name: TYPES[column.type] for column in BY_NAME[table].columns}


FACTS = (
    "coverage",
    "circuit_day",
    "controller_day",
    "run",
    "window_result",
    "lockout_result",
    "surplus_start",
    "day_state",
    "wear",
    "switch_check",
    "stay_on",
    "island",
    "island_run",
    "idle_surplus",
    "clock_start",
    "solar_clock",
    "house_rest",
)
PRICES: dict[str, Any] = {
    "import_min": pl.Float64,  # least and greatest price of the tariff on that date [currency/kWh]
    "import_max": pl.Float64,
    "export_min": pl.Float64,
    "export_max": pl.Float64,
    "currency": pl.String,
}
SITE: dict[str, Any] = {"timezone": pl.String, "area": pl.String, "tariff_id": pl.String}
SITE_DAYS: dict[str, Any] = {
    "site_id": pl.String,
    "local_date": pl.Date,
    **SITE,
    "placed": pl.Boolean,  # latitude and longitude are known
    **PRICES,
    "day_start": pl.Datetime("us"),
    "day_end": pl.Datetime("us"),
    "due_s": pl.Float64,  # the day's part between the site's first row and the fleet's horizon [s]
    "covered_s": pl.Float64,
    "covered_share": pl.Float64,  # covered_s / due_s, 0 to 1
    "rows": pl.Boolean,  # any log row of the site in the day
    "silent": pl.Boolean,  # too little was received: nothing but `silent` is judged
    "early": pl.Boolean,  # too little of the day has passed to call it silent
    "complete": pl.Boolean,  # the horizon has passed the day's end
}
REGISTRY_CIRCUIT = {
    n: t for n, t in table_schema("circuit").items() if n not in ("valid_from", "valid_to", "load_id")
}
CIRCUITS: dict[str, Any] = {**REGISTRY_CIRCUIT, "local_date": pl.Date, **SITE, **PRICES}
WINDOWS: dict[str, Any] = {
    "circuit_id": pl.String,
    "site_id": pl.String,
    "local_date": pl.Date,
    "kind": pl.String,
    "window_id": pl.String,
    "days": pl.Int32,  # weekdays as bits, 1 = Monday, 64 = Sunday
    "start_min": pl.Int32,  # minutes of the wall day; end_min is past 1440 where it runs past midnight
    "end_min": pl.Int32,
    "need_minutes": pl.Float64,
}
TARIFF_HOURS: dict[str, Any] = {
    "tariff_id": pl.String,
    "local_date": pl.Date,
    "days": pl.Int32,
    "start_min": pl.Int32,
    "end_min": pl.Int32,
    "import_per_kwh": pl.Float64,
}


def setting(
    default: Any, meaning: str, source: str, *, low: float | None = None, high: float | None = None
) -> Any:
    """A field of a settings class: default, meaning, source of the default and the range allowed."""
    return field(default=default, metadata={"meaning": meaning, "source": source, "low": low, "high": high})


def days_with_findings(default: int) -> Any:
    """The field `case_findings` of a settings class."""
    return setting(default, "days with a finding that open a case", "our choice", low=1, high=60)


def judged_days(default: int) -> Any:
    """The field `case_days` of a settings class."""
    return setting(default, "newest judged days among which they must fall", "our choice", low=1, high=60)


@dataclass(frozen=True)
class Frames:
    """What rules read. Facts have the columns of `ingest/schema.py`; the rest is described in this file.

    `site_days`, `circuits`, `windows` and `tariff_hours` cover the local days `first..last`; facts reach
    further back, by as many days as the rules in hand ask for. Instants are naive UTC.
    """

    horizon: datetime
    first: date
    last: date
    site_days: pl.DataFrame
    circuits: pl.DataFrame
    windows: pl.DataFrame
    tariff_hours: pl.DataFrame
    coverage: pl.DataFrame
    circuit_day: pl.DataFrame
    controller_day: pl.DataFrame
    run: pl.DataFrame
    window_result: pl.DataFrame
    lockout_result: pl.DataFrame
    surplus_start: pl.DataFrame
    day_state: pl.DataFrame
    wear: pl.DataFrame
    switch_check: pl.DataFrame
    stay_on: pl.DataFrame
    island: pl.DataFrame
    island_run: pl.DataFrame
    idle_surplus: pl.DataFrame
    clock_start: pl.DataFrame
    solar_clock: pl.DataFrame
    house_rest: pl.DataFrame

    def per_circuit(self, fact: pl.DataFrame) -> pl.DataFrame:
        """Rows of `fact` in the days judged, with that day's circuit, site and coverage columns."""
        seen = self.site_days.select("site_id", "local_date", "covered_share")
        return fact.join(self.circuits, on=["circuit_id", "site_id", "local_date"]).join(
            seen, on=["site_id", "local_date"]
        )

    def per_site(self, fact: pl.DataFrame) -> pl.DataFrame:
        """Rows of `fact` in the days judged, with the columns of their site-day."""
        return fact.join(self.site_days, on=["site_id", "local_date"])


@dataclass(frozen=True)
class Findings:
    """A rule's verdicts: rows of `finding`, and rows of `not_judged` where it lacked what it needs."""

    findings: pl.DataFrame
    not_judged: pl.DataFrame


@dataclass(frozen=True)
class Rule(Generic[S]):
    """One rule.

    `reads` names the facts it needs and how many local days before `first` each must reach back.
    `exposure` names what must have been there for a day without a finding to count as clean: any covered
    day, a start, a surplus start, a run window or a lockout.
    """

    name: str
    severity: Severity
    subject_kind: SubjectKind
    scope: Scope
    settings: type[S]
    reads: Mapping[str, int]
    judge: Callable[[Frames, S], Findings]
    exposure: Exposure = "day"

    @property
    def lookback_days(self) -> int:
        """Local days before a day that its verdict may depend on."""
        return max(self.reads.values(), default=0)

    def verdicts(self, raised: pl.DataFrame, *left_open: pl.DataFrame) -> Findings:
        """`Findings` from a frame of findings and frames made by `unjudged`.

        `raised` has subject, site_id, local_date and the columns of `finding` that the rule fills; the rest
        is filled here, severity too unless the frame brings it.
        """
        raised = raised.with_columns(rule=pl.lit(self.name), subject_kind=pl.lit(self.subject_kind))
        if "severity" not in raised.columns:
            raised = raised.with_columns(severity=pl.lit(self.severity))
        findings = _conform(raised, "finding")
        not_judged = pl.concat([_empty("not_judged"), *(_conform(part, "not_judged") for part in left_open)])
        return Findings(
            findings, not_judged.unique(["rule", "subject", "local_date"], keep="first", maintain_order=True)
        )

    def unjudged(self, frame: pl.DataFrame, reason: Reason) -> pl.DataFrame:
        """Rows of `not_judged` for the subjects and days of `frame` (subject, site_id, local_date)."""
        rows = frame.select("subject", "site_id", "local_date").unique(maintain_order=True)
        return rows.with_columns(
            rule=pl.lit(self.name), subject_kind=pl.lit(self.subject_kind), reason=pl.lit(reason)
        )


def _empty(table: str) -> pl.DataFrame:
    return pl.DataFrame(schema=table_schema(table))


def _conform(frame: pl.DataFrame, table: str) -> pl.DataFrame:
    columns = [
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(type_).alias(name)
        for name, type_ in table_schema(table).items()
    ]
    return frame.select(columns)
