"""A power log whose clock follows daylight saving though its stamps say it does not, told by the sun.

PV power at 15 min from April 2011 on, PVDAQ system 50 at Golden, Colorado (39.74 N, 105.18 W; the place
from memory), as shipped with pvanalytics (MIT), in the file `pv_ac_15min_clock_follows_dst.csv.gz`, which
lies beside the repository in `shared/data` and is no part of it; without it the test is skipped. Its stamps
are labelled -07:00 all year. Denver's clocks went back on 6 November 2011 and forward on 11 March 2012.
"""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import polars as pl
import pytest
from coilbook.analytics.facts_runner import refresh_facts
from coilbook.ingest.store import Store
from reference.into_store import put, stored
from reference.rows import Fleet, PowerSample, SiteRow

MEASURED = Path(__file__).parents[2].parent / "shared" / "data"
LOG = MEASURED / "pv_ac_15min_clock_follows_dst.csv.gz"
GOOD = 0.8


def offsets(first: date, last: date) -> dict[date, float]:
    """Distance of the middle of generation from the sun's [s] on the smooth days from `first` to `last`."""
    frame = pl.read_csv(LOG, infer_schema=False).select(
        pl.col("ts").str.to_datetime(time_unit="us", time_zone="UTC").dt.replace_time_zone(None),
        pl.col("ac_power_src_unit").cast(pl.Float64, strict=False),
    )
    begin, end = (datetime(d.year, d.month, d.day, 7) for d in (first, last))  # noqa: DTZ001 - UTC at -07:00
    rows = frame.drop_nulls().filter(pl.col("ts").is_between(begin, end)).unique("ts").sort("ts")
    fleet = Fleet(sites=[SiteRow("golden", "America/Phoenix", latitude=39.74, longitude=-105.18)])
    fleet.power = [PowerSample("golden", ts, watts, 500.0, None) for ts, watts in rows.iter_rows()]
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "sun.duckdb", threads=1) as store:
        put(store, fleet)
        refresh_facts(store)
        found = stored(store, "solar_clock")
    return {row["local_date"]: row["offset_s"] for row in found if row["quality"] >= GOOD}


@pytest.mark.skipif(
    not LOG.is_file(),
    reason="the measured data does not lie beside the repository, in shared/data",
)
@pytest.mark.parametrize(
    ("first", "change", "last", "jump_s"),
    [
        (date(2011, 10, 16), date(2011, 11, 6), date(2011, 11, 27), -3600.0),
        (date(2012, 2, 19), date(2012, 3, 11), date(2012, 4, 1), 3600.0),
    ],
)
def test_the_middle_of_generation_jumps_by_an_hour(
    first: date, change: date, last: date, jump_s: float
) -> None:
    found = offsets(first, last)
    before = [s for day, s in found.items() if day < change]
    after = [s for day, s in found.items() if day > change]
    assert min(len(before), len(after)) >= 4
    assert median(after) - median(before) == pytest.approx(jump_s, abs=600)
