"""The page of loads: the ledger, and what was held back."""

from __future__ import annotations

from typing import Any

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.render import render
from coilbook.dashboards.tables import Table, heads

PAGE_SIZE = 50
HELD_SIZE = 50
REASON = {
    "bad_time": "time cannot be read",
    "time_out_of_range": "time out of range",
    "bad_number": "not a number",
    "out_of_range": "number out of range",
    "bad_state": "state is neither on nor off",
    "missing_field": "a field is missing",
    "unknown_circuit": "circuit not in the registry",
    "unknown_site": "site not in the registry",
    "malformed_row": "row is malformed",
    "ambiguous_time": "local time occurs twice",
}
KIND = {
    "switch": "switch log",
    "power": "power log",
    "circuit_power": "circuit power log",
    "status": "status log",
    "service": "service log",
    "sites": "sites",
    "circuits": "circuits",
    "windows": "windows",
    "tariffs": "tariffs",
}
MOST_RAW = 160


def loads_page(
    totals: pl.DataFrame,
    ledger: pl.DataFrame,
    reasons: pl.DataFrame,
    held: pl.DataFrame,
    *,
    reason: str = "",
    load: int | None = None,
    page: int = 1,
) -> str:
    """The page as HTML; frames as `analytics.queries.loads` gives them, `ledger` being its page `page`."""
    total: dict[str, Any] = totals.row(0, named=True)
    choices = [(value, words.plain(value, REASON)) for value in reasons["reason"]]
    return render(
        "loads.html",
        total=total,
        ledger=ledger_table(ledger),
        reasons=reasons_table(reasons),
        reason_choices=choices,
        held=held_table(held),
        reason=reason,
        load=load,
        page=page,
        pages=max(1, -(-int(total["files"]) // PAGE_SIZE)),
    )


def ledger_table(ledger: pl.DataFrame) -> Table:
    """One row a load, newest first; a failed one says why."""
    rows = [
        [
            str(row["load_id"]),
            (row["path"] or "").rpartition("/")[2],
            words.plain(row["kind"], KIND),
            f"failed: {row['error']}" if row["outcome"] == "failed" else _notes(row),
            words.number(row["rows_read"]),
            words.number(row["accepted"]),
            words.number(row["duplicate"]),
            words.number(row["replaced"]),
            words.number(row["quarantined"]),
            f"{words.day(row['first_ts'])} to {words.day(row['last_ts'])}" if row["first_ts"] else "",
            words.moment(row["loaded_at"]),
            words.DASH if row["duration_s"] is None else f"{row['duration_s']:.1f}{words.THIN}s",
        ]
        for row in ledger.iter_rows(named=True)
    ]
    names = heads(
        "#Load", "File", "Kind", "Outcome", "#Read", "#New", "#Duplicate", "#Replaced", "#Held", "Span (UTC)",
        "Loaded (UTC)", "#Took",
    )  # fmt: skip
    return Table("Files loaded, newest first", names, rows)


def reasons_table(reasons: pl.DataFrame) -> Table:
    """What is held, by reason."""
    rows = [
        [words.plain(reason, REASON), words.number(count), words.number(files), example or ""]
        for reason, count, files, example in reasons.select("reason", "rows", "files", "example").iter_rows()
    ]
    return Table("Rows held back by reason", heads("Reason", "#Rows", "#Files", "~For example"), rows)


def held_table(held: pl.DataFrame) -> Table:
    """Rows held back, with file, line and raw text."""
    rows = [
        [
            str(row["load_id"]),
            (row["path"] or "").rpartition("/")[2],
            words.number(row["line"]),
            words.plain(row["reason"], REASON),
            row["detail"] or "",
            _cut(row["raw"] or ""),
        ]
        for row in held.iter_rows(named=True)
    ]
    names = heads("#Load", "File", "#Line", "Reason", "~Found and expected", "~Row as it stood")
    return Table("Rows held back, newest first", names, rows)


def _notes(row: dict[str, Any]) -> str:
    notes = ["loaded"]
    if row["released"]:
        notes.append(words.count(row["released"], "row released since", "rows released since"))
    if row["unknown_causes"]:
        notes.append(words.count(row["unknown_causes"], "unknown cause", "unknown causes"))
    if row["extra_columns"]:
        notes.append(f"columns kept out: {row['extra_columns']}")
    return "; ".join(notes)


def _cut(raw: str) -> str:
    return raw if len(raw) <= MOST_RAW else f"{raw[:MOST_RAW]}…"
