"""Runs the rules over facts: the pure core, and the two doors through which a review writes verdicts."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import date, datetime
from typing import Any

import polars as pl
from coilbook.analytics.explains import PAIRS, explain
from coilbook.analytics.rule_frames import choose_sites, read_frames
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.analytics.rules import RULES
from coilbook.analytics.rules.shape import Findings, Frames, Rule
from coilbook.ingest.store import Session

SITE_RULES = tuple(rule for rule in RULES if rule.scope == "site")
FLEET_RULES = tuple(rule for rule in RULES if rule.scope == "fleet")
ALL = frozenset(rule.name for rule in RULES)
KEY = ["rule", "subject", "local_date"]


def touched_by(changed: Collection[str]) -> frozenset[str]:
    """Names of the rules to be judged anew when those of `changed` have other settings.

    They are themselves and the rules whose findings they explain. On a silent day no other rule is judged, so
    `silent` touches all.
    """
    effects = {pair.effect for pair in PAIRS if pair.cause in changed}
    return ALL if "silent" in changed else ALL & (effects | set(changed))


def verdicts(
    frames: Frames, settings: RuleSettings, rules: Sequence[Rule[Any]], known: pl.DataFrame | None = None
) -> Findings:
    """The verdicts of `rules` for the days of `frames`, in the order of rule, day and subject.

    `known`: findings of other rules for the same days, made before, that may explain new ones.

    On a silent site-day every rule but `silent` is not judged, and a circuit that switched while no registry
    row held is not judged for want of settings. A subject with a finding is never also not judged.
    """
    parts = [_one(rule, frames, settings) for rule in rules]
    findings = explain(pl.concat(part.findings for part in parts), frames.circuits, known)
    not_judged = pl.concat(part.not_judged for part in parts).join(findings, on=KEY, how="anti")
    order = ["rule", "local_date", "subject"]
    return Findings(
        findings.sort(order), not_judged.unique(KEY, keep="first", maintain_order=True).sort(order)
    )


def _one(rule: Rule[Any], frames: Frames, settings: RuleSettings) -> Findings:
    found = rule.judge(frames, settings.rules[rule.name])
    if rule.name == "silent":
        return found
    day = ["site_id", "local_date"]
    silent = frames.site_days.filter("silent").select(day)
    findings, not_judged = (
        part.join(silent, on=day, how="anti") for part in (found.findings, found.not_judged)
    )
    unheard = rule.unjudged(_subjects(rule, frames).join(silent, on=day), "silent")
    left_open = rule.verdicts(findings.clear(), unheard, _unsettled(rule, frames)).not_judged
    return Findings(findings, pl.concat([left_open, not_judged]))


def _subjects(rule: Rule[Any], frames: Frames) -> pl.DataFrame:
    if rule.subject_kind == "site":
        return frames.site_days.select("site_id", "local_date", subject="site_id")
    circuits = frames.circuits.select("site_id", "local_date", subject=f"{rule.subject_kind}_id")
    return circuits.filter(pl.col("subject").is_not_null()).unique(maintain_order=True)


def _unsettled(rule: Rule[Any], frames: Frames) -> pl.DataFrame:
    """Circuits that started on a day on which no registry row of theirs held."""
    started = frames.circuit_day.filter(
        (pl.col("starts") > 0) & pl.col("local_date").is_between(pl.lit(frames.first), pl.lit(frames.last))
    )
    strays = started.join(frames.circuits, on=["circuit_id", "local_date"], how="anti").select(
        "site_id", "local_date", subject="circuit_id"
    )
    return rule.unjudged(strays if rule.subject_kind == "circuit" else strays.clear(), "settings")


def judge_sites(
    session: Session,
    site_ids: Sequence[str],
    first: date,
    last: date,
    horizon: datetime,
    settings: RuleSettings,
    names: Collection[str] = ALL,
) -> int:
    """Judge `site_ids` on the local days `first..last` by the rules that look at one site at a time.

    `names`: of these rules alone.

    Replaces their rows of `finding` and `not_judged` inside the caller's transaction; returns the findings
    written. `horizon` is the newest instant in any log of the fleet [naive UTC]; `last` its local date.
    """
    choose_sites(session, site_ids)
    return _judge(session, _named(SITE_RULES, names), first, last, horizon, settings)


def judge_fleet(
    session: Session,
    first: date,
    last: date,
    horizon: datetime,
    settings: RuleSettings,
    names: Collection[str] = ALL,
) -> int:
    """As `judge_sites`, for the whole fleet by the rules that compare its sites; to be called after it."""
    choose_sites(session, None)
    return _judge(session, _named(FLEET_RULES, names), first, last, horizon, settings)


def _named(rules: Sequence[Rule[Any]], names: Collection[str]) -> list[Rule[Any]]:
    return [rule for rule in rules if rule.name in names]


def _judge(
    session: Session,
    rules: Sequence[Rule[Any]],
    first: date,
    last: date,
    horizon: datetime,
    settings: RuleSettings,
) -> int:
    if not rules:
        return 0
    session.temporary("_judged_rule", _names(rules))
    known = session.frame(OTHER_FINDINGS, {"first": first, "last": last})
    found = verdicts(read_frames(session, rules, first, last, horizon, settings), settings, rules, known)
    for table, rows in (("finding", found.findings), ("not_judged", found.not_judged)):
        session.run(REPLACED[table], [first, last])
        session.put(table, rows)
    return found.findings.height


def _names(rules: Iterable[Rule[Any]]) -> pl.DataFrame:
    return pl.DataFrame({"rule": [rule.name for rule in rules]}, schema={"rule": pl.String})


OTHER_FINDINGS = """
    SELECT rule, subject, local_date, evidence FROM finding SEMI JOIN _judged_site USING (site_id)
    ANTI JOIN _judged_rule USING (rule) WHERE local_date BETWEEN $first AND $last
"""

REPLACED = {
    "finding": """
        DELETE FROM finding WHERE local_date BETWEEN ? AND ?
        AND site_id IN (SELECT site_id FROM _judged_site) AND rule IN (SELECT rule FROM _judged_rule)
    """,
    "not_judged": """
        DELETE FROM not_judged WHERE local_date BETWEEN ? AND ?
        AND site_id IN (SELECT site_id FROM _judged_site) AND rule IN (SELECT rule FROM _judged_rule)
    """,
}
