"""A review: facts, findings and cases brought up to date with the logs.

Order: facts of dirty days, bucket by bucket; rules over the days that changed, and over the days by which
the fleet's horizon moved, since a site that sends nothing must be judged too; rules that compare sites;
cases. Days wait in `dirty_day` for their facts and in `unjudged_day` for the rules, and leave each in the
transaction that does the work, so that a review that was killed is taken up again by the next.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import polars as pl
from coilbook.analytics.cases import update_cases
from coilbook.analytics.facts_runner import refresh_facts
from coilbook.analytics.judge import ALL, judge_fleet, judge_sites, touched_by
from coilbook.analytics.rule_settings import RuleSettings, read_settings
from coilbook.ingest.local_time import local_date
from coilbook.ingest.store import Session, Store

Progress = Callable[[int, int], None]

SITE_DAYS_A_BATCH = 6000
ONE_DAY = timedelta(days=1)


@dataclass(frozen=True)
class ReviewSummary:
    """What a review did. Instants are naive UTC; horizon is None in a store without logs."""

    review_id: int
    as_of: datetime | None
    horizon: datetime | None
    reviewed_at: datetime
    duration_s: float
    site_days: int
    findings: int


@dataclass(frozen=True)
class _Before:
    """What the review before left: its bound, its horizon and its settings."""

    as_of: datetime | None = None
    horizon: datetime | None = None
    settings: str = ""
    review_id: int = 0


def review(
    store: Store,
    *,
    now: datetime,
    as_of: datetime | None = None,
    settings: RuleSettings | None = None,
    progress: Progress | None = None,
) -> ReviewSummary:
    """Bring facts, findings and cases up to date.

    now: when the review is made [naive UTC], for its record only; as_of: logs from this instant on are left
    out; progress: told the steps done of the steps in all. Raises what the store and the settings raise.
    """
    begun = time.monotonic()
    settings = settings or read_settings(None)
    with store.reading() as session:
        before = _before(session)
    if before.review_id and before.as_of != as_of:
        with store.writing() as session:
            _mark_from(session, before.as_of, as_of)
    site_days = refresh_facts(store, as_of, progress)
    with store.reading() as session:
        horizon = _horizon(session)
        rounds = _rounds(session, before, horizon, settings)
    steps, done = sum(len(part.sites) for part in rounds), 0
    for part in rounds:
        for batch in _batches(part.sites):
            first, until = _span(batch)
            assert horizon is not None
            with store.writing() as session:
                judge_sites(session, batch["site_id"].to_list(), first, until, horizon, settings, part.rules)
            done += len(batch)
            if progress:
                progress(done, steps)
    with store.writing() as session:
        spans = [(*_span(part.sites), part.rules) for part in rounds]
        if spans and horizon is not None:
            _forget_after(session, max(last for _, last, _ in spans))
            for first, last, rules in spans:
                judge_fleet(session, first, last, horizon, settings, rules)
            sites = [row[0] for row in session.rows("SELECT DISTINCT site_id FROM coverage ORDER BY site_id")]
            update_cases(session, sites, horizon, settings, since=min(first for first, _, _ in spans))
        session.run("DELETE FROM unjudged_day")
        findings = session.rows("SELECT count(*) FROM finding")[0][0]
        summary = ReviewSummary(
            before.review_id + 1, as_of, horizon, now, time.monotonic() - begun, site_days, findings
        )
        session.run(
            "INSERT INTO review VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [
                summary.review_id,
                as_of,
                horizon,
                now,
                summary.duration_s,
                site_days,
                findings,
                settings.text(),
            ],
        )
    return summary


def _before(session: Session) -> _Before:
    found = session.one(
        "SELECT as_of, horizon, settings, review_id FROM review ORDER BY review_id DESC LIMIT 1"
    )
    return _Before(*found) if found else _Before()


def _mark_from(session: Session, old: datetime | None, new: datetime | None) -> None:
    """Mark every site's days from the earlier of two bounds on: what lies behind it is seen, or no more."""
    bounds = [bound for bound in (old, new) if bound is not None]
    session.run(
        """
        INSERT INTO dirty_day
        SELECT s.site_id, CAST(d.day AS DATE)
        FROM (SELECT DISTINCT site_id FROM site) s, (
            SELECT unnest(generate_series(
                CAST($first AS DATE) - 1, (SELECT CAST(max(last_ts) AS DATE) + 1 FROM ledger), INTERVAL 1 DAY
            )) AS day
        ) d
        ANTI JOIN dirty_day o ON o.site_id = s.site_id AND o.local_date = CAST(d.day AS DATE)
        """,
        {"first": min(bounds)},
    )


