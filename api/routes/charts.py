"""Charts of a site as Vega-Lite specs."""

from __future__ import annotations

from datetime import date, timedelta
from enum import StrEnum
from typing import Annotated, Any

from coilbook.analytics.queries.site import SiteCard, site_card
from coilbook.analytics.rule_settings import read_settings
from coilbook.api.charts import CHARTS, ChartRange, chart_spec
from coilbook.api.operations import RECORD_DAYS
from coilbook.api.problems import ProblemError, described
from coilbook.api.routes.parameters import First, Last, SiteId
from coilbook.api.service import ServiceDep
from coilbook.ingest.errors import InputError
from fastapi import APIRouter, Path
from fastapi.responses import JSONResponse

router = APIRouter(prefix="/api/sites/{site_id}/charts", tags=["charts"])

ChartName = StrEnum("ChartName", {name.replace("-", "_"): name for name in CHARTS})  # type: ignore[misc]
TIMELINE_DAYS = 7
MOST_DAYS = 1100


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
        wanted = _range(card, name.value, first, last)
        found = chart_spec(session, name.value, wanted, read_settings(service.settings.rules))
    if found is None:
        raise ProblemError(404, f"site {site_id!r} has nothing to draw from {wanted.first} to {wanted.last}")
    return found


def _range(card: SiteCard, name: str, first: date | None, last: date | None) -> ChartRange:
    """The dates asked for, else the last days of the site's logs."""
    until = last or (max(first, card.last_day) if first and card.last_day else card.last_day)
    if until is None:
        raise ProblemError(404, f"site {card.site_id!r} has no log yet")
    days = TIMELINE_DAYS if name == "timeline" else RECORD_DAYS
    try:
        since = first or until - timedelta(days=days - 1)
        if not timedelta(0) <= until - since < timedelta(days=MOST_DAYS):
            raise InputError(f"expected first <= last and at most {MOST_DAYS} days, got {since} to {until}")
        until + timedelta(days=2), since - timedelta(days=2)
    except OverflowError:
        raise InputError("dates: out of the calendar's range") from None
    return ChartRange(card.site_id, card.timezone, since, until)
