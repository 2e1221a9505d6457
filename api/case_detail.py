"""One case put together from the queries of analytics."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import polars as pl
from coilbook.analytics.queries.acts import acts
from coilbook.analytics.queries.findings import case_findings
from coilbook.analytics.queries.morning import one_case
from coilbook.api.case_models import CaseAct, CaseDetail, CaseFinding
from coilbook.api.models import Case
from coilbook.ingest.store import Session


def case_detail(session: Session, case_id: str, now: datetime) -> CaseDetail | None:
    """The case at `now` [naive UTC] with its acts and findings; None where there is none of that id."""
    found = one_case(session, case_id, now=now).to_dicts()
    if not found:
        return None
    findings = case_findings(session, case_id).to_dicts()
    return CaseDetail(
        case=Case.model_validate(found[0]),
        acts=case_acts(acts(session, [case_id])),
        findings=[CaseFinding.model_validate(_opened(row)) for row in findings],
    )


def case_acts(done: pl.DataFrame) -> list[CaseAct]:
    """Acts as records, oldest first."""
    struck = set(done["undoes"].drop_nulls())
    return [CaseAct.model_validate({**row, "undone": row["act_id"] in struck}) for row in done.to_dicts()]


def _opened(row: Mapping[str, Any]) -> dict[str, Any]:
    """The row with its evidence as a structure."""
    return {**row, "evidence": json.loads(row["evidence"]) if row["evidence"] else None}
