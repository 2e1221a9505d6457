"""From findings to runs: when a case opens, how far it goes, when it clears.

For one rule and subject, days are of three kinds. A day *with a finding* counts for opening and keeps a case
up. A *clean* day was covered, judged and had something to judge; enough of them clear a case. A day whose
finding is *explained* by another rule's is clean, too: it is evidence of that rule's case, and one cause does
not stand as two. An *idle* day was covered but had nothing to judge (no window, no surplus start): it neither
opens nor clears, save that a long row of them does clear, so that a case does not outlive a window that was
taken out. Days not judged are not there at all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import polars as pl
from coilbook.analytics.rule_settings import CaseSettings

KEY = ["rule", "subject"]


@dataclass(frozen=True)
class Run:
    """A run of findings that opened a case."""

    rule: str
    subject: str
    first_finding_on: date
    opened_on: date
    last_finding_on: date
    cleared_on: date | None
    days: int
    back: bool


@dataclass(frozen=True)
class Settled:
    """What is known of a rule and subject before the findings that matter.

    Findings through the day `through` are taken; `standing` is the run still open then, with its days until
    then; `cleared` is when the run before it cleared.
    """

    through: date
    standing: Run | None = None
    cleared: date | None = None


def runs_of(
    findings: pl.DataFrame,
    judged_days: pl.DataFrame,
    openings: Mapping[str, tuple[int, int]],
    settings: CaseSettings,
    settled: Mapping[tuple[str, str], Settled],
) -> list[Run]:
    """The runs of every rule and subject, oldest first.

    `findings`: rule, subject, local_date, explained_by. `judged_days`: rule, subject, local_date, exposed
    [something was there to judge]. `openings`: rule to (n, m), a case opens when n of the subject's last m
    judged days had findings. `settled`: of a rule and subject, what need not be computed again.
    """
    marked = _marked(_day_kinds(findings, judged_days), settings)
    runs: list[Run] = []
    for (rule, subject), rows in marked.partition_by(KEY, as_dict=True, maintain_order=True).items():
        days = list(rows.select("local_date", "place", "cleared_on").iter_rows())
        key = str(rule), str(subject)
        runs.extend(_runs(key, days, openings[key[0]], settings, settled.get(key)))
    return runs


def _day_kinds(findings: pl.DataFrame, judged_days: pl.DataFrame) -> pl.DataFrame:
    c = pl.col
    found = findings.select(
        *KEY, "local_date", found=c("explained_by").is_null(), explained=c("explained_by").is_not_null()
    )
    days = found.join(judged_days, on=[*KEY, "local_date"], how="full", coalesce=True)
    flags = [c(name).fill_null(value=False) for name in ("found", "explained", "exposed")]
    return (
        days.with_columns(flags)
        .with_columns(
            clean=(c("exposed") | c("explained")) & ~c("found"),
            free=~c("found"),
            counts=c("exposed") | c("found") | c("explained"),
        )
        .sort(*KEY, "local_date")
    )


def _marked(days: pl.DataFrame, settings: CaseSettings) -> pl.DataFrame:
    """Days with a finding: their place among judged days, and when the case clears before the next one."""
    c = pl.col
    days = days.with_columns(
        place=c("counts").cum_sum().over(KEY),
        clean_place=c("clean").cum_sum().over(KEY).cast(pl.Int64),
        free_place=c("free").cum_sum().over(KEY).cast(pl.Int64),
    )
    found = days.filter("found").with_columns(next_on=c("local_date").shift(-1).over(KEY))
    for kind, after in (("clean", settings.clear_after_days), ("free", settings.idle_days_to_clear)):
        ends = days.filter(kind).select(*KEY, c(f"{kind}_place") - after, c("local_date").alias(f"{kind}_on"))
        found = found.join(ends, on=[*KEY, f"{kind}_place"], how="left")
    clear = pl.min_horizontal("clean_on", "free_on")
    return found.with_columns(
        cleared_on=pl.when(c("next_on").is_null() | (clear < c("next_on"))).then(clear)
    ).sort(*KEY, "local_date")


def _runs(
    key: tuple[str, str],
    days: list[tuple[date, int, date | None]],
    opening: tuple[int, int],
    settings: CaseSettings,
    settled: Settled | None,
) -> Iterator[Run]:
    """Runs of one rule and subject; `days`: date, place among judged days and clearing date of findings."""
    needed, among = opening
    begin = sum(on <= settled.through for on, _, _ in days) if settled else 0
    standing = settled.standing if settled else None
    cleared = settled.cleared if settled else None
    for i in range(begin, len(days)):  # days from `begin` on no earlier case has taken
        on, place, clears_on = days[i]
        recent = [j for j in range(max(0, i - among + 1), i + 1) if days[j][1] > place - among]
        if standing is None and len(recent) >= needed:
            begin = max(begin, recent[0])
            first = days[begin][0]
            back = cleared is not None and (first - cleared).days <= settings.back_within_days
            standing = Run(*key, first, on, on, None, 0, back)
        if standing is not None and (clears_on or i == len(days) - 1):
            grown = standing.days + i - begin + 1
            yield replace(standing, last_finding_on=on, cleared_on=clears_on, days=grown)
            begin, standing, cleared = i + 1, None, clears_on


def schema() -> dict[str, Any]:
    """Columns of the frame of runs."""
    day = pl.Date
    return {
        "rule": pl.String,
        "subject": pl.String,
        "first_finding_on": day,
        "opened_on": day,
        "last_finding_on": day,
        "cleared_on": day,
        "days": pl.Int64,
        "back": pl.Boolean,
    }
