"""`meter_doubt` on a measured PV log whose clock follows daylight saving though its stamps say it does not.

The log, its place and its clock: see `test_solar_clock_on_measured_sun.py`. It holds 982 days from April 2011
to December 2013. What is told is the jump at each change of Denver's clocks, from the third smooth day after
it for some weeks, and on no other day, whatever weather, season and shade do to the middle of generation.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl
import pytest
from coilbook.analytics.facts_runner import refresh_facts
from coilbook.analytics.judge import judge_sites
from coilbook.analytics.rule_settings import RuleSettings
from coilbook.ingest.store import Store
from reference.into_store import put, stored
from reference.rows import Fleet, PowerSample, SiteRow
from test_solar_clock_on_measured_sun import LOG

# Denver's changes of clocks, tz database.
CHANGES = tuple(
    date.fromisoformat(day)
    for day in ("2011-03-13", "2011-11-06", "2012-03-11", "2012-11-04", "2013-03-10", "2013-11-03")
)
SMOOTH_BY, FORGOTTEN_AFTER = timedelta(days=14), timedelta(days=60)

pytestmark = pytest.mark.skipif(
    not LOG.is_file(), reason="the measured data does not lie beside the repository, in shared/data"
)


@pytest.fixture(scope="module")
def raised() -> tuple[list[date], list[date]]:
    """(days with a sample, days on which the rule raised)."""
    frame = pl.read_csv(LOG, infer_schema=False).select(
        pl.col("ts").str.to_datetime(time_unit="us", time_zone="UTC").dt.replace_time_zone(None),
        pl.col("ac_power_src_unit").cast(pl.Float64, strict=False),
    )
    rows = frame.drop_nulls().unique("ts").sort("ts").rows()
    fleet = Fleet(sites=[SiteRow("golden", "America/Phoenix", latitude=39.74, longitude=-105.18)])
    fleet.power = [PowerSample("golden", ts, watts, 500.0, None) for ts, watts in rows]
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "sun.duckdb", threads=1) as store:
        put(store, fleet)
        refresh_facts(store)
        days = sorted(row["local_date"] for row in stored(store, "coverage") if row["samples"])
        horizon: datetime = rows[-1][0]
        with store.writing() as session:
            judge_sites(session, ["golden"], days[0], days[-1], horizon, RuleSettings())
        with store.reading() as session:
            found = session.rows(
                "SELECT local_date FROM finding WHERE rule = 'meter_doubt' AND evidence LIKE $text "
                "ORDER BY local_date",
                {"text": '%"clock"%'},
            )
    return days, [row[0] for row in found]


def test_every_change_within_the_log_is_told_within_a_fortnight(
    raised: tuple[list[date], list[date]], capsys: pytest.CaptureFixture[str]
) -> None:
    days, found = raised
    told = {c: next((d - c for d in found if c < d <= c + FORGOTTEN_AFTER), None) for c in CHANGES}
    with capsys.disabled():
        print(
            f"\nclock changes of a measured PV log, days until told: {[t and t.days for t in told.values()]}"
        )
    assert days[0] > CHANGES[0]
    assert all(told[change] is not None and told[change] <= SMOOTH_BY for change in CHANGES[1:])


def test_no_other_day_is(raised: tuple[list[date], list[date]], capsys: pytest.CaptureFixture[str]) -> None:
    days, found = raised
    stray = [d for d in found if not any(c < d <= c + FORGOTTEN_AFTER for c in CHANGES)]
    with capsys.disabled():
        print(f"\nmeasured PV, {days[0]} to {days[-1]}, {len(days)} days with samples: told on {len(found)}")
        print(f"  days, outside the weeks after a change on {len(stray)}: {stray}")
    assert len(days) >= 900
    assert stray == []
