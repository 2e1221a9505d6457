"""The page of one site, and its charts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import date, datetime, timedelta
from urllib.parse import quote

import polars as pl
from coilbook.analytics.queries import acts as act_queries
from coilbook.analytics.queries import findings as finding_queries
from coilbook.analytics.queries import morning as morning_queries
from coilbook.analytics.queries import settings as settings_queries
from coilbook.analytics.queries import site as site_queries
from coilbook.analytics.queries.timeline import timeline
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.api import site_charts
from coilbook.api.fields import utc_now
from coilbook.api.page_answer import (
    answer,
    as_it_stands,
    as_the_logs_stand,
    cache,
    missing,
    rules,
    this_hour,
    whole,
)
from coilbook.api.page_cache import KeptPage
from coilbook.api.page_charts import NothingToDraw, no_chart, send_rows, send_spec
from coilbook.api.page_forms import who_of
from coilbook.api.page_panels import panel_of
from coilbook.api.quoted_route import QuotedRoute
from coilbook.api.service import Service, ServiceDep
from coilbook.dashboards.evidence import Evidence, evidence_of
from coilbook.dashboards.ranges import Range, chosen_range, marks_in
from coilbook.dashboards.site_page import SiteRecord, site_page
from coilbook.ingest.store import Session
from fastapi import APIRouter, Request
from fastapi.responses import Response

router = APIRouter(route_class=QuotedRoute)

RECORDS = (28, 91, 365)
"""Lengths of a site's record that can be chosen [d]; the middle one unless asked otherwise."""

WEAR_DAYS = 365
CHART_POINTS = 900
"""Most points of power in a timeline, which is 900 px wide."""
FINDING_DAYS = 14
"""Findings without a case are shown for this long [d]."""


class NoSuchSite(LookupError):
    """The registry has no site of that name."""


@router.get("/sites/{site_id:path}/charts/{chart}.json")
def chart_spec(request: Request, service: ServiceDep, site_id: str, chart: str) -> Response:
    """A chart of a site's page as a Vega-Lite spec."""

    def made() -> site_charts.Drawn | None:
        drawn = _drawn(request, service, site_id, chart)
        return None if drawn is None or (drawn.rows.is_empty() and chart != "timeline") else drawn

    try:
        return send_spec(request, service, as_the_logs_stand(request, service), f"{site_id}-{chart}", made)
    except NothingToDraw:
        return no_chart(chart, f"site {site_id!r}")


@router.get("/sites/{site_id:path}/charts/{chart}.csv")
def chart_rows(request: Request, service: ServiceDep, site_id: str, chart: str) -> Response:
    """The rows behind a chart; times are the site's wall time."""
    drawn = _drawn(request, service, site_id, chart)
    if drawn is None:
        return no_chart(chart, f"site {site_id!r}")
    return send_rows(drawn, f"{site_id}-{chart}")


@router.get("/sites/{site_id:path}")
def site(request: Request, service: ServiceDep, site_id: str) -> Response:
    """One site's history, kept until anything in the store changes, and for an hour at most.

    `act` names the case whose forms stand open, `done` the one just acted on: such pages are not kept.
    `rule`, `subject` and `on` name a finding: the timeline then opens at the minutes that it rests on.
    """
    now, asked = utc_now(), request.query_params

    def made() -> str:
        with service.store.reading() as session:
            return _page(session, site_id, asked, rules(service), now, who_of(request))

    try:
        if "act" in asked or "done" in asked:
            return answer(request, KeptPage.of(made()))
        return answer(request, cache(service).page(as_it_stands(request, service, this_hour(now)), made))
    except NoSuchSite:
        return missing(f"No site {site_id}", "The registry has no site of that name.")


def _page(
    session: Session, site_id: str, asked: Mapping[str, str], settings: RuleSettings, now: datetime, who: str
) -> str:
    card = site_queries.site_card(session, site_id)
    if card is None:
        raise NoSuchSite(site_id)
    act, done = asked.get("act", ""), asked.get("done", "")
    record_days = whole(asked.get("days", ""), RECORDS[1])
    record_days = record_days if record_days in RECORDS else RECORDS[1]
    shown, evidence = _range(session, card, asked, record_days)
    record = _record(session, card, shown, record_days, settings, now)
    panels = {
        case["case_id"]: panel_of(session, case, now=now, who=who, back=_address(site_id))
        for case in record.cases.iter_rows(named=True)
        if case["case_id"] in (act, done)
    }
    return site_page(
        record,
        shown,
        record_days,
        _chart_addresses(site_id, record_days),
        opened=panels.get(act),
        done=panels.get(done),
        people=act_queries.people(session),
        evidence=evidence,
    )


def _range(
    session: Session, card: site_queries.SiteCard, asked: Mapping[str, str], record_days: int
) -> tuple[Range, Evidence | None]:
    """The range asked for, or that of the finding asked for with its minutes marked."""
    begin, stop = asked.get("from", ""), asked.get("to", "")
    evidence = None if begin or stop else _evidence(session, card, asked)
    if evidence is not None:
        begin, stop = evidence.begin.isoformat(), evidence.stop.isoformat()
    last_day = card.last_day or date(1970, 1, 8)
    shown = chosen_range(begin, stop, last_day, _address(card.site_id), record_days)
    return shown.marked(evidence.marks if evidence else ()), evidence


def _record(
    session: Session,
    card: site_queries.SiteCard,
    shown: Range,
    days: int,
    settings: RuleSettings,
    now: datetime,
) -> SiteRecord:
    site_id = card.site_id
    first, last = _days(card, days)
    start, end = shown.instants(card.timezone)
    seen = timeline(session, site_id, start, end, CHART_POINTS)
    return SiteRecord(
        card=asdict(card),
        cases=morning_queries.morning(
            session, now=now, site_id=site_id, include_snoozed=True, include_closed=True
        ),
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
        wear=site_queries.newest_wear(session, site_id, last - timedelta(days=WEAR_DAYS - 1), last),
        shown_runs=seen.runs,
        power=seen.power,
        holes=seen.holes,
        islands=seen.islands,
        first=first if card.last_day else None,
        last=card.last_day,
        limits=site_charts.starts_limits(settings),
    )


def _evidence(session: Session, card: site_queries.SiteCard, asked: Mapping[str, str]) -> Evidence | None:
    """The evidence of the finding asked for; None where there is no such finding."""
    rule, subject = asked.get("rule", ""), asked.get("subject", "")
    try:
        day = date.fromisoformat(asked.get("on", ""))
    except ValueError:
        return None
    found = finding_queries.findings(session, site_id=card.site_id, rule=rule, first=day, last=day)
    mine = found.filter(pl.col("subject") == subject)
    if mine.is_empty():
        return None
    row = mine.row(0, named=True)
    return evidence_of(rule, subject, day, row["sentence"] or "", row["evidence"], card.timezone)


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
            marks = marks_in(asked.getlist("at"))
            return site_charts.drawn_timeline(timeline(session, site_id, start, end, CHART_POINTS), marks)
        first, last = _days(card, WEAR_DAYS if chart == "wear" else whole(asked.get("days", ""), RECORDS[1]))
        return site_charts.drawn_record(session, card, chart, first, last, rules(service))


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
