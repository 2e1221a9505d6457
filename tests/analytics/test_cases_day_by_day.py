"""The runs of cases against a walk through the days, one after another, as the definition is spoken.

The product finds runs by counting places and joining; this walk keeps a list of judged days and two counters.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

import polars as pl
from coilbook.analytics.case_runs import runs_of
from coilbook.analytics.rule_settings import CaseSettings
from hypothesis import given, settings
from hypothesis import strategies as st

FIRST = date(2026, 1, 1)
CASES = CaseSettings()
Span = tuple[int, int, int, int | None, bool]


@dataclass
class Walk:
    """Where the walk stands: judged days with their findings, the open case, the newest cleared one."""

    needed: int
    among: int
    judged: list[int | None] = field(default_factory=list)
    taken: int = -1
    cleared: int | None = None
    done: list[Span] = field(default_factory=list)
    first: int = 0
    opened: int | None = None
    newest: int = 0
    clean: int = 0
    free: int = 0

    def step(self, day: int, kind: str) -> None:
        if kind in "Fx.":
            self.judged.append(day if kind == "F" else None)
        if kind == "F":
            self._finding(day)
        elif kind in "x.-":
            self.free += 1
            self.clean += kind != "-"  # an explained finding is evidence of another case
        if self.opened is not None and (
            self.clean >= CASES.clear_after_days or self.free >= CASES.idle_days_to_clear
        ):
            self.close(day)

    def _finding(self, day: int) -> None:
        recent = [d for d in self.judged[-self.among :] if d is not None]
        if self.opened is None and len(recent) >= self.needed:
            self.opened, self.first = day, min(d for d in recent if d > self.taken)
        self.newest, self.clean, self.free = day, 0, 0

    def close(self, day: int | None) -> None:
        if self.opened is None:
            return
        back = self.cleared is not None and self.first - self.cleared <= CASES.back_within_days
        self.done.append((self.first, self.opened, self.newest, day, back))
        self.taken, self.opened, self.cleared = self.newest, None, day


def walked(week: str, needed: int, among: int) -> list[Span]:
    walk = Walk(needed, among)
    for day, kind in enumerate(week):
        walk.step(day, kind)
    walk.close(None)
    return walk.done


def computed(week: str, needed: int, among: int) -> list[Span]:
    days = [(FIRST + timedelta(days=n), kind) for n, kind in enumerate(week)]
    findings = pl.DataFrame(
        [("r", "c", day, "other" if kind == "x" else None) for day, kind in days if kind in "Fx"],
        schema={"rule": pl.String, "subject": pl.String, "local_date": pl.Date, "explained_by": pl.String},
        orient="row",
    )
    judged = pl.DataFrame(
        [("r", "c", day, kind != "-") for day, kind in days if kind != " "],
        schema={"rule": pl.String, "subject": pl.String, "local_date": pl.Date, "exposed": pl.Boolean},
        orient="row",
    )
    runs = runs_of(findings, judged, {"r": (needed, among)}, CASES, {})

    def number(day: date | None) -> int | None:
        return None if day is None else (day - FIRST).days

    return [
        (
            number(r.first_finding_on),
            number(r.opened_on),
            number(r.last_finding_on),
            number(r.cleared_on),
            r.back,
        )  # type: ignore[misc]
        for r in runs
    ]


@settings(max_examples=300, deadline=None)
@given(
    week=st.text(alphabet="FFx...- ", max_size=60),
    opening=st.sampled_from([(1, 1), (2, 7), (3, 14), (5, 14)]),
)
def test_runs_are_those_of_a_walk_through_the_days(week: str, opening: tuple[int, int]) -> None:
    assert computed(week, *opening) == walked(week, *opening)
