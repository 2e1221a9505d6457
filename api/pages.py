"""Pages for people, their charts, and the files they need. No page asks any other host for anything."""

from __future__ import annotations

import gzip
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from urllib.parse import quote

from coilbook.analytics.queries import findings as finding_queries
from coilbook.analytics.queries import header as header_queries
from coilbook.analytics.queries import loads as load_queries
from coilbook.analytics.queries import morning as morning_queries
from coilbook.analytics.queries import settings as settings_queries
from coilbook.analytics.queries import site as site_queries
from coilbook.analytics.queries.timeline import timeline
from coilbook.analytics.rule_settings import RuleSettings, read_settings
from coilbook.api import site_charts
from coilbook.api.csv_text import csv_text
from coilbook.api.page_cache import KeptPage, PageCache
from coilbook.api.service import Service, ServiceDep
from coilbook.dashboards import loads_page, static_files
from coilbook.dashboards.charts.look import spec
from coilbook.dashboards.morning_page import Filters, morning_page
from coilbook.dashboards.ranges import Range, chosen_range
from coilbook.dashboards.render import render
from coilbook.dashboards.site_page import SiteRecord, site_page
from coilbook.ingest.store import Session
from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response

router = APIRouter(include_in_schema=False)

RECORDS = (28, 91, 365)
"""Lengths of a site's record that can be chosen [d]; the middle one unless asked otherwise."""

WEAR_DAYS = 365
FINDING_DAYS = 14
"""Findings without a case are shown for this long [d]."""


@router.api_route("/", methods=["GET", "HEAD"])
def morning(
    request: Request,
    service: ServiceDep,
    area: str = "",
    severity: str = "",
    rule: str = "",
    state: str = "",
    cleared: str = "",
    page: str = "",
) -> Response:
    """The morning list, kept by review, choices and the hour of the feed's age."""
    filters = Filters(area, severity, rule, state, cleared == "1", _whole(page, 1))
    now = datetime.now(UTC).replace(tzinfo=None)
    with service.store.reading() as session:
        review_id = header_queries.review_id(session)
        key = (review_id, filters, now.replace(minute=0, second=0, microsecond=0))

        def made() -> str:
            return _morning(session, filters, now)

        if not review_id:
            return _answer(request, KeptPage.of(made()))
        return _answer(request, _cache(service).page(key, made))


@router.api_route("/sites/{site_id}", methods=["GET", "HEAD"])
def site(request: Request, service: ServiceDep, site_id: str, days: str = "", to: str = "") -> Response:
    """One site's history."""
    asked_from = request.query_params.get("from", "")
    with service.store.reading() as session:
        card = site_queries.site_card(session, site_id)
        if card is None:
            return _missing(f"No site {site_id}", "The registry has no site of that name.")
        record_days = _whole(days, RECORDS[1])
        record_days = record_days if record_days in RECORDS else RECORDS[1]
        shown = chosen_range(
            asked_from, to, card.last_day or date(1970, 1, 8), _address(site_id), record_days
        )
        record = _record(session, card, shown, record_days, _rules(service))
    return _answer(
        request, KeptPage.of(site_page(record, shown, record_days, _chart_addresses(site_id, record_days)))
    )


@router.get("/sites/{site_id}/charts/{chart}.json")
def chart_spec(request: Request, service: ServiceDep, site_id: str, chart: str) -> Response:
    """A chart of a site's page as a Vega-Lite spec."""
    drawn = _drawn(request, service, site_id, chart)
    if drawn is None or (drawn.rows.is_empty() and chart != "timeline"):
        return JSONResponse({"detail": f"no chart {chart!r} of site {site_id!r}"}, 404)
    told = json.dumps(spec(drawn.draw(), name=f"{site_id}-{chart}"), separators=(",", ":")).encode()
    headers = {"Cache-Control": "private, no-cache", "Vary": "Accept-Encoding"}
    return _packed(request, told, gzip.compress(told, 3), "application/json", headers)


@router.get("/sites/{site_id}/charts/{chart}.csv")
def chart_rows(request: Request, service: ServiceDep, site_id: str, chart: str) -> Response:
    """The rows behind a chart; times are the site's wall time."""
    drawn = _drawn(request, service, site_id, chart)
    if drawn is None:
        return JSONResponse({"detail": f"no chart {chart!r} of site {site_id!r}"}, 404)
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{quote(f'{site_id}-{chart}.csv')}"}
    text = csv_text(drawn.rows.columns, drawn.rows.iter_rows())
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


@router.api_route("/loads", methods=["GET", "HEAD"])
def loads(
    request: Request, service: ServiceDep, reason: str = "", load: str = "", page: str = ""
) -> Response:
    """The ledger and what was held back."""
    load_id, number = _whole(load, 0) or None, _whole(page, 1)
    with service.store.reading() as session:
        html = loads_page.loads_page(
            load_queries.totals(session),
            load_queries.ledger(
                session, limit=loads_page.PAGE_SIZE, offset=(number - 1) * loads_page.PAGE_SIZE
            ),
            load_queries.held_by_reason(session),
            load_queries.quarantine(
                session, reason=reason or None, load_id=load_id, limit=loads_page.HELD_SIZE
            ),
            reason=reason,
            load=load_id,
            page=number,
        )
    return _answer(request, KeptPage.of(html))


