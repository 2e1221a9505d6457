"""Acting on a case by a plain form: assign, snooze, note, close, reopen, undo; and giving one's name."""

from __future__ import annotations

from datetime import date
from urllib.parse import quote

import polars as pl
from coilbook.analytics.people import ConflictError, UnknownCase, Wanted, act
from coilbook.analytics.queries import acts as act_queries
from coilbook.analytics.queries import morning as morning_queries
from coilbook.api.fields import utc_now
from coilbook.api.page_answer import HTML, missing
from coilbook.api.page_forms import Form, keep_who, read_form, see_other, tidy_name, way_back, who_of
from coilbook.api.page_panels import panel_of
from coilbook.api.service import Service, ServiceDep
from coilbook.dashboards.render import render
from coilbook.ingest.errors import InputError
from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

router = APIRouter()

FIELDS = {
    "assign": ("to_person",),
    "snooze": ("until", "text"),
    "note": ("text",),
    "close": ("outcome", "text"),
    "reopen": (),
    "undo": (),
}
"""Fields that each kind of act takes from its form."""


@router.post("/who")
async def name(request: Request) -> Response:
    """Have the browser keep a name, or forget it."""
    form = await read_form(request)
    answer = see_other(way_back(form.get("back")))
    keep_who(answer, tidy_name(form.get("who")))
    return answer


@router.post("/acts")
async def acts(request: Request, service: ServiceDep) -> Response:
    """Do what the form says and go back to where it stood.

    An act that cannot be made is answered with a page that says why and keeps what was typed: status 409
    where somebody acted meanwhile, else 422.
    """
    form = await read_form(request)
    who = tidy_name(form.get("who")) or who_of(request)
    answer = await run_in_threadpool(_act, service, form, who)
    if who:
        keep_who(answer, who)
    return answer


def _act(service: Service, form: Form, who: str) -> Response:
    case_id = form.get("case")
    try:
        wanted = _wanted(form, who)
        with service.store.noting() as session:
            act(session, case_id, wanted, utc_now())
    except UnknownCase:
        return missing("No such case", "A late log may have changed it. The list has the cases that stand.")
    except ConflictError as exc:
        return _refused(service, form, who, 409, newer=exc.newer)
    except InputError as exc:
        return _refused(service, form, who, 422, error=f"{exc}.")
    back = way_back(form.get("back"), done=case_id, **_after(form))
    return see_other(f"{back.partition('#')[0]}#{quote('case-' + case_id, safe='')}")


def _wanted(form: Form, who: str) -> Wanted:
    kind = form.get("kind")
    given = {name: form.get(name).strip() or None for name in FIELDS.get(kind, ())}
    until = given.pop("until", None)
    return Wanted(kind, who, form.whole("version"), until=_date(until), **given)


def _date(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"until: got {text!r}, expected a date such as 2026-03-02") from None


def _after(form: Form) -> dict[str, str]:
    return {"before": form.get("after")} if form.get("after") else {}


def _refused(
    service: Service,
    form: Form,
    who: str,
    status: int,
    *,
    error: str = "",
    newer: pl.DataFrame | None = None,
) -> Response:
    """The case as it stands now, why nothing was written, and the form as it was filled in."""
    now = utc_now()
    with service.store.reading() as session:
        found = morning_queries.one_case(session, form.get("case"), now=now)
        if found.is_empty():
            return missing("No such case", "The list has the cases that stand.")
        case = found.row(0, named=True)
        panel = panel_of(
            session,
            case,
            now=now,
            who=who,
            back=way_back(form.get("back")),
            after=form.get("after"),
            error=error,
            newer=newer,
            typed=form.first_values(),
        )
        people = act_queries.people(session)
    html = render("refused.html", case=case, panel=panel, people=people, conflict=newer is not None)
    return Response(html, status, media_type=HTML)
