"""The morning list."""

from __future__ import annotations

from typing import Annotated

from coilbook.api.csv_text import records_csv
from coilbook.api.models import Case, CaseState, MorningList
from coilbook.api.operations import CaseFilter
from coilbook.api.problems import described
from coilbook.api.routes.conditional import conditional
from coilbook.api.routes.parameters import Area, Rule, SeverityQuery
from coilbook.api.service import ServiceDep
from fastapi import APIRouter, Query, Request, Response

router = APIRouter(prefix="/api/cases", tags=["cases"])

State = Annotated[CaseState | None, Query(description="only this state")]
Site = Annotated[str | None, Query(description="only this site", max_length=200)]
Cleared = Annotated[bool, Query(description="add cases cleared in the last 7 days, at the end")]


@router.get("", summary="The morning list", response_model=MorningList, responses=described(422))
def cases(
    request: Request,
    service: ServiceDep,
    area: Area = None,
    severity: SeverityQuery = None,
    rule: Rule = None,
    state: State = None,
    site_id: Site = None,
    include_cleared: Cleared = False,
) -> Response:
    """Cases that stand open, ranked: danger first, within a severity new before old, then by yearly cost."""
    wanted = CaseFilter(area, severity, rule, state, site_id, include_cleared)
    return conditional(request, service.operations.morning(wanted))


@router.get(
    ".csv",
    summary="The morning list as CSV",
    response_class=Response,
    responses={200: {"content": {"text/csv": {}}, "description": "CSV (RFC 4180)"}, **described(422)},
)
def cases_csv(
    service: ServiceDep,
    area: Area = None,
    severity: SeverityQuery = None,
    rule: Rule = None,
    state: State = None,
    site_id: Site = None,
    include_cleared: Cleared = False,
) -> Response:
    """The same list for a spreadsheet."""
    found = service.operations.morning(CaseFilter(area, severity, rule, state, site_id, include_cleared))
    headers = {"Content-Disposition": 'attachment; filename="cases.csv"'}
    return Response(records_csv(Case, found.cases), media_type="text/csv; charset=utf-8", headers=headers)
