"""The choices of the morning list, as its address carries them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

import polars as pl
from coilbook.dashboards import words

NOBODY = "-"
"""Value of the person filter for cases assigned to nobody."""

Choice = tuple[str, str, str, list[tuple[str, str]]]


@dataclass(frozen=True)
class Filters:
    """The address's choices; empty = all. `group` is `area` to list by area and site, for a round."""

    area: str = ""
    severity: str = ""
    rule: str = ""
    state: str = ""
    person: str = ""
    cleared: bool = False
    group: str = ""
    page: int = 1

    def narrowing(self) -> dict[str, str]:
        """The choices that leave cases out or add some."""
        told = {
            "area": self.area,
            "severity": self.severity,
            "rule": self.rule,
            "state": self.state,
            "person": self.person,
        }
        told = {name: value for name, value in told.items() if value}
        return told | ({"cleared": "1"} if self.cleared else {})

    def chosen(self) -> dict[str, str]:
        """The choices made, as the address carries them, without the page."""
        return self.narrowing() | ({"group": self.group} if self.group else {})

    def csv_query(self) -> str:
        """The same choices as the list's CSV route takes them."""
        told = {name: value for name, value in self.narrowing().items() if name != "cleared"}
        if told.get("person") == NOBODY:
            told |= {"unassigned": "true"}
            del told["person"]
        told |= {"include_cleared": "true"} if self.cleared else {}
        return f"?{urlencode(told)}" if told else ""

    def query(self, page: int = 1, **more: str) -> str:
        """`?area=…`, or nothing; `more` replaces choices, an empty one takes them out."""
        told = self.chosen() | ({"page": str(page)} if page > 1 else {}) | more
        told = {name: value for name, value in told.items() if value}
        return f"?{urlencode(told)}" if told else ""


def choices(facets: pl.DataFrame, filters: Filters) -> list[Choice]:
    """`name, label, chosen, options` of each select; a choice that no open case has any more stays listed."""

    def options(column: str, chosen: str, book: Mapping[str, str]) -> list[tuple[str, str]]:
        values = {value for value in facets[column] if value} | ({chosen} if chosen else set())
        order = list(book)
        ranked = sorted(values, key=lambda v: (order.index(v) if v in order else len(order), v))
        return [(value, book.get(value, value)) for value in ranked]

    person = "" if filters.person == NOBODY else filters.person
    people = [(NOBODY, "nobody"), *options("assigned_to", person, {})]
    return [
        ("area", "Area", filters.area, options("area", filters.area, {})),
        ("severity", "Severity", filters.severity, options("severity", filters.severity, words.SEVERITY)),
        ("rule", "Rule", filters.rule, options("rule", filters.rule, words.RULE)),
        ("person", "Person", filters.person, people),
        ("state", "State", filters.state, options("state", filters.state, words.STATE)),
    ]
