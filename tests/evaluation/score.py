"""Scores what a review said against what was planted. Pure; counts of several fleets add up.

A *day* is one (rule, subject, local day) that the logs show, by the simulator's own plain reading, or that
the rule raised. A *fault* is one planted fault over all its days. A *false case* is one in whose days
nothing was planted or shown.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import polars as pl

from evaluation.fleets import Observed
from evaluation.strengths import NEIGHBOURS, WAITING

FOLLOWS = "follows from another fault"
Key = tuple[str, str]  # rule, subject
Days = dict[Key, set[date]]


@dataclass
class Scores:
    """Counts, by key. Add fleets with `+`.

    `days`: (rule, interval_s, strength, found | missed | no_response). `findings`: (rule, interval_s, right |
    false). `faults`: as `days`. `delays`: (rule, interval_s, strength, days until the case opened). `cases`:
    (rule, interval_s, severity, healthy | faulty): false cases by what the site is; on a healthy site every
    case is one. `healthy_days`: (interval_s): days of healthy sites.
    """

    days: Counter[tuple[str, int, str, str]] = field(default_factory=Counter)
    findings: Counter[tuple[str, int, str]] = field(default_factory=Counter)
    faults: Counter[tuple[str, int, str, str]] = field(default_factory=Counter)
    delays: Counter[tuple[str, int, str, int]] = field(default_factory=Counter)
    cases: Counter[tuple[str, int, str, str]] = field(default_factory=Counter)
    healthy_days: Counter[tuple[int]] = field(default_factory=Counter)

    def __add__(self, other: Scores) -> Scores:
        return Scores(*(_sum(mine, theirs) for mine, theirs in zip(self.parts(), other.parts(), strict=True)))

    def parts(self) -> tuple[Counter[Any], ...]:
        return self.days, self.findings, self.faults, self.delays, self.cases, self.healthy_days


def _sum(one: Counter[Any], other: Counter[Any]) -> Counter[Any]:
    both = Counter(one)
    both.update(other)
    return both


def score(seen: Observed) -> Scores:
    """The scores of one fleet."""
    made = Scores()
    found, shown, open_days = (_days(seen, name) for name in ("findings", "shown", "not_judged"))
    faults = list(seen.planted.iter_rows(named=True))
    _score_days(made, seen, found, shown, open_days, faults)
    right = _right(seen, shown, faults)
    _score_findings(made, seen, right)
    _score_faults(made, seen, found, shown, open_days, faults)
    _score_cases(made, seen, right)
    return made


def _days(seen: Observed, name: str) -> Days:
    """Days by rule and subject, within the fleet's whole days."""
    found: Days = {}
    for rule, subject, day in getattr(seen, name).select("rule", "subject", "local_date").iter_rows():
        if seen.first <= day <= seen.last:
            found.setdefault((rule, subject), set()).add(day)
    return found


def _score_findings(made: Scores, seen: Observed, right: Days) -> None:
    """Findings that another explains are its evidence and claim nothing of their own."""
    own = seen.findings.filter(pl.col("explained_by").is_null())
    for rule, subject, day in own.select("rule", "subject", "local_date").iter_rows():
        if seen.first <= day <= seen.last:
            near = _near(right.get((rule, subject), set()), day, NEIGHBOURS.get(rule, 0))
            made.findings[rule, seen.interval_s, "right" if near else "false"] += 1


def _near(days: set[date], day: date, reach: int) -> bool:
    return any(day + timedelta(days=k) in days for k in range(-reach, reach + 1))


def _span(first: date, last: date) -> Iterable[date]:
    return (first + timedelta(days=k) for k in range((last - first).days + 1))


def _right(seen: Observed, shown: Days, faults: list[dict[str, Any]]) -> Days:
    """Days on which a finding is right: the logs show it, or the fault stands."""
    right = {key: set(days) for key, days in shown.items()}
    for fault in faults:
        key = fault["rule"], fault["subject"]
        right.setdefault(key, set()).update(_span(fault["first"], min(fault["last"], seen.last)))
    return right


def _outcome(days: set[date], found: set[date], open_days: set[date], reach: int) -> str:
    """Of one day or of all days of a fault."""
    if any(_near(found, day, reach) for day in days):
        return "found"
    return "missed" if days - open_days else "no_response"


def _strength(faults: list[dict[str, Any]], key: Key, day: date) -> str:
    for fault in faults:
        if (fault["rule"], fault["subject"]) == key and fault["first"] <= day <= fault["last"]:
            return str(fault["strength"])
    return FOLLOWS


def _score_days(
    made: Scores, seen: Observed, found: Days, shown: Days, open_days: Days, faults: list[dict[str, Any]]
) -> None:
    for key, days in shown.items():
        mine = [fault for fault in faults if (fault["rule"], fault["subject"]) == key]
        reach = NEIGHBOURS.get(key[0], 0)
        for day in days:
            outcome = _outcome({day}, found.get(key, set()), open_days.get(key, set()), reach)
            made.days[key[0], seen.interval_s, _strength(mine, key, day), outcome] += 1


def _score_faults(
    made: Scores, seen: Observed, found: Days, shown: Days, open_days: Days, faults: list[dict[str, Any]]
) -> None:
    for fault in faults:
        key = fault["rule"], fault["subject"]
        reach = NEIGHBOURS.get(key[0], 0)
        stands = set(_span(fault["first"], min(fault["last"] + timedelta(days=reach), seen.last)))
        mine = shown.get(key, set()) & stands
        outcome = "found" if found.get(key, set()) & stands else "no_response"
        if mine and outcome != "found":
            outcome = _outcome(mine, set(), open_days.get(key, set()), 0)
        made.faults[key[0], seen.interval_s, fault["strength"], outcome] += 1
        opened = _opened(seen, key, stands)
        if outcome == "found" and opened is not None:
            since = min(mine) if key[0] in WAITING and mine else fault["first"]
            made.delays[key[0], seen.interval_s, fault["strength"], max(0, (opened - since).days)] += 1


def _opened(seen: Observed, key: Key, stands: set[date]) -> date | None:
    """The day on which the fault's first case opened."""
    rows = seen.cases.select("rule", "subject", "opened_on").iter_rows()
    opened = [day for rule, subject, day in rows if (rule, subject) == key and day in stands]
    return min(opened, default=None)


def _score_cases(made: Scores, seen: Observed, right: Days) -> None:
    faulty = set(seen.planted["site_id"])
    healthy = [site for site in seen.sites if site not in faulty]
    made.healthy_days[(seen.interval_s,)] += len(healthy) * ((seen.last - seen.first).days + 1)
    for case in seen.cases.iter_rows(named=True):
        key, reach = (case["rule"], case["subject"]), NEIGHBOURS.get(case["rule"], 0)
        if case["first_finding_on"] > seen.last:
            continue
        days = _span(case["first_finding_on"], case["last_finding_on"])
        healthy_site = case["site_id"] not in faulty
        if healthy_site or not any(_near(right.get(key, set()), day, reach) for day in days):
            place = "healthy" if healthy_site else "faulty"
            made.cases[case["rule"], seen.interval_s, case["severity"], place] += 1
