"""The morning page: what was reviewed, and the cases in their order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.acts import Panel
from coilbook.dashboards.morning_filters import Filters, choices
from coilbook.dashboards.render import render
from coilbook.dashboards.tables import Table, heads

PAGE_SIZE = 100
STALE_H = 26.0
"""A nightly feed is late once its newest row is older than a day and two hours [h]."""
APART = {
    "snoozed": "Snoozed",
    "closed": "Closed, still found by the logs",
    "cleared": "Cleared in the last 7 days",
}
"""States of cases that stand after the rest, each under a heading of its own."""


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
    def just_cleared(self) -> int: ...
    @property
    def open_cases(self) -> int: ...
    def feed_age_h(self, now: datetime) -> float | None: ...


@dataclass(frozen=True)
class Seat:
    """Who looks, and where they act: the case whose forms stand open, or the one just acted on.

    `panel` belongs to the case `opened` (or to the one just `done`); `gone` is a case that left the list by
    the act, shown as a line before the case `before`.
    """

    who: str = ""
    people: Sequence[str] = ()
    opened: str = ""
    done: str = ""
    before: str = ""
    panel: Panel | None = None
    gone: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class Listed:
    """What the list holds: `cases` in their order, and how many of the same choice people put aside."""

    cases: pl.DataFrame
    snoozed: int = 0
    closed: int = 0


EMPTY_SEAT = Seat()


@dataclass(frozen=True)
class Group:
    """A part of the list under one heading; `place` is its anchor."""

    place: str
    title: str
    means: str
    cases: list[Mapping[str, Any]]


def morning_page(
    header: HeaderSeen,
    listed: Listed,
    facets: pl.DataFrame,
    filters: Filters,
    now: datetime,
    seat: Seat = EMPTY_SEAT,
) -> str:
    """The page as HTML; cases in their order as `analytics.queries.morning.morning_list` returns them."""
    cases = listed.cases
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
        groups=_by_area(shown) if filters.group == "area" else _by_severity(shown),
        counts=_counts(cases),
        found=cases.height,
        listed=listed,
        choices=choices(facets, filters),
        filters=filters,
        csv_query=filters.csv_query(),
        not_judged=not_judged_table(header.not_judged),
        page=page,
        pages=pages,
        seat=seat,
        here=f"/{filters.query(page)}",
    )


def not_judged_table(reasons: pl.DataFrame) -> Table:
    """What was not judged on the last whole local day, by reason and rule; of silent sites nothing is."""
    rows = []
    for reason, sites, subjects, rules in reasons.select("reason", "sites", "subjects", "rules").iter_rows():
        told = [{"rule": None, "sites": sites, "subjects": subjects}] if reason == "silent" else rules
        rows += [
            [
                words.plain(reason, words.REASON),
                "every rule" if row["rule"] is None else words.plain(row["rule"], words.RULE),
                words.number(row["sites"]),
                words.number(row["subjects"]),
            ]
            for row in told
        ]
    return Table(
        "Not judged on the last whole day",
        heads("Because", "Rule", "#Sites", "#Circuits, controllers, sites"),
        rows,
    )


def _by_severity(cases: pl.DataFrame) -> list[Group]:
    """Cases by severity in its order; those put aside and the cleared ones last, as groups of their own."""
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for case in cases.iter_rows(named=True):
        groups.setdefault(case["state"] if case["state"] in APART else case["severity"], []).append(case)
    return [
        Group(
            name,
            APART.get(name) or words.plain(name, words.SEVERITY),
            words.SEVERITY_MEANS.get(name, ""),
            rows,
        )
        for name, rows in groups.items()
    ]


def _by_area(cases: pl.DataFrame) -> list[Group]:
    """Cases by area and, within it, site by site: areas and sites in the order of their first case."""
    areas: dict[str, dict[str, list[Mapping[str, Any]]]] = {}
    for case in cases.iter_rows(named=True):
        areas.setdefault(case["area"] or "No area", {}).setdefault(case["site_id"], []).append(case)
    return [
        Group(
            f"area-{place}",
            area,
            words.count(len(sites), "site", "sites"),
            [case for rows in sites.values() for case in rows],
        )
        for place, (area, sites) in enumerate(areas.items(), 1)
    ]


def _counts(cases: pl.DataFrame) -> list[tuple[str, int]]:
    standing = cases.filter(~pl.col("state").is_in(list(APART)))
    counted = dict(standing.group_by("severity").len().iter_rows())
    return [(severity, counted[severity]) for severity in words.SEVERITIES if severity in counted]
