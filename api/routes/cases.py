"""The morning list."""

from __future__ import annotations

from typing import Annotated

from coilbook.api.csv_text import records_csv
from coilbook.api.models import Case, ListedState, MorningList
from coilbook.api.operations import CaseFilter
from coilbook.api.problems import described
from coilbook.api.routes.conditional import conditional
from coilbook.api.routes.parameters import Area, Rule, SeverityQuery
from coilbook.api.service import ServiceDep
from fastapi import APIRouter, Depends, Query, Request, Response

router = APIRouter(prefix="/api/cases", tags=["cases"])

State = Annotated[
    ListedState | None, Query(description="only this state; snoozed and closed cases are else left out")
]
Site = Annotated[str | None, Query(description="only this site", max_length=200)]
Cleared = Annotated[bool, Query(description="add cases cleared in the last 7 days, at the end")]
Person = Annotated[str | None, Query(description="only cases assigned to this person", max_length=80)]
Unassigned = Annotated[bool, Query(description="only cases assigned to nobody")]
Snoozed = Annotated[bool, Query(description="add snoozed cases, after those that stand")]
Closed = Annotated[
    bool, Query(description="add cases closed and not found again since, after those that stand")
]


def _wanted(
    area: Area = None,
    severity: SeverityQuery = None,
    rule: Rule = None,
    state: State = None,
    site_id: Site = None,
    include_cleared: Cleared = False,
    person: Person = None,
    unassigned: Unassigned = False,
    include_snoozed: Snoozed = False,
    include_closed: Closed = False,
) -> CaseFilter:
    return CaseFilter(
        area,
        severity,
        rule,
        state,
        site_id,
        include_cleared,
        person,
        unassigned,
        include_snoozed,
        include_closed,
    )


WantedCases = Annotated[CaseFilter, Depends(_wanted)]


@router.get("", summary="The morning list", response_model=MorningList, responses=described(422))
def cases(request: Request, service: ServiceDep, wanted: WantedCases) -> Response:
    """Cases that stand open, ranked: danger first, within a severity new before old, then by yearly cost.

    Cases that people snoozed or closed are left out and counted, until they come back.
    """
    return conditional(request, service.operations.morning(wanted))


@router.get(
    ".csv",
    summary="The morning list as CSV",
    response_class=Response,
    responses={200: {"content": {"text/csv": {}}, "description": "CSV (RFC 4180)"}, **described(422)},
)
def cases_csv(service: ServiceDep, wanted: WantedCases) -> Response:
    """The same list for a spreadsheet."""
    found = service.operations.morning(wanted)
    headers = {"Content-Disposition": 'attachment; filename="cases.csv"'}
    return Response(records_csv(Case, found.cases), media_type="text/csv; charset=utf-8", headers=headers)
