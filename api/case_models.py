"""What the API says about one case: its acts, and the findings behind it."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from coilbook.api.fields import Instant, column
from coilbook.api.models import Case, Outcome, Record, Severity
from coilbook.api.problems import Problem
from pydantic import BaseModel, ConfigDict, Field


class CaseAct(Record):
    """Something somebody did about a case. Acts are never changed or removed."""

    act_id: int = column("case_act", "act_id")
    case_id: str = Field(description="case that the act belongs to now")
    kind: Literal["assign", "snooze", "note", "close", "reopen", "undo"] = column("case_act", "kind")
    who: str = column("case_act", "who")
    at: Instant = column("case_act", "at")
    to_person: str | None = column("case_act", "to_person")
    until: date | None = column("case_act", "until")
    text: str | None = column("case_act", "text")
    outcome: Outcome | None = column("case_act", "outcome")
    undoes: int | None = column("case_act", "undoes")
    undone: bool = Field(description="true = a later act took it back")


class CaseFinding(Record):
    """A finding of a case: what was measured on one local day, and the evidence."""

    local_date: date = column("finding", "local_date")
    severity: Severity = column("finding", "severity")
    count: int | None = column("finding", "count")
    measure: float | None = column("finding", "measure")
    limit: float | None = column("finding", "limit")
    unit: str | None = column("finding", "unit")
    cost_per_year: float | None = column("finding", "cost_per_year")
    currency: str | None = column("finding", "currency")
    confidence: float | None = column("finding", "confidence")
    sentence: str = column("finding", "sentence")
    next_step: str | None = column("finding", "next_step")
    explained_by: str | None = column("finding", "explained_by")
    evidence: Any = column("finding", "evidence")


class CaseDetail(Record):
    """One case with everything behind it."""

    case: Case = Field(description="the case as it stands")
    acts: list[CaseAct] = Field(description="what people did, oldest first; acts taken back included")
    findings: list[CaseFinding] = Field(description="its newest findings, newest first, 31 at most")


class Acted(Record):
    """An act that was made, and the case as it stands since."""

    act: CaseAct = Field(description="the act as it was kept")
    case: Case = Field(description="the case as it stands now")


class ConflictProblem(Problem):
    """Somebody acted on the case meanwhile; nothing was written. Look at `newer`, then act on `version`."""

    version: int = Field(description="newest act on the case", examples=[42])
    newer: list[CaseAct] = Field(description="acts after the version that was sent, oldest first")


class _Act(BaseModel):
    model_config = ConfigDict(extra="forbid")

    who: str = Field(
        min_length=1, max_length=80, pattern=r"\S", description="who acts", examples=["Robin Vale"]
    )
    version: int = Field(
        ge=0, lt=2**63, description="`version` of the case as it was seen; 0 = no act yet", examples=[0]
    )
    text: str | None = Field(None, max_length=2000, description="what there is to say")


class Assign(_Act):
    """Give the case to somebody, or to nobody."""

    kind: Literal["assign"] = Field(description="assign")
    to_person: str | None = Field(
        None, max_length=80, description="who is to look after it; empty = nobody", examples=["Sam Okoro"]
    )


class Snooze(_Act):
    """Take the case off the list until a date. One of severity danger comes back the next morning."""

    kind: Literal["snooze"] = Field(description="snooze")
    until: date = Field(
        description="local date of the site on which it comes back, within a year", examples=["2026-04-01"]
    )


class Note(_Act):
    """Say something about the case."""

    kind: Literal["note"] = Field(description="note")
    text: str = Field(
        min_length=1, max_length=2000, pattern=r"\S", description="what there is to say", examples=["rang"]
    )


class Close(_Act):
    """Close the case with what was found."""

    kind: Literal["close"] = Field(description="close")
    outcome: Outcome = Field(
        description="confirmed = as the case says; not_found = nothing wrong; no_access = nobody got in; "
        "setting_changed = mended from the desk"
    )


class Reopen(_Act):
    """Put a closed or snoozed case back on the list."""

    kind: Literal["reopen"] = Field(description="reopen")


class Undo(_Act):
    """Take back the newest act that stands; again, the one before it. The undo is kept as an act too."""

    kind: Literal["undo"] = Field(description="undo")


ActBody = Annotated[Assign | Snooze | Note | Close | Reopen | Undo, Field(discriminator="kind")]
