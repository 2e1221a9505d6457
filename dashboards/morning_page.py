"""The morning page: what was reviewed, and the cases in their order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol
from urllib.parse import urlencode

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.render import render
from coilbook.dashboards.tables import Table, heads

PAGE_SIZE = 100
STALE_H = 26.0
"""A nightly feed is late once its newest row is older than a day and two hours [h]."""


class HeaderSeen(Protocol):
    """What the page reads of `analytics.queries.header.Header`."""

    @property
    def review_id(self) -> int: ...
    @property
    def reviewed_at(self) -> datetime | None: ...
    @property
    def as_of(self) -> datetime | None: ...
    @property
    def horizon(self) -> datetime | None: ...
    @property
    def sites(self) -> int: ...
    @property
    def sites_judged(self) -> int: ...
    @property
    def not_judged(self) -> pl.DataFrame: ...
    @property
    def new(self) -> int: ...
    @property
    def continuing(self) -> int: ...
    @property
    def back(self) -> int: ...
    @property
    def cleared(self) -> int: ...
    @property
    def open_cases(self) -> int: ...
    def feed_age_h(self, now: datetime) -> float | None: ...


@dataclass(frozen=True)
class Filters:
    """The address's choices; empty = all."""

    area: str = ""
    severity: str = ""
    rule: str = ""
    state: str = ""
    cleared: bool = False
    page: int = 1

    def chosen(self) -> dict[str, str]:
        """The choices made, as the address carries them, without the page."""
        told = {"area": self.area, "severity": self.severity, "rule": self.rule, "state": self.state}
        told = {name: value for name, value in told.items() if value}
        return told | ({"cleared": "1"} if self.cleared else {})

    def csv_query(self) -> str:
        """The same choices as the list's CSV route takes them."""
        told = {name: value for name, value in self.chosen().items() if name != "cleared"}
        told |= {"include_cleared": "true"} if self.cleared else {}
        return f"?{urlencode(told)}" if told else ""

    def query(self, page: int = 1) -> str:
        """`?area=…`, or nothing."""
        told = self.chosen() | ({"page": str(page)} if page > 1 else {})
        return f"?{urlencode(told)}" if told else ""


def morning_page(
    header: HeaderSeen, cases: pl.DataFrame, facets: pl.DataFrame, filters: Filters, now: datetime
) -> str:
    """The page as HTML; `cases` in their order as `analytics.queries.morning.morning` returns them."""
    pages = max(1, -(-cases.height // PAGE_SIZE))
    page = min(max(1, filters.page), pages)
    shown = cases.slice((page - 1) * PAGE_SIZE, PAGE_SIZE)
    last_day = cases["last_day"].max() if cases.height else header.horizon and header.horizon.date()
    age = header.feed_age_h(now)
    return render(
        "morning.html",
        header=header,
        age_h=age,
        stale=age is not None and age > STALE_H,
        last_day=last_day,
        groups=_groups(shown),
        counts=_counts(cases),
        found=cases.height,
        choices=_choices(facets, filters),
        filters=filters,
        csv_query=filters.csv_query(),
        not_judged=not_judged_table(header.not_judged),
        page=page,
        pages=pages,
    )


def not_judged_table(reasons: pl.DataFrame) -> Table:
    """What was not judged and why, on the last whole local day."""
    rows = [
        [words.plain(reason, words.REASON), words.number(sites), words.number(subjects)]
        for reason, sites, subjects in reasons.select("reason", "sites", "circuit_days").iter_rows()
    ]
    return Table(
        "Not judged on the last whole day, by at least one rule",
        heads("Because", "#Sites", "#Circuits, controllers, sites"),
        rows,
    )


def _groups(cases: pl.DataFrame) -> list[tuple[str, list[Mapping[str, Any]]]]:
    """Cases by severity in its order; the cleared ones last, as a group of their own."""
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for case in cases.iter_rows(named=True):
        groups.setdefault("cleared" if case["state"] == "cleared" else case["severity"], []).append(case)
    return list(groups.items())


def _counts(cases: pl.DataFrame) -> list[tuple[str, int]]:
    standing = cases.filter(pl.col("state") != "cleared")
    counted = dict(standing.group_by("severity").len().iter_rows())
    return [(severity, counted[severity]) for severity in words.SEVERITIES if severity in counted]


def _choices(facets: pl.DataFrame, filters: Filters) -> list[tuple[str, str, str, list[tuple[str, str]]]]:
    """`name, label, chosen, options` of each select; a choice that no open case has any more stays listed."""

    def options(column: str, chosen: str, book: Mapping[str, str]) -> list[tuple[str, str]]:
        values = {value for value in facets[column] if value} | ({chosen} if chosen else set())
        order = list(book)
        ranked = sorted(values, key=lambda v: (order.index(v) if v in order else len(order), v))
        return [(value, book.get(value, value)) for value in ranked]

    return [
        ("area", "Area", filters.area, options("area", filters.area, {})),
        ("severity", "Severity", filters.severity, options("severity", filters.severity, words.SEVERITY)),
        ("rule", "Rule", filters.rule, options("rule", filters.rule, words.RULE)),
        ("state", "State", filters.state, options("state", filters.state, words.STATE)),
    ]
