"""How the charts of pages are sent: as a Vega-Lite spec, and as the rows behind it."""

from __future__ import annotations

import gzip
import json
from urllib.parse import quote

from coilbook.api.csv_text import csv_text
from coilbook.api.page_answer import packed
from coilbook.api.site_charts import Drawn
from coilbook.dashboards.charts.look import spec
from fastapi import Request
from fastapi.responses import JSONResponse, Response


def send_spec(request: Request, drawn: Drawn, name: str) -> Response:
    """The chart as a spec called `name`."""
    told = json.dumps(spec(drawn.draw(), name=name), separators=(",", ":")).encode()
    headers = {"Cache-Control": "private, no-cache", "Vary": "Accept-Encoding"}
    return packed(request, told, gzip.compress(told, 6), "application/json", headers)


def send_rows(drawn: Drawn, name: str) -> Response:
    """The rows behind the chart as `name`.csv."""
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{quote(f'{name}.csv')}"}
    text = csv_text(drawn.rows.columns, drawn.rows.iter_rows())
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


def no_chart(chart: str, of: str) -> Response:
    """Status 404 for a chart that is not there."""
    return JSONResponse({"detail": f"no chart {chart!r} of {of}"}, 404)
