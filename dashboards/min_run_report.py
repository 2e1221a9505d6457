"""A result as one file that stands alone: charts as drawings within, nothing asked of any host."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import vl_convert
from coilbook.dashboards import static_files
from coilbook.dashboards.charts.look import look, spec
from coilbook.dashboards.min_run_page import CHARTS, Part, class_parts, drawn, whole_tables
from coilbook.dashboards.min_run_words import shape_of, summary_table
from coilbook.dashboards.render import render
from markupsafe import Markup


def min_run_report(shown: Mapping[str, Any]) -> str:
    """The report as HTML. `shown` is a tuning that is done, as `min_run_page.Seen` has it."""
    parts = [_with_drawings(part, shown) for part in class_parts(shown, links=False)]
    return render(
        "min_run_report.html",
        shown=shown,
        parts=parts,
        whole=whole_tables(shown),
        style=_style("page.css"),
        own_style=_style("min_run.css"),
        summary=summary_table(shown["frames"]["recommendations"]),
        shape=shape_of,
    )


def _with_drawings(part: Part, shown: Mapping[str, Any]) -> Part:
    svgs = {}
    for name in CHARTS:
        found = drawn(name, shown["frames"], part.one["appliance"], part.one["currency"])
        if found is not None and not found[0].is_empty():
            svgs[name] = Markup(_svg(spec(found[1], name=name)))
    return replace(part, svgs=svgs)


def _style(name: str) -> Markup:
    return Markup((static_files.FOLDER / name).read_text("utf-8"))


def _svg(told: dict[str, Any]) -> str:
    made: str = vl_convert.vegalite_to_svg(told, config=look())
    return made
