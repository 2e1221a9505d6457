"""The page on the minimum run: ask, watch, read, compare, take away; without scripts all but the charts."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

import polars as pl
from coilbook.analytics.queries import tune as records
from coilbook.analytics.queries.tune import Tuning
from coilbook.analytics.replay.costs import START_COSTS, CostSettings
from coilbook.analytics.replay.request import RESAMPLES, SEED
from coilbook.api.csv_text import csv_text
from coilbook.api.fields import utc_now
from coilbook.api.page_answer import HTML, answer, missing
from coilbook.api.page_cache import KeptPage
from coilbook.api.page_forms import Form, read_form, see_other
from coilbook.api.problems import ProblemError
from coilbook.api.routes.tune import csv_of, done, found
from coilbook.api.service import Service, ServiceDep
from coilbook.api.tune_order import TuneOrder
from coilbook.api.tune_running import TuningRuns
from coilbook.api.tune_text import order_from_text
from coilbook.dashboards import words
from coilbook.dashboards.charts.look import AnyChart, spec
from coilbook.dashboards.min_run_page import CHARTS, Running, Seen, drawn, min_run_page
from coilbook.dashboards.min_run_report import min_run_report
from coilbook.ingest.errors import InputError
from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

router = APIRouter(prefix="/fleet/min-run", include_in_schema=False)

PAGE = "/fleet/min-run"
KEPT = 50
MANY = ("appliances", "areas")
ONES = (
    *("min_runs_min", "on_levels", "off_levels", "on_delays_s", "off_delays_s", "min_rests_min"),
    *("also_clock", "pv_kw", "battery", "variability", "months", "first", "last", "valid_from"),
    *("contactor_change", "default_life_ops", "start_cost", "own_kwh_value", "name", "seed", "resamples"),
)
FOLDED = ("on_levels", "off_levels", "on_delays_s", "off_delays_s", "min_rests_min")
BLANK = {
    **dict.fromkeys(ONES, ""),
    "min_runs_min": ", ".join(f"{m:g}" for m in order_from_text({}).min_runs_min),
}


@router.get("")
def page(request: Request, service: ServiceDep, run: str = "") -> Response:
    """A result, or what runs, and the form to ask anew. Without `run` the newest result is shown."""
    numbers = [_number(run), _number(request.query_params.get("with", ""))]
    with service.store.reading() as session:
        kept = records.tunings(session, KEPT)
        newest = next((one.tune_run_id for one in kept if one.state == "done"), 0)
        shown, earlier = (records.tuning(session, number) for number in (numbers[0] or newest, numbers[1]))
    if numbers[0] and shown is None:
        return missing(
            "No such result", "It is not on record any more; the page on the minimum run has the others."
        )
    if earlier is not None and earlier.state != "done":
        earlier = None
    html = _page(service, dict(BLANK), shown, earlier)
    return answer(request, KeptPage.of(html))


@router.post("")
async def ask(request: Request, service: ServiceDep) -> Response:
    """Begin what the form asks for, and go on to its page; a form that cannot be used comes back with why."""
    form = await read_form(request)
    return await run_in_threadpool(_ask, service, form)


def _ask(service: Service, form: Form) -> Response:
    fields: dict[str, Any] = {name: form.get(name).strip() for name in ONES}
    given = fields | {name: [value for value in form.all(name) if value] for name in MANY}
    try:
        if not given["appliances"]:
            raise InputError("choose at least one class")
        order = order_from_text(given)
        if order.name is None:
            order = order.model_copy(update={"name": _free_name(service, order)})
        number = service.tunings.start(order)
    except (InputError, TuningRuns) as exc:
        status = 409 if isinstance(exc, TuningRuns) else 422
        return Response(_page(service, given, None, None, str(exc)), status, media_type=HTML)
    return see_other(f"{PAGE}?run={number}")


@router.post("/{number}/cancel")
def cancel(service: ServiceDep, number: int) -> Response:
    """Call a tuning off; one that has ended is shown as it is."""
    service.tunings.cancel(number)
    return see_other(f"{PAGE}?run={number}")


@router.post("/{number}/drop")
def drop(service: ServiceDep, number: int) -> Response:
    """Take a tuning off the record."""
    if found(service, number).state == "running":
        raise ProblemError(409, f"tuning {number} runs; cancel it first")
    records.drop(service.store, number)
    return see_other(f"{PAGE}#kept")


@router.get("/{number}/rows.csv")
def rows(service: ServiceDep, number: int) -> Response:
    """The recommended settings as rows of the circuits file."""
    return csv_of(done(service, number))


@router.get("/{number}/report.html")
def report(service: ServiceDep, number: int) -> Response:
    """The result as one file to keep; a download, since its styles and drawings are written into it."""
    known = done(service, number)
    name = quote(f"minimum-run-{known.name or number}.html", safe="")
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{name}"}
    return Response(min_run_report(vars(known)), media_type=HTML, headers=headers)


@router.get("/{number}/charts/{chart}.json")
def chart_spec(
    request: Request, service: ServiceDep, number: int, chart: str, appliance: str, currency: str
) -> Response:
    """A chart of a result as a Vega-Lite spec; `with` names an earlier result to draw beside it."""
    earlier = _number(request.query_params.get("with", ""))
    made = _drawn(service, number, chart, appliance, currency, earlier)
    told = spec(made[1], name=f"minimum-run-{number}-{appliance}-{chart}")
    return Response(json.dumps(told, separators=(",", ":")), media_type="application/json")


@router.get("/{number}/charts/{chart}.csv")
def chart_rows(service: ServiceDep, number: int, chart: str, appliance: str, currency: str) -> Response:
    """The rows behind a chart."""
    made = _drawn(service, number, chart, appliance, currency, 0)
    name = quote(f"minimum-run-{number}-{appliance}-{chart}.csv", safe="")
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{name}"}
    text = csv_text(made[0].columns, made[0].iter_rows())
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


def _drawn(
    service: Service, number: int, chart: str, appliance: str, currency: str, earlier: int
) -> tuple[pl.DataFrame, AnyChart]:
    known = done(service, number)
    older = done(service, earlier).frames if earlier else None
    made = drawn(chart, known.frames, appliance, currency, older) if chart in CHARTS else None
    if made is None or made[0].is_empty():
        raise ProblemError(404, f"tuning {number} has no chart {chart!r} of {appliance!r} in {currency!r}")
    return made


def _page(
    service: Service, fields: Mapping[str, Any], shown: Tuning | None, earlier: Tuning | None, fault: str = ""
) -> str:
    at = service.tunings.running()
    with service.store.reading() as session:
        classes, areas = records.classes(session), records.areas(session)
        kept = records.tunings(session, KEPT)
    told = {"appliances": [], "areas": [], **fields}
    told["more"] = any(told[name] for name in FOLDED)
    return min_run_page(
        Seen(
            classes=classes,
            areas=areas,
            kept=[vars(one) for one in kept],
            fields=told,
            placeholders=_placeholders(),
            running=Running(at.number, at.title, at.sites_done, at.sites) if at else None,
            shown=vars(shown) if shown else None,
            earlier=vars(earlier) if earlier else None,
            fault=fault,
        )
    )


def _placeholders() -> dict[str, str]:
    costs = CostSettings()
    return {
        "contactor_change": f"placeholder {costs.contactor_change:g}",
        "default_life_ops": f"placeholder {costs.default_life_ops:.0f}",
        "start_cost": f"placeholder 0 to {max(START_COSTS.values()):g}",
        "seed": str(SEED),
        "resamples": str(RESAMPLES),
    }


def _free_name(service: Service, order: TuneOrder) -> str:
    """Classes and time, with a number where that is taken."""
    classes = ", ".join(words.plain(one, words.APPLIANCE) for one in order.appliances[:3])
    name = f"{classes}{' and more' if len(order.appliances) > 3 else ''}, {words.moment(utc_now())}"
    names = (name, *(f"{name} ({n})" for n in range(2, 1000)))
    with service.store.reading() as session:
        return next(one for one in names if not records.is_taken(session, one))


def _number(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 18 else 0
