"""The callout sheet as a page: to read on a phone, to print, and to enter the outcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbook.dashboards.acts import Panel
from coilbook.dashboards.callout_sheet import Sheet
from coilbook.dashboards.render import render


def callout_page(
    sheet: Sheet,
    panels: Mapping[str, Panel],
    who: str,
    people: Sequence[str],
    gone: Mapping[str, Any] | None,
) -> str:
    """The page as HTML. `panels` by case id; `gone` is a case that was just closed here."""
    return render(
        "callout.html", sheet=sheet, card=sheet.card, panels=panels, who=who, people=people, gone=gone
    )
