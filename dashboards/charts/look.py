"""How charts look by day and by night, and how a chart becomes a spec for the page."""

from __future__ import annotations

import threading
from typing import Any

import altair as alt

FONT = "system-ui, 'Segoe UI', 'Liberation Sans', sans-serif"
_TELLING = threading.Lock()
AXIS_PX = 46
"""Room for the left axis [px]; the same in every panel, so that panels line up."""

AnyChart = alt.Chart | alt.LayerChart | alt.VConcatChart | alt.ConcatChart


def look(dark: bool = False) -> dict[str, Any]:
    """The Vega-Lite config of the page's paper."""
    paper, ink, soft, hair = (
        ("#171816", "#e9e7e0", "#a9a79e", "#3a3b37") if dark else ("#fcfbf7", "#1f1e1b", "#5d5b54", "#dcd9cf")
    )
    return {
        "background": paper,
        "font": FONT,
        "padding": {"left": 0, "right": 8, "top": 4, "bottom": 4},
        "view": {"stroke": None},
        "axis": {
            "labelColor": soft,
            "titleColor": soft,
            "gridColor": hair,
            "domainColor": hair,
            "tickColor": hair,
            "labelFontSize": 11,
            "titleFontSize": 11,
            "titleFontWeight": "normal",
            "labelFont": FONT,
            "titleFont": FONT,
        },
        "title": {
            "color": ink,
            "fontSize": 12.5,
            "fontWeight": 600,
            "anchor": "start",
            "subtitleColor": soft,
            "subtitleFontSize": 11.5,
            "offset": 6,
            "frame": "group",
        },
        "legend": {"labelColor": soft, "titleColor": soft, "labelFontSize": 11},
        "text": {"color": ink, "fontSize": 11.5},
        "rule": {"color": ink},
        "line": {"color": ink},
        "area": {"color": ink},
        "concat": {"spacing": 14},
    }


def time_scale(first_ms: str, stop_ms: str) -> alt.Scale:
    """A scale of wall time dressed as UTC [ms] from `first_ms` to `stop_ms`, digits or slots for them.

    The bounds are expressions of plain numbers: a plain domain becomes a call of `datetime`, which a page
    that forbids `eval` cannot make.
    """
    return alt.Scale(type="utc", domainMin=alt.ExprRef(first_ms), domainMax=alt.ExprRef(stop_ms), nice=False)


def axis_of(**told: Any) -> dict[str, Any]:
    """An axis from Vega-Lite's own names, checked with the rest of the spec.

    A plain mapping: altair's class for it has some eighty fields, empty ones too, and each step that builds a
    chart copies them all, which took a third of the time.
    """
    return told


def local_dates(zone: str) -> str:
    """What an axis of local dates is called."""
    return f"local date, {zone}"


def layered(*charts: alt.Chart, data: alt.NamedData | None = None) -> alt.LayerChart:
    """Charts over each other; those without data of their own share `data`."""
    made = alt.layer(*charts) if data is None else alt.layer(*charts, data=data)
    assert isinstance(made, alt.LayerChart)
    return made


def checked(chart: AnyChart) -> dict[str, Any]:
    """A chart as a checked Vega-Lite spec without a look.

    Raises altair's `SchemaValidationError` for a chart that is not valid Vega-Lite.
    """
    # Frames go in whole, whatever their length; the limit that altair sets otherwise is the process's own.
    with _TELLING, alt.data_transformers.enable("default", max_rows=None):
        told: dict[str, Any] = chart.to_dict()
    told.pop("config", None)
    return told


def spec(chart: AnyChart | dict[str, Any], *, name: str) -> dict[str, Any]:
    """A chart, or a form filled in, with both looks in `usermeta`, for the page to choose from."""
    told = chart if isinstance(chart, dict) else checked(chart)
    return {**told, "usermeta": {"name": name, "looks": {"light": look(), "dark": look(dark=True)}}}
