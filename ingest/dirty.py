"""Which (site, local day) wait for a review after a load: rows of `dirty_day`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime

import polars as pl
from coilbook.ingest.kinds import Kind
from coilbook.ingest.known import Known
from coilbook.ingest.local_time import days_between, local_date
from coilbook.ingest.store import Session

SiteDay = tuple[str, date]

# The rows of `entering` by site and UTC day: between a day's first and last row lie at most two local dates.
_ENTERED = "SELECT site_id, min(ts), max(ts) FROM entering GROUP BY site_id, ts::DATE"

_CONCERNED = {
    "sites": "SELECT DISTINCT site_id FROM entering",
    "circuits": """
        SELECT site_id FROM entering
        UNION SELECT t.site_id FROM standing t SEMI JOIN entering USING (circuit_id)
        UNION SELECT c.site_id FROM circuit c SEMI JOIN entering USING (circuit_id)""",
    "windows": "SELECT DISTINCT c.site_id FROM circuit c SEMI JOIN entering USING (circuit_id)",
    "tariffs": "SELECT DISTINCT s.site_id FROM site s SEMI JOIN entering USING (tariff_id)",
}

_SPANS = """
    SELECT site_id, min(ts), max(ts) FROM (
        SELECT site_id, ts FROM power_log UNION ALL SELECT site_id, ts FROM switch_log
        UNION ALL SELECT site_id, ts FROM circuit_power_log UNION ALL SELECT site_id, ts FROM status_log)
    WHERE site_id IN (SELECT unnest(?::VARCHAR[])) GROUP BY site_id"""

_RESITED = {
    "switch_log": "circuit_id",
    "circuit_power_log": "circuit_id",
    "service_log": "circuit_id",
    "status_log": "controller_id",
}


def after_log(session: Session, kind: Kind, known: Known) -> None:
    """Mark the days of the rows in `entering`; for the service log each day from there to the site's last."""
    if kind.name == "service":
        begins = dict(session.rows("SELECT site_id, min(date) FROM entering GROUP BY site_id"))
        _mark(session, _from_day_on(session, begins, known))
        return
    spans = session.rows(_ENTERED)
    _mark(session, {(site, day) for span in spans for site, day in _days(span, known.zones)})


def after_registry(session: Session, kind: Kind, before: Known, after: Known) -> None:
    """Mark all days of the sites that `entering` concerns; rows of circuits that moved follow them."""
    sites = {row[0] for row in session.rows(_CONCERNED[kind.name])}
    if not sites:
        return
    if kind.name == "circuits":
        _resite(session, "circuit_id", before.circuits, after.circuits)
        _resite(session, "controller_id", before.controllers, after.controllers)
    spans = session.rows(_SPANS, [sorted(sites)])
    days: set[SiteDay] = set()
    for zones in (before.zones, after.zones):
        days.update(day for span in spans if span[0] in zones for day in _days(span, zones))
    _mark(session, days)


def _resite(session: Session, column: str, before: Mapping[str, str], after: Mapping[str, str]) -> None:
    moved = [(name, site) for name, site in after.items() if before.get(name, site) != site]
    for name, site in moved:
        for table, key in _RESITED.items():
            if key == column:
                session.run(f'UPDATE "{table}" SET site_id = ? WHERE "{key}" = ?', [site, name])  # noqa: S608 - names of ours


def _days(span: tuple[str, datetime, datetime], zones: Mapping[str, str]) -> list[SiteDay]:
    site, first, last = span
    zone = zones[site]
    return [(site, day) for day in days_between(local_date(zone, first), local_date(zone, last))]


def _from_day_on(session: Session, begins: Mapping[str, date], known: Known) -> set[SiteDay]:
    lasts = {
        site: local_date(known.zones[site], last) for site, _, last in session.rows(_SPANS, [sorted(begins)])
    }
    return {
        (site, day)
        for site, begin in begins.items()
        for day in days_between(begin, max(begin, lasts.get(site, begin)))
    }


def _mark(session: Session, days: Iterable[SiteDay]) -> None:
    frame = pl.DataFrame(sorted(days), schema={"site_id": pl.String, "local_date": pl.Date}, orient="row")
    if frame.is_empty():
        return
    session.temporary("marked", frame)
    session.run("INSERT INTO dirty_day FROM marked m ANTI JOIN dirty_day d USING (site_id, local_date)")
