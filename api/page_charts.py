"""How the charts of pages are sent: as a Vega-Lite spec, and as the rows behind it."""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable
from urllib.parse import quote

from coilbook.api.csv_text import csv_text
from coilbook.api.page_answer import answer, cache
from coilbook.api.service import Service
from coilbook.api.site_charts import Drawn
from coilbook.dashboards.charts.look import spec
from fastapi import Request
from fastapi.responses import JSONResponse, Response


class NothingToDraw(LookupError):
    """A chart that there is not, or that has no rows."""


def send_spec(
    request: Request, service: Service, key: Hashable, name: str, made: Callable[[], Drawn | None]
) -> Response:
    """The chart as a spec called `name`, kept under `key`; `NothingToDraw` where `made` gives none."""

    def told() -> str:
        drawn = made()
        if drawn is None:
            raise NothingToDraw(name)
        return json.dumps(spec(drawn.draw(), name=name), separators=(",", ":"))

    return answer(request, cache(service).page(key, told), "application/json")


def send_rows(drawn: Drawn, name: str) -> Response:
    """The rows behind the chart as `name`.csv."""
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{quote(f'{name}.csv', safe='')}"}
    text = csv_text(drawn.rows.columns, drawn.rows.iter_rows())
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


def no_chart(chart: str, of: str) -> Response:
    """Status 404 for a chart that is not there."""
    return JSONResponse({"detail": f"no chart {chart!r} of {of}"}, 404)
