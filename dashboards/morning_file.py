"""The morning list as one file that needs nothing else: to be mailed, printed or kept."""

from __future__ import annotations

import polars as pl
from coilbook.dashboards import static_files
from coilbook.dashboards.morning_page import HeaderSeen, not_judged_table
from coilbook.dashboards.render import render
from markupsafe import Markup


def morning_file(header: HeaderSeen, cases: pl.DataFrame) -> str:
    """The file as HTML, its style within; `cases` as `analytics.queries.morning.morning` returns them."""
    style = static_files.static_file("page.css").body.decode()
    return render(
        "morning_file.html",
        style=Markup(style),
        header=header,
        last_day=cases["last_day"].max() if cases.height else header.horizon and header.horizon.date(),
        cases=list(cases.iter_rows(named=True)),
        not_judged=not_judged_table(header.not_judged),
    )
