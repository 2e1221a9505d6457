"""The forms at a case, filled from the store."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from urllib.parse import quote

import polars as pl
from coilbook.analytics.queries import acts as act_queries
from coilbook.api.page_forms import way_back
from coilbook.dashboards.acts import Panel, acts_seen, panel
from coilbook.ingest.store import Session


def panel_of(
    session: Session,
    case: Mapping[str, Any],
    *,
    now: datetime,
    who: str,
    back: str,
    after: str = "",
    error: str = "",
    newer: pl.DataFrame | None = None,
    typed: Mapping[str, str] | None = None,
) -> Panel:
    """The panel of `case`, a row of `one_case`. `newer`: acts that came between, where one was refused."""
    place = quote(f"case-{case['case_id']}", safe="")
    zone = case["zone"] or "UTC"
    return panel(
        act_queries.acts(session, [case["case_id"]]),
        case,
        now=now,
        who=who,
        people=act_queries.people(session),
        back=back,
        shut=f"{way_back(back)}#{place}",
        here=f"{way_back(back, act=case['case_id'])}#{place}",
        after=after,
        error=error,
        newer=[] if newer is None else acts_seen(newer, zone),
        typed=typed or {},
    )
