"""What people did about a case, and the forms by which they do more, as pages show them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.local_wall import wall_time

ONE_DAY = timedelta(days=1)
USUAL_SNOOZE = timedelta(days=7)
PUT_ASIDE = ("snoozed", "closed")


@dataclass(frozen=True)
class ActSeen:
    """One act as a line: `who` did `what` at `when` [wall time of the site], and said `text`."""

    who: str
    what: str
    when: str
    text: str
    struck: bool = False


@dataclass(frozen=True)
class Panel:
    """The forms that stand open at the case `case_id`.

    `back` is the address to return to, `shut` that of the page without the forms, `here` with them; `after`
    is the case that follows in the list. `typed` keeps what a person wrote where an act was refused:
    `error` says why, `newer` what others did meanwhile.
    """

    case_id: str
    acts: list[ActSeen]
    who: str
    people: list[str]
    back: str
    shut: str
    here: str
    first_snooze: date
    usual_snooze: date
    after: str = ""
    undo: str = ""
    error: str = ""
    newer: list[ActSeen] = field(default_factory=list)
    typed: Mapping[str, str] = field(default_factory=dict)

    def said(self, kind: str, name: str) -> str:
        """What was typed into field `name` of the form `kind`."""
        return self.typed.get(name, "") if self.typed.get("kind") == kind else ""


def acts_seen(acts: pl.DataFrame, zone: str) -> list[ActSeen]:
    """Acts of one case (`analytics.queries.acts.acts`) as lines, oldest first, those taken back struck."""
    struck = set(acts["undoes"].drop_nulls())
    told = {row["act_id"]: row for row in acts.iter_rows(named=True)}
    return [
        ActSeen(
            row["who"],
            _undone(told, row) if row["kind"] == "undo" else done(row),
            _when(row["at"], zone),
            row["text"] or "",
            row["act_id"] in struck,
        )
        for row in told.values()
    ]


def done(act: Mapping[str, Any]) -> str:
    """`assigned it to Ana`, `snoozed it until 5 Mar 2026`, `closed it as not found`."""
    if act["kind"] == "assign":
        return f"assigned it to {act['to_person']}" if act["to_person"] else "assigned it to nobody"
    if act["kind"] == "snooze":
        return f"snoozed it until {words.day(act['until'])}"
    if act["kind"] == "close":
        return f"closed it as {words.plain(act['outcome'], words.OUTCOME)}"
    return "put it back on the list" if act["kind"] == "reopen" else "noted"


def to_undo(acts: pl.DataFrame) -> str:
    """The newest act that stands, in words; '' where nothing is left to take back."""
    struck = acts["undoes"].drop_nulls().implode()
    left = acts.filter((pl.col("kind") != "undo") & ~pl.col("act_id").is_in(struck))
    if left.is_empty():
        return ""
    newest = left.row(-1, named=True)
    return f"{newest['who']} {done(newest)}"


def panel(acts: pl.DataFrame, case: Mapping[str, Any], *, now: datetime, **given: Any) -> Panel:
    """The open forms of `case` with its acts; `now` is naive UTC, `given` the rest of `Panel`.

    A week is the usual snooze, a day for a case of danger, which comes back then whatever is asked.
    """
    zone = case["zone"] or "UTC"
    today = wall_time(now, zone).date()
    usual = ONE_DAY if case["severity"] == "danger" else USUAL_SNOOZE
    return Panel(
        case_id=case["case_id"],
        acts=acts_seen(acts, zone),
        undo=to_undo(acts),
        first_snooze=today + ONE_DAY,
        usual_snooze=today + usual,
        **given,
    )


def _undone(told: Mapping[int, Mapping[str, Any]], undo: Mapping[str, Any]) -> str:
    taken_back = told.get(undo["undoes"])
    return f"took back: {taken_back['who']} {done(taken_back)}" if taken_back else "took an act back"


def _when(at: datetime, zone: str) -> str:
    return words.moment(wall_time(at, zone))
