"""Charts of a site as Vega-Lite specs."""

from __future__ import annotations

from datetime import date, timedelta
from enum import StrEnum
from typing import Annotated, Any

from coilbook.analytics.queries.site import SiteCard, site_card
from coilbook.analytics.queries.timeline import timeline
from coilbook.analytics.rule_settings import read_settings
from coilbook.api.operations import RECORD_DAYS
from coilbook.api.problems import ProblemError, described
from coilbook.api.quoted_route import QuotedRoute
from coilbook.api.routes.parameters import First, Last, SiteId
from coilbook.api.service import Service, ServiceDep
from coilbook.api.site_charts import Drawn, drawn_record, drawn_timeline
from coilbook.dashboards.charts.look import spec
from coilbook.ingest.errors import InputError
from coilbook.ingest.local_time import ONE_DAY, midnight
from coilbook.ingest.store import Session
from fastapi import APIRouter, Path
from fastapi.responses import JSONResponse

router = APIRouter(prefix="/api/sites/{site_id:path}/charts", tags=["charts"], route_class=QuotedRoute)

TIMELINE_DAYS = 7
MOST_DAYS = 1100
EARLIEST, LATEST = date(1970, 1, 1), date(2200, 1, 1)


class ChartName(StrEnum):
    """The charts of a site."""

    timeline = "timeline"
    windows = "windows"
    starts = "starts"
    lengths = "lengths"
    wear = "wear"


@router.get(
    "/{name}",
    summary="A chart of a site",
    response_class=JSONResponse,
    responses={200: {"description": "A Vega-Lite specification"}, **described(404, 422)},
)
def chart(
    service: ServiceDep,
    site_id: SiteId,
    name: Annotated[ChartName, Path(description="which chart")],
    first: First = None,
    last: Last = None,
) -> dict[str, Any]:
    """The specification with its data, in the site's wall time. Without dates the site's last days are drawn.

    404 where the range holds nothing to draw.
    """
    with service.store.reading() as session:
        card = site_card(session, site_id)
        if card is None:
            raise ProblemError(404, f"no site {site_id!r} in the registry")
        since, until = _range(card, name, first, last)
        drawn = _drawn(session, service, card, name, since, until)
    if drawn is None or drawn.rows.is_empty():
        raise ProblemError(404, f"site {site_id!r} has nothing to draw from {since} to {until}")
    return spec(drawn.draw(), name=f"{site_id}-{name}")


def _drawn(
    session: Session, service: Service, card: SiteCard, name: ChartName, since: date, until: date
) -> Drawn | None:
    if name is ChartName.timeline:
        start, end = midnight(card.timezone, since), midnight(card.timezone, until + ONE_DAY)
        return drawn_timeline(timeline(session, card.site_id, start, end))
    return drawn_record(session, card, name, since, until, read_settings(service.settings.rules))


def _range(card: SiteCard, name: ChartName, first: date | None, last: date | None) -> tuple[date, date]:
    """The local dates asked for, both included, else the last days of the site's logs."""
    for day in (first, last):
        if day is not None and not EARLIEST <= day <= LATEST:
            raise InputError(f"expected dates from {EARLIEST} to {LATEST}, got {day}")
    until = last or card.last_day
    if until is None:
        raise ProblemError(404, f"site {card.site_id!r} has no log yet")
    days = TIMELINE_DAYS if name is ChartName.timeline else RECORD_DAYS
    since = first or until - timedelta(days=days - 1)
    if not timedelta(0) <= until - since < timedelta(days=MOST_DAYS):
        raise InputError(f"expected first <= last and at most {MOST_DAYS} days, got {since} to {until}")
    return since, until
