"""The morning page."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from coilbook.analytics.queries import acts as act_queries
from coilbook.analytics.queries import header as header_queries
from coilbook.analytics.queries import morning as morning_queries
from coilbook.api.fields import utc_now
from coilbook.api.page_answer import answer, cache, this_hour, whole
from coilbook.api.page_cache import KeptPage
from coilbook.api.page_forms import who_of
from coilbook.api.page_panels import panel_of
from coilbook.api.service import ServiceDep
from coilbook.dashboards import static_files
from coilbook.dashboards.morning_filters import NOBODY, Filters
from coilbook.dashboards.morning_page import PAGE_SIZE, Listed, Seat, morning_page
from coilbook.ingest.store import Session
from fastapi import APIRouter, Request
from fastapi.responses import Response

router = APIRouter()


@router.get("/")
def morning(
    request: Request,
    service: ServiceDep,
    area: str = "",
    severity: str = "",
    rule: str = "",
    state: str = "",
    person: str = "",
    cleared: str = "",
    group: str = "",
    page: str = "",
    act: str = "",
    done: str = "",
    before: str = "",
) -> Response:
    """The list, kept by review, acts, choices, the reader's name and the hour.

    `act` names the case whose forms stand open, `done` the one just acted on, `before` the case that followed
    it in the list.
    """
    group = "area" if group == "area" else ""
    filters = Filters(area, severity, rule, state, person, cleared == "1", group, whole(page, 1))
    now, who = utc_now(), who_of(request)
    with service.store.reading() as session:

        def made() -> str:
            return _page(session, filters, now, who, act, done, before)

        review_id = header_queries.review_id(session)
        if not review_id or act or done:
            return answer(request, KeptPage.of(made()))
        key = (review_id, act_queries.newest_act_id(session), filters, who, this_hour(now))
        return answer(request, cache(service).page(key, made))


def _page(
    session: Session, filters: Filters, now: datetime, who: str, act: str, done: str, before: str
) -> str:
    static_files.warm()
    listed = _listed(session, filters, now)
    seat = _seat(session, listed, filters, now, who, act, done, before)
    facets = morning_queries.facets(session, now=now)
    return morning_page(header_queries.header(session, now=now), listed, facets, filters, now, seat)


def _listed(session: Session, filters: Filters, now: datetime) -> Listed:
    found = morning_queries.morning_list(
        session,
        now=now,
        area=filters.area or None,
        severity=filters.severity or None,
        rule=filters.rule or None,
        state=filters.state or None,
        person=filters.person if filters.person not in ("", NOBODY) else None,
        unassigned=filters.person == NOBODY,
        include_cleared=filters.cleared,
    )
    return Listed(found.cases, found.snoozed, found.closed)


def _seat(
    session: Session,
    listed: Listed,
    filters: Filters,
    now: datetime,
    who: str,
    act: str,
    done: str,
    before: str,
) -> Seat:
    people = act_queries.people(session)
    ids = listed.cases["case_id"].to_list()
    wanted = act or done
    if not wanted:
        return Seat(who, people)
    found = morning_queries.one_case(session, wanted, now=now)
    if found.is_empty():
        return Seat(who, people)
    case: dict[str, Any] = found.row(0, named=True)
    begin = (filters.page - 1) * PAGE_SIZE
    shown = ids[begin : begin + PAGE_SIZE]
    here = f"/{filters.query(filters.page)}"
    follower = shown[shown.index(wanted) + 1] if wanted in shown[:-1] else before
    panel = panel_of(session, case, now=now, who=who, back=here, after=follower)
    gone = case if wanted not in ids else None
    return Seat(
        who,
        people,
        opened=act if not gone else "",
        done=done if not gone else "",
        before=before if before in shown else "",
        panel=panel,
        gone=gone,
    )