@router.api_route("/static/{name}", methods=["GET", "HEAD"])
def static(request: Request, name: str) -> Response:
    """A file under its public name, which changes with its content: it may be kept for good."""
    found = static_files.by_public_name(name)
    if found is None:
        return _missing("No such file", "Reload the page that asked for it; the file has changed since.")
    headers = {"Cache-Control": "public, max-age=31536000, immutable", "Vary": "Accept-Encoding"}
    return _packed(request, found.body, found.packed, found.content_type, headers)


def _morning(session: Session, filters: Filters, now: datetime) -> str:
    static_files.warm()
    cases = morning_queries.morning(
        session,
        area=filters.area or None,
        severity=filters.severity or None,
        rule=filters.rule or None,
        state=filters.state or None,
        include_cleared=filters.cleared,
    )
    return morning_page(header_queries.header(session), cases, morning_queries.facets(session), filters, now)


def _record(
    session: Session, card: site_queries.SiteCard, shown: Range, days: int, settings: RuleSettings
) -> SiteRecord:
    site_id = card.site_id
    first, last = _days(card, days)
    start, end = shown.instants(card.timezone)
    seen = timeline(session, site_id, start, end)
    return SiteRecord(
        card=asdict(card),
        cases=morning_queries.morning(session, site_id=site_id),
        findings=finding_queries.findings(
            session, site_id=site_id, first=last - timedelta(days=FINDING_DAYS - 1), last=last
        ),
        circuits=site_queries.circuits(session, site_id),
        schedule=settings_queries.schedule(session, site_id),
        settings_history=settings_queries.settings_history(session, site_id),
        past=site_queries.past_cases(session, site_id),
        service_log=site_queries.service_log(session, site_id),
        windows=site_queries.windows_record(session, site_id, first, last),
        starts=site_queries.starts_per_day(session, site_id, first, last),
        runs=site_queries.run_lengths(session, site_id, first, last),
        wear=site_queries.wear(session, site_id, last - timedelta(days=WEAR_DAYS - 1), last),
        shown_runs=seen.runs,
        power=seen.power,
        holes=seen.holes,
        islands=seen.islands,
        first=first if card.last_day else None,
        last=card.last_day,
        limits=site_charts.starts_limits(settings),
    )


def _drawn(request: Request, service: Service, site_id: str, chart: str) -> site_charts.Drawn | None:
    asked = request.query_params
    with service.store.reading() as session:
        card = site_queries.site_card(session, site_id)
        if card is None or card.last_day is None:
            return None
        if chart in ("timeline", "power"):
            shown = chosen_range(
                asked.get("from", ""), asked.get("to", ""), card.last_day, _address(site_id), 0
            )
            start, end = shown.instants(card.timezone)
            if chart == "power":
                return site_charts.drawn_power(session, site_id, start, end)
            return site_charts.drawn_timeline(timeline(session, site_id, start, end))
        first, last = _days(card, WEAR_DAYS if chart == "wear" else _whole(asked.get("days", ""), RECORDS[1]))
        return site_charts.drawn_record(session, site_id, chart, first, last, _rules(service))


def _days(card: site_queries.SiteCard, days: int) -> tuple[date, date]:
    """The last `days` local days of the site's log, no earlier than its first."""
    if card.first_day is None or card.last_day is None:
        return date(1970, 1, 1), date(1970, 1, 1)
    return max(card.first_day, card.last_day - timedelta(days=min(max(days, 1), 3660) - 1)), card.last_day


def _chart_addresses(site_id: str, days: int) -> Mapping[str, str]:
    names = ("windows", "starts", "lengths", "wear")
    return {name: f"{_address(site_id)}/charts/{name}.json?days={days}" for name in names}


def _address(site_id: str) -> str:
    return f"/sites/{quote(site_id, safe='')}"


def _rules(service: Service) -> RuleSettings:
    return _read_rules(service.settings.rules)


_read_rules = lru_cache(maxsize=4)(read_settings)


def _cache(service: Service) -> PageCache:
    return _cache_of(id(service))


@lru_cache(maxsize=8)
def _cache_of(_: int) -> PageCache:
    return PageCache()


def _whole(text: str, otherwise: int) -> int:
    """A whole number of at least 1 from the address, or `otherwise`."""
    with suppress(ValueError):
        return min(max(1, int(text)), 1_000_000_000)
    return otherwise


def _missing(title: str, said: str) -> Response:
    html = render("missing.html", title=title, said=said)
    return Response(html, 404, media_type="text/html; charset=utf-8")


def _answer(request: Request, page: KeptPage) -> Response:
    headers = {
        "ETag": page.etag,
        "Cache-Control": "private, no-cache",
        "Vary": "Accept-Encoding",
    }
    if page.etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return _packed(request, page.body, page.packed, "text/html; charset=utf-8", headers)


def _packed(
    request: Request, body: bytes, packed: bytes, media_type: str, headers: dict[str, str]
) -> Response:
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(packed, headers={**headers, "Content-Encoding": "gzip"}, media_type=media_type)
    return Response(body, headers=headers, media_type=media_type)
