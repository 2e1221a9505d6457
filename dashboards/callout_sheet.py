"""The callout sheet: what both its page and its PDF say, worked out once from frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.evidence import evidence_address
from coilbook.dashboards.shapes import strip_words
from coilbook.dashboards.tables import Table, heads

STAGES = {
    "desk": "Before you leave",
    "outside": "On site, nothing opened",
    "inside": "Inside, dead and locked off: licensed people only",
    "after": "Covers on, sources back",
}
MOST_LINES = 3
"""Newest findings told on the sheet, that of the case itself included."""


@dataclass(frozen=True)
class CheckSeen:
    """One check as a line: `why` names the cases that ask for it."""

    number: int
    text: str
    why: str


@dataclass(frozen=True)
class EvidenceLine:
    """One line of evidence; `address` is where a page shows what `lead` names."""

    text: str
    lead: str = ""
    address: str = ""

    @property
    def said(self) -> str:
        """The line as paper has it."""
        return f"{self.lead}: {self.text}" if self.lead else self.text


@dataclass(frozen=True)
class CaseSeen:
    """One case on the sheet with its evidence in short lines; `title` is its `name` and its subject."""

    case: Mapping[str, Any]
    title: str
    name: str
    evidence: list[EvidenceLine]


@dataclass(frozen=True)
class Sheet:
    """All that the sheet says. `printed_on`: the day the sheet is for [local date]; `horizon` naive UTC."""

    card: Mapping[str, Any]
    cases: list[CaseSeen]
    stages: list[tuple[str, list[CheckSeen]]]
    parts: Table
    fitted: Table
    kit: Sequence[str]
    printed_on: date
    horizon: datetime | None

    @property
    def title(self) -> str:
        """The site's name, or its id."""
        return str(self.card["name"] or self.card["site_id"])


def callout_sheet(
    card: Mapping[str, Any],
    cases: pl.DataFrame,
    findings: pl.DataFrame,
    circuits: pl.DataFrame,
    service_log: pl.DataFrame,
    checks: pl.DataFrame,
    parts: pl.DataFrame,
    kit: Sequence[str],
    *,
    printed_on: date,
    horizon: datetime | None,
) -> Sheet:
    """The sheet from frames as the queries of `analytics.queries` and `analytics.callout` return them."""
    stages: dict[str, list[CheckSeen]] = {}
    for row in checks.iter_rows(named=True):
        seen = CheckSeen(row["number"], row["text"], _why(row["rules"], row["subjects"], cases))
        stages.setdefault(row["stage"], []).append(seen)
    rest = circuits.join(parts.select("circuit_id"), on="circuit_id", how="anti", maintain_order="left")
    return Sheet(
        card=card,
        cases=[
            CaseSeen(case, _title(case), _name(case), _evidence(case, findings, circuits, service_log))
            for case in cases.iter_rows(named=True)
        ],
        stages=[(words.plain(stage, STAGES), seen) for stage, seen in stages.items()],
        parts=parts_table(parts, "Contactors to bring"),
        fitted=parts_table(rest, "Other contactors fitted here"),
        kit=kit,
        printed_on=printed_on,
        horizon=horizon,
    )


def parts_table(circuits: pl.DataFrame, caption: str) -> Table:
    """Contactors by what one is chosen by: poles, current, coil voltage."""
    rows = [
        [
            row["circuit_id"],
            words.plain(row["appliance"], words.APPLIANCE),
            row["contactor"] or "not in the registry, read the label",
            words.number(row["poles"]),
            words.with_unit(row["load_a"], "A"),
            words.with_unit(row["coil_v"], "V"),
        ]
        for row in circuits.iter_rows(named=True)
    ]
    names = heads("Circuit", "Appliance", "Contactor", "#Poles", "#Contact current", "#Coil")
    return Table(caption, names, rows)


def _title(case: Mapping[str, Any]) -> str:
    return f"{_name(case)} {case['subject']}"


