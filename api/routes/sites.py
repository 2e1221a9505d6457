"""Sites: the list, and one site's history."""

from __future__ import annotations

from typing import Annotated

from coilbook.api.models import SiteHistory, SiteSummary
from coilbook.api.operations import RECORD_DAYS
from coilbook.api.problems import ProblemError, described
from coilbook.api.quoted_route import QuotedRoute
from coilbook.api.routes.conditional import conditional
from coilbook.api.routes.parameters import Area, SiteId
from coilbook.api.service import ServiceDep
from coilbook.api.site_list import site_list
from coilbook.ingest.errors import InputError
from fastapi import APIRouter, Query, Request, Response

router = APIRouter(prefix="/api/sites", tags=["sites"], route_class=QuotedRoute)


@router.get("", summary="List sites", responses=described(422))
def sites(service: ServiceDep, area: Area = None) -> list[SiteSummary]:
    """Every site in the registry with its open cases, by id."""
    with service.store.reading() as session:
        return site_list(session, area)


@router.get(
    "/{site_id:path}", summary="One site's history", response_model=SiteHistory, responses=described(404, 422)
)
def site(
    request: Request,
    site_id: SiteId,
    service: ServiceDep,
    days: Annotated[
        int, Query(ge=1, le=3660, description="local days of record, up to its last")
    ] = RECORD_DAYS,
) -> Response:
    """Who and where, circuits, cases, window record, switching, settings and service log; with cautions."""
    try:
        return conditional(request, service.operations.site(site_id, days=days))
    except InputError as exc:
        raise ProblemError(404, str(exc)) from exc
