"""The page of loads: the ledger, and what was held back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

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


@dataclass(frozen=True)
class Choice:
    """What the address asks for, and what has just been done.

    `page` is that of the ledger, `held` that of the rows held back. `since` is the load before those just
    done; `released` of `tried` rows entered the store just now; `error` says why something was not done.
    """

    reason: str = ""
    load: int | None = None
    outcome: str = ""
    page: int = 1
    held: int = 1
    since: int | None = None
    released: int | None = None
    tried: int = 0
    error: str = ""

    def query(self, **more: str | int) -> str:
        """The choices as a query; `more` replaces some, an empty one takes them out."""
        told: dict[str, str | int] = {
            "reason": self.reason,
            "load": self.load or "",
            "outcome": self.outcome,
            "page": self.page if self.page > 1 else "",
            "held": self.held if self.held > 1 else "",
        }
        told = {name: value for name, value in (told | more).items() if value != ""}
        return f"?{urlencode(told)}" if told else ""


@dataclass(frozen=True)
class HeldRow:
    """A row held back, as the page lists it."""

    number: int
    load: int
    file: str
    line: str
    reason: str
    detail: str
    raw: str


def loads_page(
    totals: pl.DataFrame,
    ledger: pl.DataFrame,
    reasons: pl.DataFrame,
    held: pl.DataFrame,
    choice: Choice,
    limit_mb: float,
) -> str:
    """The page as HTML; frames as `analytics.queries.loads` gives them.

    `ledger` is its page `choice.page`; `held` holds up to one row more than a page has, which says that
    there are further ones. `limit_mb` is the most that one upload may hold [MB].
    """
    total: dict[str, Any] = totals.row(0, named=True)
    choices = [(value, words.plain(value, REASON)) for value in reasons["reason"]]
    fresh = ledger.filter(pl.col("load_id") > choice.since) if choice.since is not None else ledger.clear()
    files = int(total["failed"]) if choice.outcome == "failed" else int(total["files"])
    return render(
        "loads.html",
        total=total,
        fresh=ledger_table(fresh),
        fresh_failed=fresh.filter(pl.col("outcome") == "failed").height,
        ledger=ledger_table(ledger),
        reasons=reasons_table(reasons),
        reason_choices=choices,
        held=held_rows(held.head(HELD_SIZE)),
        held_more=held.height > HELD_SIZE,
        choice=choice,
        limit_mb=limit_mb,
        pages=max(1, -(-files // PAGE_SIZE)),
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
            f"{_whole(words.day(row['first_ts']) + ' to')} {_whole(words.day(row['last_ts']))}"
            if row["first_ts"]
            else "",
            _loaded(row),
        ]
        for row in ledger.iter_rows(named=True)
    ]
    names = heads(
        "#Load", "=File", "Kind", "Outcome", "#Read", "#New", "#Duplicate", "#Replaced", "#Held",
        "Span (UTC)", "Loaded (UTC)",
    )  # fmt: skip
    return Table("Files loaded, newest first", names, rows)


def reasons_table(reasons: pl.DataFrame) -> Table:
    """What is held, by reason."""
    rows = [
        [words.plain(reason, REASON), words.number(count), words.number(files), example or ""]
        for reason, count, files, example in reasons.select("reason", "rows", "files", "example").iter_rows()
    ]
    return Table("Rows held back by reason", heads("Reason", "#Rows", "#Files", "~For example"), rows)


def held_rows(held: pl.DataFrame) -> list[HeldRow]:
    """Rows held back, with file, line and raw text, newest first."""
    return [
        HeldRow(
            row["quarantine_id"],
            row["load_id"],
            (row["path"] or "").rpartition("/")[2],
            words.number(row["line"]),
            words.plain(row["reason"], REASON),
            row["detail"] or "",
            _cut(row["raw"] or ""),
        )
        for row in held.iter_rows(named=True)
    ]


def _notes(row: dict[str, Any]) -> str:
    notes = ["loaded"]
    if row["released"]:
        notes.append(words.count(row["released"], "row released since", "rows released since"))
    if row["unknown_causes"]:
        notes.append(words.count(row["unknown_causes"], "unknown cause", "unknown causes"))
    if row["extra_columns"]:
        notes.append(f"columns kept out: {row['extra_columns']}")
    return "; ".join(notes)


def _loaded(row: dict[str, Any]) -> str:
    """`25 Nov 2026 17:13, in 0.4 s`: when a file was loaded, and how long that took."""
    if not row["loaded_at"]:
        return words.DASH
    took = row["duration_s"]
    within = "" if took is None or took < 0.05 else f", in {words.number(took, 1)}{words.THIN}s"
    return f"{_whole(words.day(row['loaded_at']))} {row['loaded_at']:%H:%M}{_whole(within)}"


def _whole(text: str) -> str:
    """The text with spaces at which no line ends."""
    return text.replace(" ", "\u00a0")


def _cut(raw: str) -> str:
    return raw if len(raw) <= MOST_RAW else f"{raw[:MOST_RAW]}…"