def _horizon(session: Session) -> datetime | None:
    found = session.one(
        """
        SELECT max(greatest(last_ts, last_sample_ts + to_seconds(coalesce(interval_s, 0)))) FROM coverage
        """
    )
    return found[0] if found else None


@dataclass(frozen=True)
class _Round:
    """Sites with the local days they are to be judged on (site_id, first, last), and by which rules."""

    sites: pl.DataFrame
    rules: frozenset[str]


def _rounds(
    session: Session, before: _Before, horizon: datetime | None, settings: RuleSettings
) -> list[_Round]:
    """What is to be judged: new days by all rules; all days by the rules that a change of settings touches.

    A change of how cases clear judges nothing anew, but all cases are computed from their first day on.
    """
    changed = settings.changed_since(before.settings)
    touched = touched_by(changed)
    rounds = [_Round(_ranges(session, before, horizon, anew=touched == ALL), ALL)]
    if changed and touched != ALL:
        rounds.append(_Round(_ranges(session, before, horizon, anew=True), touched))
    return [part for part in rounds if not part.sites.is_empty()]


def _span(sites: pl.DataFrame) -> tuple[date, date]:
    first, last = sites["first"].min(), sites["last"].max()
    assert isinstance(first, date)
    assert isinstance(last, date)
    return first, last


def _ranges(session: Session, before: _Before, horizon: datetime | None, *, anew: bool) -> pl.DataFrame:
    """Local days that each site is to be judged on: site_id, first, last; with `anew` all.

    Sites with nothing new are left out.
    """
    sites = session.frame(
        """
        SELECT c.site_id, z.timezone, min(c.local_date) AS begin, min(u.local_date) AS unjudged
        FROM (SELECT site_id, min(local_date) AS local_date FROM coverage GROUP BY ALL) c
        JOIN (
            SELECT site_id, timezone FROM site
            QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
        ) z USING (site_id)
        LEFT JOIN unjudged_day u USING (site_id)
        GROUP BY ALL
        ORDER BY c.site_id
        """
    )
    rows = []
    for site, zone, begin, unjudged in sites.iter_rows():
        assert horizon is not None
        last = local_date(zone, horizon)
        first = begin if anew else unjudged
        if before.horizon is not None and before.horizon != horizon:
            moved = min(local_date(zone, before.horizon), last) - ONE_DAY
            first = moved if first is None else min(first, moved)
        if first is not None:
            rows.append((site, max(min(first, last), begin), last))
    schema = {"site_id": pl.String, "first": pl.Date, "last": pl.Date}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _batches(ranges: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Sites whose ranges begin about alike, so many at a time as keep memory small."""
    ordered = ranges.sort("first", "site_id", descending=[True, False])
    start = days = 0
    for row, (first, last) in enumerate(ordered.select("first", "last").iter_rows()):
        length = (last - first).days + 1
        if row > start and days + length > SITE_DAYS_A_BATCH:
            yield ordered[start:row]
            start, days = row, 0
        days += length
    if start < len(ordered):
        yield ordered[start:]


def _forget_after(session: Session, last: date) -> None:
    """Remove verdicts on days that lie behind the horizon now."""
    session.run("DELETE FROM finding WHERE local_date > ?", [last])
    session.run("DELETE FROM not_judged WHERE local_date > ?", [last])
