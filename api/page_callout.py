"""The callout sheet of a site, as a page and as PDF."""

from __future__ import annotations

from dataclasses import asdict
from datetime import timedelta
from typing import Any
from urllib.parse import quote

from coilbook.analytics import callout as callout_data
from coilbook.analytics.queries import acts as act_queries
from coilbook.analytics.queries import findings as finding_queries
from coilbook.analytics.queries import header as header_queries
from coilbook.analytics.queries import morning as morning_queries
from coilbook.analytics.queries import site as site_queries
from coilbook.api.fields import utc_now
from coilbook.api.page_answer import answer, missing
from coilbook.api.page_cache import KeptPage
from coilbook.api.page_forms import who_of
from coilbook.api.page_panels import panel_of
from coilbook.api.quoted_route import QuotedRoute
from coilbook.api.service import ServiceDep
from coilbook.dashboards.callout_page import callout_page
from coilbook.dashboards.callout_sheet import Sheet, callout_sheet
from coilbook.dashboards.local_wall import wall_time
from coilbook.ingest.store import Session
from fastapi import APIRouter, Request
from fastapi.responses import Response

router = APIRouter(prefix="/sites/{site_id:path}", route_class=QuotedRoute)

EVIDENCE_DAYS = 14
"""Findings of this many local days are evidence on the sheet [d]."""
NO_SITE = "The registry has no site of that name."


@router.get("/callout")
def callout(request: Request, service: ServiceDep, site_id: str, done: str = "") -> Response:
    """The sheet as a page, where the outcome can be entered. `done` names the case just acted on."""
    now, who = utc_now(), who_of(request)
    with service.store.reading() as session:
        sheet = _sheet(session, site_id)
        if sheet is None:
            return missing(f"No site {site_id}", NO_SITE)
        shown = [dict(seen.case) for seen in sheet.cases]
        gone = _gone(session, done, site_id, {case["case_id"] for case in shown})
        here = f"/sites/{quote(site_id, safe='')}/callout"
        panels = {
            case["case_id"]: panel_of(session, case, now=now, who=who, back=here)
            for case in (*shown, *([gone] if gone else []))
        }
        people = act_queries.people(session)
    return answer(request, KeptPage.of(callout_page(sheet, panels, who, people, gone)))


@router.get("/callout.pdf")
def callout_as_pdf(service: ServiceDep, site_id: str, paper: str = "a4") -> Response:
    """The sheet for the printer: `paper` is a4 or letter."""
    from coilbook.dashboards.callout_pdf import callout_pdf  # late: the drawing library is needed here alone

    if paper not in ("a4", "letter"):
        return missing(f"No paper {paper}", "The sheet is drawn for paper=a4 and paper=letter.")
    with service.store.reading() as session:
        sheet = _sheet(session, site_id)
    if sheet is None:
        return missing(f"No site {site_id}", NO_SITE)
    name = quote(f"callout-{site_id}.pdf", safe="")
    headers = {
        "Content-Disposition": f"inline; filename*=UTF-8''{name}",
        "Cache-Control": "private, no-cache",
    }
    drawn = callout_pdf(sheet, "letter" if paper == "letter" else "a4")
    return Response(drawn, media_type="application/pdf", headers=headers)


def _sheet(session: Session, site_id: str) -> Sheet | None:
    card = site_queries.site_card(session, site_id)
    if card is None:
        return None
    now = utc_now()
    cases = morning_queries.morning(session, now=now, site_id=site_id, include_snoozed=True)
    circuits = site_queries.circuits(session, site_id)
    last = card.last_day or now.date()
    return callout_sheet(
        asdict(card),
        cases,
        finding_queries.findings(
            session, site_id=site_id, first=last - timedelta(days=EVIDENCE_DAYS - 1), last=last
        ),
        circuits,
        site_queries.service_log(session, site_id),
        callout_data.callout_checks(cases),
        callout_data.callout_parts(cases, circuits),
        callout_data.callout_kit(cases),
        printed_on=wall_time(now, card.timezone).date(),
        horizon=header_queries.horizon(session),
    )


def _gone(session: Session, done: str, site_id: str, shown: set[str]) -> dict[str, Any] | None:
    """The case just acted on, where it is of this site and has left the sheet."""
    if not done or done in shown:
        return None
    found = morning_queries.one_case(session, done, now=utc_now())
    if found.is_empty() or found["site_id"][0] != site_id:
        return None
    return found.row(0, named=True)
