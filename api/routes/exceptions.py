"""Exceptions: findings of the fleet and of one site, page by page."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from coilbook.analytics.queries.site import site_card
from coilbook.api.exception_pages import ExceptionFilter, Sort, exception_page
from coilbook.api.models import CaseState, SiteException
from coilbook.api.paging import link_header
from coilbook.api.problems import ProblemError, described
from coilbook.api.quoted_route import QuotedRoute
from coilbook.api.routes.conditional import conditional
from coilbook.api.routes.parameters import Area, First, Last, Limit, Rule, SeverityQuery, SiteId
from coilbook.api.service import Service, ServiceDep
from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, Field

router = APIRouter(tags=["exceptions"], route_class=QuotedRoute)

State = Annotated[CaseState | None, Query(description="only findings whose case is in this state")]
Order = Annotated[Sort, Query(description="order of the list")]
CursorText = Annotated[
    str | None,
    Query(max_length=2000, description="from a `Link` of another page of the same list; empty = first page"),
]


class ExceptionList(BaseModel):
    """One page of findings. Its neighbours stand in the `Link` header (RFC 8288) and in `next` and `prev`."""

    items: list[SiteException] = Field(description="findings in the order asked for")
    next: str | None = Field(description="cursor of the next page; empty = this is the last")
    prev: str | None = Field(description="cursor of the page before; empty = this is the first")


PAGE: dict[int | str, dict[str, Any]] = {
    200: {
        "headers": {
            "Link": {"description": "RFC 8288: first, next, prev", "schema": {"type": "string"}},
            "ETag": {"description": "for If-None-Match", "schema": {"type": "string"}},
        }
    },
    304: {"description": "The client's copy is the same"},
}


@router.get(
    "/api/exceptions",
    summary="List the fleet's exceptions",
    response_model=ExceptionList,
    responses={**PAGE, **described(422)},
)
def exceptions(
    request: Request,
    service: ServiceDep,
    area: Area = None,
    severity: SeverityQuery = None,
    rule: Rule = None,
    state: State = None,
    first: First = None,
    last: Last = None,
    sort: Order = Sort.newest,
    limit: Limit = 100,
    cursor: CursorText = None,
) -> Response:
    """Every finding that stands, filtered and sorted. Follow `rel="next"`: each row comes once."""
    wanted = ExceptionFilter(None, area, severity, rule, state, first, last)
    return _page(request, service, wanted, sort, limit, cursor)


@router.get(
    "/api/sites/{site_id:path}/exceptions",
    summary="List a site's exceptions",
    response_model=ExceptionList,
    responses={**PAGE, **described(404, 422)},
)
def site_exceptions(
    request: Request,
    service: ServiceDep,
    site_id: SiteId,
    severity: SeverityQuery = None,
    rule: Rule = None,
    state: State = None,
    first: First = None,
    last: Last = None,
    sort: Order = Sort.newest,
    limit: Limit = 100,
    cursor: CursorText = None,
) -> Response:
    """Findings of one site, those included that have not come to a case yet."""
    with service.store.reading() as session:
        if site_card(session, site_id) is None:
            raise ProblemError(404, f"no site {site_id!r} in the registry")
    wanted = ExceptionFilter(site_id, None, severity, rule, state, first, last)
    return _page(request, service, wanted, sort, limit, cursor)


def _page(
    request: Request, service: Service, wanted: ExceptionFilter, sort: Sort, limit: int, cursor: str | None
) -> Response:
    with service.store.reading() as session:
        page = exception_page(session, wanted, sort, limit, cursor)
    asked = {**asdict(wanted), "sort": sort.value, "limit": limit, "site_id": None}
    cursors = {"first": None} | {name: c for name, c in (("next", page.next), ("prev", page.prev)) if c}
    body = ExceptionList(items=page.rows, next=page.next, prev=page.prev)
    return conditional(request, body, {"Link": link_header(request.url.path, asked, cursors)})
