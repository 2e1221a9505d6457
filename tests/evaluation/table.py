"""The tables of the evaluation as Markdown, and their place in DEVELOPERS.md."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from coilbook.analytics.intervals import garwood, wilson
from coilbook.analytics.rules import RULES

from evaluation.fleets import INTERVALS_S
from evaluation.measured import Measured
from evaluation.score import Scores
from evaluation.strengths import COINCIDENCE, HOLIDAYS, UNSEEN, WEAK, WHY_SHORT, counts, within

BEGIN, END = "<!-- evaluation: begin -->", "<!-- evaluation: end -->"
FILE = Path(__file__).parents[2] / "DEVELOPERS.md"
TARGET = 0.95
MOST_FALSE_CASES = 1.0  # per 100 healthy site-weeks
HEAD = (
    "rule",
    "precision (95 %), findings",
    "recall at 1 min (95 %), days",
    "at 5 min",
    "at 15 min",
    "no response, days, 1 / 5 / 15 min",
    "faults found / planted",
    "days to the case: median, 95 %",
    "meets the targets",
)
INTRODUCTION = (
    "## How well the rules find faults",
    "",
    "The simulator plants every fault in many strengths, at homes that are odd themselves (restless "
    "houses, holidays, outages at dawn, changed settings, circuits that switch together), and "
    "`tests/evaluation/` scores what a review says. A sample is one (rule, subject, local day); rules "
    "that need several days may be off by one. Recall counts the days that the logs show, by the "
    "simulator's own plain reading of them, at the strengths that a technician would call a fault "
    "(`strengths.py` has them with reasons); precision counts findings on days on which something was "
    "planted or shown. *No response* is a day that the rule said it could not judge. Faults found / "
    "planted counts those that never showed, too. Seeds of the table were never looked at while rules "
    "were tuned; where a rule was changed afterwards, fresh ones were taken. The table is written by "
    "`PYTHONPATH=tests python -m evaluation.run` and held against `measured.json` in CI, which "
    "measures some small fleets of its own besides.",
)
Keep = Callable[[tuple[Any, ...]], bool]


def total(part: Counter[Any], keep: Keep) -> int:
    return sum(count for key, count in part.items() if keep(key))


def recall(scores: Scores, rule: str, interval_s: int | None = None) -> tuple[int, int, int]:
    """(found, missed, no response) of the days of one rule at strengths that count."""

    def one(outcome: str) -> int:
        def keep(key: tuple[Any, ...]) -> bool:
            mine = key[0] == rule and key[3] == outcome and counts(rule, key[2], key[1])
            return mine and interval_s in (None, key[1])

        return total(scores.days, keep)

    return one("found"), one("missed"), one("no_response")


def precision(scores: Scores, rule: str) -> tuple[int, int]:
    """(right, false) findings of one rule."""
    right, false = (
        total(scores.findings, lambda key, o=outcome: key[0] == rule and key[2] == o)  # type: ignore[misc]
        for outcome in ("right", "false")
    )
    return right, false


def delays(scores: Scores, rule: str) -> list[int]:
    """Days to the case of each fault found at a strength that counts, sorted."""
    found = [
        [days] * count
        for (name, interval, s, days), count in scores.delays.items()
        if name == rule and counts(rule, s, interval)
    ]
    return sorted(day for part in found for day in part)


def quantile(values: list[int], share: float) -> int | None:
    """The least value that `share` of the values do not exceed."""
    if not values:
        return None
    return values[max(0, math.ceil(share * len(values)) - 1)]


def faults(scores: Scores, rule: str, strengths: Iterable[str] | None = None) -> dict[str, int]:
    """Planted faults of one rule by outcome; of the strengths that count, or of those given."""
    chosen = None if strengths is None else set(strengths)

    def keep(key: tuple[Any, ...], outcome: str) -> bool:
        wanted = counts(rule, key[2], key[1]) if chosen is None else key[2] in chosen
        return bool(key[0] == rule and wanted and key[3] == outcome)

    names = ("found", "missed", "no_response")
    return {name: total(scores.faults, lambda key, o=name: keep(key, o)) for name in names}  # type: ignore[misc]


def false_cases(scores: Scores, severity: str | None = None, place: str | None = None) -> int:
    """False cases, of one severity and on one kind of site where given."""
    return total(scores.cases, lambda key: severity in (None, key[2]) and place in (None, key[3]))


def share(k: int, n: int) -> str:
    """A share with its 95 % Wilson interval."""
    if not n:
        return "-"
    low, high = wilson(k, n)
    return f"{k / n:.3f} ({low:.3f} to {high:.3f})"


def short_of(scores: Scores, rule: str) -> list[str]:
    """Targets that a rule misses, in words."""
    right, false = precision(scores, rule)
    found, missed, _ = recall(scores, rule)
    late = quantile(delays(scores, rule), 0.95)
    lacking = []
    if right + false and right / (right + false) < TARGET:
        lacking.append("precision")
    if found + missed and found / (found + missed) < TARGET:
        lacking.append("recall")
    if late is not None and late > within(rule):
        lacking.append(f"delay (95 % within {late} d, asked {within(rule)} d)")
    return lacking


def _rule_row(scores: Scores, rule: str) -> str:
    right, false = precision(scores, rule)
    days = [recall(scores, rule, interval) for interval in INTERVALS_S]
    of, waits = faults(scores, rule), delays(scores, rule)
    unanswered = " / ".join(str(quiet) for _, _, quiet in days)
    middle, late = quantile(waits, 0.5), quantile(waits, 0.95)
    cells = [
        f"`{rule}`",
        f"{share(right, right + false)}, {right + false}",
        *(share(found, found + missed) + f", {found + missed}" for found, missed, _ in days),
        unanswered,
        f"{of['found']} / {sum(of.values())}",
        "-" if middle is None else f"{middle}, {late}",
        "; ".join(short_of(scores, rule)) or "yes",
    ]
    return f"| {' | '.join(cells)} |"


def _weak_row(scores: Scores, rule: str, strength: str, reason: str) -> str:
    of = faults(scores, rule, [strength])
    cells = (f"`{rule}`", strength, f"{of['found']}", f"{of['missed']}", f"{of['no_response']}", reason)
    return f"| {' | '.join(cells)} |"


def render(measured: Measured) -> str:
    """The evaluation's part of DEVELOPERS.md, without its markers."""
    s = measured.scores
    weeks = sum(s.healthy_days.values()) / 7
    healthy, danger = false_cases(s, place="healthy"), false_cases(s, severity="danger")
    low, high = (100 * limit for limit in garwood(healthy, weeks))
    elsewhere = false_cases(s, place="faulty")
    of_data = false_cases(s, severity="data", place="healthy")
    rate = f"{100 * healthy / weeks:.2f} per 100"
    seeds = f"{len(measured.seeds)} seeds ({measured.seeds[0]} to {measured.seeds[-1]})"
    lines = [
        *INTRODUCTION,
        "",
        f"{seeds}, each with samples of 1, 5 and 15 min; "
        f"{measured.sites} sites for {measured.days} days each.",
        "",
        f"- False cases of severity danger: **{danger}** (asked: none).",
        f"- False cases on healthy sites: {healthy} in {weeks:,.0f} site-weeks, **{rate}** ({low:.2f} to "
        f"{high:.2f}; asked: under {MOST_FALSE_CASES:.0f}); {of_data} of them of severity data.",
        f"- False cases on sites with another fault: {elsewhere}.",
        "",
        f"| {' | '.join(HEAD)} |",
        f"|{'---|' * len(HEAD)}",
        *(_rule_row(s, rule.name) for rule in RULES),
        "",
        "Where a target is missed, why:",
        "",
        *(f"- `{r.name}`: {WHY_SHORT.get(r.name, 'not known')}" for r in RULES if short_of(s, r.name)),
        *([f"- {COINCIDENCE}"] if danger else []),
        f"- {HOLIDAYS}",
        "",
        "Weaker strengths, not counted above:",
        "",
        "| rule | strength | found | missed | no response | why it is not counted |",
        "|---|---|---|---|---|---|",
        *(_weak_row(s, rule, strength, reason) for (rule, strength), reason in WEAK.items()),
        "",
        "Not counted above at 15 min:",
        "",
        *(f"- `{rule}`, {strength}: {reason}" for (rule, strength, _), reason in UNSEEN.items()),
    ]
    return "\n".join(lines)


def put_in_place(text: str, path: Path = FILE) -> None:
    """Replace what stands between the markers of a file. Raises ValueError where they are missing."""
    old = path.read_text("utf-8")
    if old.count(BEGIN) != 1 or old.count(END) != 1:
        raise ValueError(f"{path}: expected one {BEGIN} and one {END}")
    before, after = old.split(BEGIN)[0], old.split(END)[1]
    path.write_text(f"{before}{BEGIN}\n{text}\n{END}{after}", "utf-8")


def in_place(path: Path = FILE) -> str:
    """What stands between the markers now."""
    return path.read_text("utf-8").split(BEGIN)[1].split(END)[0].strip("\n")
