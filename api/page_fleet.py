"""The page of the fleet and its charts."""

from __future__ import annotations

from typing import Annotated

from coilbook.analytics.queries import acts as act_queries
from coilbook.analytics.queries import fleet as fleet_queries
from coilbook.analytics.queries import header as header_queries
from coilbook.analytics.queries.contactors import contactor_plan
from coilbook.analytics.queries.firmware import firmware_cohorts
from coilbook.api.page_answer import answer, as_it_stands, cache, whole
from coilbook.api.page_charts import NothingToDraw, no_chart, send_rows, send_spec
from coilbook.api.service import ServiceDep
from coilbook.api.site_charts import Drawn
from coilbook.dashboards import static_files
from coilbook.dashboards.charts import cases_by_week, contactors_due, rule_precision
from coilbook.dashboards.charts import firmware_cohorts as firmware_chart
from coilbook.dashboards.fleet_page import ORDERS, WEEKS, FleetChoice, FleetRecord, fleet_page, narrowed
from coilbook.ingest.store import Session
from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

router = APIRouter(prefix="/fleet")


def _choice(weeks: str = "", area: str = "", rule: str = "", order: str = "") -> FleetChoice:
    number = whole(weeks, WEEKS[1])
    number = number if number in WEEKS else WEEKS[1]
    return FleetChoice(number, area, rule, order if order in ORDERS else "cases")


Choice = Annotated[FleetChoice, Depends(_choice)]


@router.get("")
def fleet(request: Request, service: ServiceDep, choice: Choice) -> Response:
    """The fleet over time, kept by review, acts and choice."""
    with service.store.reading() as session:
        key = ("fleet", header_queries.review_id(session), act_queries.newest_act_id(session), choice)
        return answer(request, cache(service).page(key, lambda: _page(session, choice)))


@router.get("/charts/{chart}.json")
def chart_spec(request: Request, service: ServiceDep, chart: str, choice: Choice) -> Response:
    """A chart of the page as a Vega-Lite spec."""

    def made() -> Drawn | None:
        with service.store.reading() as session:
            drawn = _drawn(session, chart, choice)
        return None if drawn is None or drawn.rows.is_empty() else drawn

    try:
        return send_spec(request, service, as_it_stands(request, service), f"fleet-{chart}", made)
    except NothingToDraw:
        return no_chart(chart, "the fleet")


@router.get("/charts/{chart}.csv")
def chart_rows(service: ServiceDep, chart: str, choice: Choice) -> Response:
    """The rows behind a chart; `due` is every contactor that comes due."""
    with service.store.reading() as session:
        drawn = _drawn(session, chart, choice)
    return no_chart(chart, "the fleet") if drawn is None else send_rows(drawn, f"fleet-{chart}")


def _page(session: Session, choice: FleetChoice) -> str:
    static_files.warm()
    plan = contactor_plan(session)
    record = FleetRecord(
        weeks=fleet_queries.cases_by_week(session, weeks=choice.weeks),
        precision=fleet_queries.measured_precision(session),
        worst=fleet_queries.worst_circuits(session, order=_order(choice)),
        due=plan.due,
        parts=plan.parts,
        later=plan.later,
        unknown=plan.unknown,
        firmware=firmware_cohorts(session),
        horizon=header_queries.horizon(session),
    )
    return fleet_page(record, choice)


def _order(choice: FleetChoice) -> fleet_queries.Order:
    return "cost" if choice.order == "cost" else "starts" if choice.order == "starts" else "cases"


def _drawn(session: Session, chart: str, choice: FleetChoice) -> Drawn | None:
    if chart in ("by-rule", "by-area"):
        weeks = narrowed(fleet_queries.cases_by_week(session, weeks=choice.weeks), choice)
        if weeks.is_empty():
            return None
        counts = cases_by_week.cases_by_week_data(weeks, "rule" if chart == "by-rule" else "area")
        return Drawn(counts, lambda: cases_by_week.cases_by_week_chart(counts))
    if chart == "precision":
        rules = rule_precision.rule_precision_data(fleet_queries.measured_precision(session))
        known = rules.drop_nulls("precision")
        return Drawn(rules, lambda: rule_precision.rule_precision_chart(rules)) if known.height else None
    if chart in ("contactors", "due"):
        due = contactor_plan(session).due
        quarters = contactors_due.contactors_due_data(due)
        rows = due if chart == "due" else quarters
        return Drawn(rows, lambda: contactors_due.contactors_due_chart(quarters))
    if chart == "firmware":
        rates = firmware_chart.firmware_cohorts_data(firmware_cohorts(session))
        return Drawn(rates, lambda: firmware_chart.firmware_cohorts_chart(rates))
    return None
