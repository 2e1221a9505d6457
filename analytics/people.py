"""What people do to cases: assign, snooze, note, close, reopen, undo.

Every act is added to `case_act`; none is changed or removed. Whoever acts says which version of the case
they saw, which is its newest act; if somebody acted meanwhile, nothing is written and they are told what
came between.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from coilbook.analytics.queries.acts import acts, newest_act_id
from coilbook.analytics.standing import OPEN, OUTCOMES, STANDING, listed, standing
from coilbook.ingest.errors import CoilbookError, InputError
from coilbook.ingest.local_time import local_date
from coilbook.ingest.store import Session

KINDS = ("assign", "snooze", "note", "close", "reopen", "undo")
SNOOZE_DAYS = 366
"""A case can be snoozed for a year at most [d]."""
NAME_LENGTH, TEXT_LENGTH = 80, 2000

CASE = """
SELECT k.case_id, k.rule, k.subject, k.severity, k.state, k.last_finding_on, home.timezone AS zone
FROM service_case k
LEFT JOIN (
    SELECT site_id, timezone FROM site
    QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
) home ON home.site_id = k.site_id
WHERE k.case_id = ?
"""


class UnknownCase(InputError):
    """There is no case of that id."""


class ConflictError(CoilbookError):
    """Somebody acted on the case meanwhile; nothing was written.

    `version` is the case's newest act, `newer` the acts after the version that was seen
    (`queries.acts.acts`).
    """

    def __init__(self, case_id: str, seen: int, version: int, newer: pl.DataFrame) -> None:
        super().__init__(
            f"case {case_id!r} is at version {version}, not {seen}: "
            "look at what was done meanwhile, then act again"
        )
        self.version = version
        self.newer = newer


@dataclass(frozen=True)
class Wanted:
    """An act to be made. `version`: newest act of the case that the person saw, 0 = none.

    `to_person` belongs to assign (empty = nobody), `until` to snooze [local date of the site on which the
    case comes back], `outcome` to close; `text` is the note, and may go with any kind.
    """

    kind: str
    who: str
    version: int
    to_person: str | None = None
    until: date | None = None
    text: str | None = None
    outcome: str | None = None


def act(session: Session, case_id: str, wanted: Wanted, now: datetime) -> int:
    """Make an act within the caller's transaction (`Store.noting`); returns its number, the new version.

    `now`: the wall clock [naive UTC]. Raises `UnknownCase`, `ConflictError`, or `InputError` for an act that
    cannot be made.
    """
    wanted = _tidy(wanted)
    cases = session.frame(CASE, [case_id])
    if cases.is_empty():
        raise UnknownCase(f"no case {case_id!r}")
    done = acts(session, [case_id])
    stands = listed(cases, standing(done), now).row(0, named=True)
    if wanted.version != stands["version"]:
        newer = done.filter(pl.col("act_id") > wanted.version)
        raise ConflictError(case_id, wanted.version, stands["version"], newer)
    _check(wanted, stands, local_date(stands["zone"] or "UTC", now))
    taken_back = _newest(done) if wanted.kind == "undo" else None
    act_id = newest_act_id(session) + 1
    row = {
        "act_id": act_id,
        "case_id": case_id,
        "rule": stands["rule"],
        "subject": stands["subject"],
        # an undo stays beside what it takes back, whatever becomes of the case
        "seen_on": taken_back["seen_on"] if taken_back else stands["last_finding_on"],
        "kind": wanted.kind,
        "who": wanted.who,
        "at": now,
        "to_person": wanted.to_person,
        "until": wanted.until,
        "text": wanted.text,
        "outcome": wanted.outcome,
        "undoes": taken_back["act_id"] if taken_back else None,
    }
    session.put("case_act", pl.DataFrame([row], schema_overrides=COLUMNS))
    return act_id


COLUMNS: dict[str, Any] = {
    "to_person": pl.String,
    "until": pl.Date,
    "text": pl.String,
    "outcome": pl.String,
    "undoes": pl.Int64,
    "at": STANDING["closed_at"],
    "seen_on": pl.Date,
}


def _newest(done: pl.DataFrame) -> dict[str, Any]:
    """The newest act that stands: no undo, and not taken back."""
    struck = done["undoes"].drop_nulls().implode()
    left = done.filter((pl.col("kind") != "undo") & ~pl.col("act_id").is_in(struck))
    if left.is_empty():
        raise InputError("undo: nothing on this case is left to take back")
    return left.row(-1, named=True)


def _check(wanted: Wanted, stands: dict[str, Any], today: date) -> None:
    """`InputError` unless the case as it stands allows the act."""
    if wanted.kind == "snooze":
        assert wanted.until is not None
        last = today + timedelta(days=SNOOZE_DAYS)
        if not today < wanted.until <= last:
            raise InputError(
                f"until: got {wanted.until}, expected a date after {today} and not after {last} (site's zone)"
            )
        if stands["state"] == "closed":
            raise InputError("snooze: the case is closed; reopen it first")
        if stands["state"] not in (*OPEN, "snoozed"):
            raise InputError(f"snooze: the case is {stands['state']} and does not stand on the list")
    if wanted.kind == "reopen" and stands["outcome"] is None and stands["state"] != "snoozed":
        raise InputError("reopen: the case is neither closed nor snoozed")


def _tidy(wanted: Wanted) -> Wanted:
    """The act with its texts trimmed; `InputError` where a field is missing, too long or of another kind."""
    if wanted.kind not in KINDS:
        raise InputError(f"kind: got {wanted.kind!r}, expected one of {', '.join(KINDS)}")
    wanted = replace(
        wanted,
        who=" ".join(wanted.who.split()),
        to_person=" ".join((wanted.to_person or "").split()) or None,
        text=(wanted.text or "").strip() or None,
    )
    for name, value, most in (
        ("who", wanted.who, NAME_LENGTH),
        ("to_person", wanted.to_person, NAME_LENGTH),
        ("text", wanted.text, TEXT_LENGTH),
    ):
        if value and len(value) > most:
            raise InputError(f"{name}: got {len(value)} characters, expected at most {most}")
    if not wanted.who:
        raise InputError("who: expected the name of whoever acts")
    _belongs("to_person", wanted.to_person, wanted.kind, "assign", must=False)
    _belongs("until", wanted.until, wanted.kind, "snooze")
    _belongs("outcome", wanted.outcome, wanted.kind, "close")
    if wanted.kind == "note" and not wanted.text:
        raise InputError("text: a note says something")
    if wanted.outcome is not None and wanted.outcome not in OUTCOMES:
        raise InputError(f"outcome: got {wanted.outcome!r}, expected one of {', '.join(OUTCOMES)}")
    return wanted


def _belongs(name: str, value: object, kind: str, owner: str, *, must: bool = True) -> None:
    if value is not None and kind != owner:
        raise InputError(f"{name}: belongs to {owner}, not to {kind}")
    if value is None and kind == owner and must:
        raise InputError(f"{name}: {owner} needs it")
