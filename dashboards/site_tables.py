"""Tables of a site's page that no chart stands behind."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.evidence import evidence_address
from coilbook.dashboards.tables import Table, heads
from markupsafe import Markup


def fitted(circuits: pl.DataFrame) -> Table:
    """What is fitted at each circuit: what to bring if it has to be changed."""
    rows = [
        [
            row["circuit_id"],
            words.plain(row["appliance"], words.APPLIANCE),
            row["contactor"] or words.DASH,
            words.number(row["poles"]),
            words.with_unit(row["coil_v"], "V"),
            words.with_unit(row["load_a"], "A"),
            words.with_unit(row["voltage_v"], "V"),
            words.with_unit(row["rated_w"], "W"),
            words.day(row["fitted_on"]),
            row["controller_id"] or words.DASH,
        ]
        for row in circuits.iter_rows(named=True)
    ]
    names = heads(
        "Circuit", "Appliance", "Contactor", "#Poles", "#Coil", "#Contact current", "#Voltage",
        "#Rated power", "=Fitted", "=Controller",
    )  # fmt: skip
    return Table("What is fitted, and what to bring in its place", names, rows)


def settings_now(circuits: pl.DataFrame) -> Table:
    """Settings in force on the newest day."""
    rows = [
        [
            row["circuit_id"],
            words.duration(row["min_run_s"]),
            words.duration(row["min_rest_s"]),
            words.with_unit(row["surplus_on_w"], "W"),
            words.with_unit(row["surplus_off_w"], "W"),
            words.DASH if row["shed_when_islanded"] is None else "yes" if row["shed_when_islanded"] else "no",
            words.day(row["valid_from"]) if row["valid_from"] else "always",
        ]
        for row in circuits.iter_rows(named=True)
    ]
    names = heads(
        "Circuit", "#Least run", "#Least rest", "#On level", "#Off level", "Shed when islanded", "Since"
    )
    return Table("Settings in force", names, rows)


def schedule(windows: pl.DataFrame) -> Table:
    """Run and lockout windows with their validity."""
    rows = [
        [
            row["circuit_id"],
            f"{words.plain(row['kind'], words.KIND)} {row['window_id']}",
            (row["days"] or "").replace(",", ", "),
            f"{words.clock(row['start'])} to {words.clock(row['end'])}",
            "all of it" if row["need_minutes"] is None else words.duration(row["need_minutes"] * 60),
            words.day(row["valid_from"]) if row["valid_from"] else "always",
            words.day(row["valid_to"]) if row["valid_to"] else "still",
        ]
        for row in windows.iter_rows(named=True)
    ]
    names = heads("=Circuit", "=Window", "Days", "=Local time", "#Needed", "From", "Until")
    return Table("Run windows and lockouts", names, rows)


def settings_history(changes: pl.DataFrame) -> Table:
    """What changed, newest first."""
    rows = [
        [
            words.day(row["valid_from"]),
            row["circuit_id"],
            words.plain(row["setting"], words.SETTING),
            row["before"] or "not given",
            row["after"] or "not given",
        ]
        for row in changes.iter_rows(named=True)
    ]
    return Table(
        "Settings as they were changed", heads("=From", "=Circuit", "Setting", "Before", "After"), rows
    )


def past_cases(cases: pl.DataFrame, site_id: str) -> Table:
    """Cases cleared or withdrawn, newest first, with `outcome` and `closed_by` where somebody closed them."""
    rows = [
        [
            words.plain(row["rule"], words.RULE),
            row["subject"],
            words.plain(row["severity"], words.SEVERITY),
            _between(row["since"], row["last_finding_on"]),
            words.number(row["days"]),
            _ended(row["state"], row["cleared_on"]),
            f"{words.plain(row['outcome'], words.OUTCOME)}, {row['closed_by']}"
            if row["outcome"]
            else words.DASH,
            words.bound(row["sentence"] or ""),
            "" if row["state"] == "withdrawn" else _evidence_link(site_id, row, row["last_finding_on"]),
        ]
        for row in cases.iter_rows(named=True)
    ]
    names = heads(
        *(
            "Case",
            "=Subject",
            "Severity",
            "Findings",
            "#Days",
            "Ended",
            "On site",
            "~Last finding",
            "=Evidence",
        ),
    )
    return Table("Cases that cleared or were withdrawn, newest first", names, rows)


def service_log(work: pl.DataFrame) -> Table:
    """What was done here, newest first."""
    rows = [
        [
            words.day(row["date"]),
            row["circuit_id"],
            words.plain(row["action"], words.ACTION),
            row["note"] or "",
        ]
        for row in work.iter_rows(named=True)
    ]
    return Table("Work done", heads("=Local date", "=Circuit", "Work", "Note"), rows)


def loose_findings(findings: pl.DataFrame, cases: pl.DataFrame, site_id: str) -> Table:
    """Findings of no open case, with the measure and what it was held against.

    Those of a rule and subject without one, and those that another case explains.
    """
    standing = cases.select("rule", "subject", stands=True).unique()
    loose = findings.join(standing, on=["rule", "subject"], how="left", maintain_order="left").filter(
        pl.col("stands").is_null() | pl.col("explained_by").is_not_null()
    )
    rows = [
        [
            _evidence_link(site_id, row, row["local_date"]),
            words.plain(row["rule"], words.RULE),
            row["subject"],
            words.bound(row["sentence"] or ""),
            words.with_unit(row["measure"], row["unit"] or ""),
            words.with_unit(row["limit"], row["unit"] or ""),
            f"explained by: {words.plain(row['explained_by'], words.RULE)}" if row["explained_by"] else "",
        ]
        for row in loose.iter_rows(named=True)
    ]
    names = heads("=Local date", "Finding", "=Subject", "~In words", "#Measured", "#Limit", "Note")
    return Table("Findings that open no case", names, rows)


def _evidence_link(site_id: str, row: Mapping[str, Any], on: date) -> Markup:
    """The day as a link to what the timeline shows of a finding."""
    address = evidence_address(site_id, row["rule"], row["subject"], on)
    return Markup('<a href="{}">{}</a>').format(address, words.day(on))


def _between(first: date, last: date) -> str:
    """`2 Mar 2026`, or `2 Mar 2026 to 9 Mar 2026`."""
    return words.day(first) if first == last else f"{words.day(first)} to {words.day(last)}"


def _ended(state: str, cleared_on: object) -> str:
    if state == "withdrawn":
        return "withdrawn: a later log took its findings away"
    return f"cleared {words.day(cleared_on)}"  # type: ignore[arg-type]