def _name(case: Mapping[str, Any]) -> str:
    appliance = f"{words.plain(case['appliance'], words.APPLIANCE)}, " if case["appliance"] else ""
    return f"{words.plain(case['rule'], words.RULE)}: {appliance}{case['subject_kind']}"


def _why(rules: list[str], subjects: list[str], cases: pl.DataFrame) -> str:
    """For whom the check is: the subjects, unless every case asks for it."""
    if set(subjects) == set(cases["subject"]) or not subjects:
        return ""
    return ", ".join(subjects)


def _evidence(
    case: Mapping[str, Any], findings: pl.DataFrame, circuits: pl.DataFrame, service_log: pl.DataFrame
) -> list[EvidenceLine]:
    mine = findings.filter(
        (pl.col("rule") == case["rule"])
        & (pl.col("subject") == case["subject"])
        & pl.col("explained_by").is_null()
    )
    strip = strip_words(case["strip"], case["last_day"]).partition(";")[0] if case["strip"] else ""
    newest = _address(case, case["last_finding_on"])
    on = words.day(case["last_finding_on"])
    said = f"{on}; {words.lower_first(strip)}." if strip else f"{on}."
    lines = [EvidenceLine(said, "Newest finding", newest)]
    for row in mine.head(MOST_LINES).iter_rows(named=True):
        if row["sentence"] and row["sentence"] != case["sentence"]:
            on = row["local_date"]
            lines.append(EvidenceLine(row["sentence"], words.day(on), _address(case, on)))
    lines += _explained(case, findings, circuits)
    lines += _worn(circuits.filter(pl.col("circuit_id") == case["subject"]))
    work = service_log.filter(pl.col("circuit_id") == case["subject"]).head(1)
    for row in work.iter_rows(named=True):
        said = f" ({row['note']})" if row["note"] else ""
        done = f"{words.day(row['date'])}, {words.plain(row['action'], words.ACTION)}{said}."
        lines.append(EvidenceLine(done, "Last work"))
    if case["note"]:
        lines.append(EvidenceLine(case["note"], f"Note by {case['note_by']}"))
    return lines


def _address(case: Mapping[str, Any], on: date) -> str:
    return evidence_address(case["site_id"], case["rule"], case["subject"], on)


def _explained(case: Mapping[str, Any], findings: pl.DataFrame, circuits: pl.DataFrame) -> list[EvidenceLine]:
    """What else the case explains, a line a rule: on which circuits, on how many days."""
    of = {"circuit": "circuit_id", "controller": "controller_id"}.get(case["subject_kind"])
    here = circuits if of is None else circuits.filter(pl.col(of) == case["subject"])
    summed = (
        findings.filter(
            (pl.col("explained_by") == case["rule"]) & pl.col("subject").is_in(here["circuit_id"].implode())
        )
        .group_by("rule")
        .agg(pl.col("subject").unique().sort(), pl.col("local_date").n_unique().alias("days"))
        .sort("rule")
    )
    return [
        EvidenceLine(
            f"{words.plain(rule, words.RULE)}, {', '.join(subjects)}, on {words.count(days, 'day', 'days')} "
            "of these.",
            "Explains",
        )
        for rule, subjects, days in summed.iter_rows()
    ]


def _worn(circuit: pl.DataFrame) -> list[EvidenceLine]:
    """How far the contactor of the case has come."""
    if circuit.is_empty() or circuit["ops"][0] is None:
        return []
    row = circuit.row(0, named=True)
    used = "rated life not known" if row["used"] is None else f"{_share(row['used'])} of rated life"
    fitted = f", fitted {words.day(row['fitted_on'])}" if row["fitted_on"] else ""
    return [EvidenceLine(f"{words.number(row['ops'])} operations, {used}{fitted}.", "Contactor")]


def _share(used: float) -> str:
    """A part of the rated life [1]; what rounds to nothing is more than nothing."""
    return f"under 1{words.THIN}%" if 0 < used < 0.005 else words.percent(used)
