"""Difference in differences on facts whose effect is known, with the replay's word beside it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from coilbook.analytics.replay.after_change import after_change
from coilbook.ingest.store import Store
from small_fleet import day, small_fleet

CHANGED = day(2026, 3, 31)
DAYS = 60


def facts(site: int, starts_before: float, starts_after: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    dates = [day(2026, 3, 1) + timedelta(days=k) for k in range(DAYS)]
    site_id = f"S{site:03d}"
    starts = [round(starts_before if d < CHANGED else starts_after) for d in dates]
    base = {"site_id": [site_id] * DAYS, "local_date": dates}
    daily = pl.DataFrame(base | {"circuit_id": [f"{site_id}-c1"] * DAYS, "starts": starts})
    daily = daily.with_columns(grid_wh=pl.col("starts") * 100.0)
    cover = pl.DataFrame(base | {"day_s": [86400.0] * DAYS, "covered_s": [86400.0] * DAYS})
    return daily, cover


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Starts fall by 5 a day everywhere from the day of the change; at S000, which changed, by 9."""
    with small_fleet(tmp_path / "s.duckdb", sites=4, days=DAYS, broken=0.5) as made:
        with made.writing() as session:
            session.run(
                "INSERT INTO circuit SELECT * REPLACE (3600 AS min_run_s, ? AS valid_from) FROM circuit "
                "WHERE circuit_id = 'S000-c1'",
                [CHANGED],
            )
            for site in range(4):
                daily, cover = facts(site, 12, 3 if site == 0 else 7)
                session.put("circuit_day", daily)
                session.put("coverage", cover)
        yield made


def test_the_weather_that_all_share_falls_out(store: Store) -> None:
    (row,) = after_change(store).rows(named=True)
    assert (row["circuit_id"], row["changed_on"], row["reason"]) == ("S000-c1", CHANGED, None)
    assert (row["before_s"], row["after_s"]) == (0.0, 3600.0)
    assert (row["days_before"], row["days_after"], row["unchanged"]) == (28, 28, 3)
    assert row["starts_change"] == pytest.approx(-9)
    assert row["starts_unchanged"] == pytest.approx(-5)
    assert row["starts_effect"] == pytest.approx(-4)
    assert row["grid_wh_effect"] == pytest.approx(-400)


def test_the_replay_stands_beside_it_with_its_error(store: Store) -> None:
    (row,) = after_change(store).rows(named=True)
    assert row["replayed_starts"] < 0
    assert row["replayed_grid_wh"] > 0
    assert row["starts_error"] == pytest.approx(row["replayed_starts"] - row["starts_effect"])


def test_what_cannot_be_judged_says_why(store: Store) -> None:
    with store.writing() as session:
        session.run(
            "UPDATE coverage SET covered_s = 1000 WHERE site_id = 'S000' AND local_date >= DATE '2026-04-05'"
        )
    assert "covered days" in after_change(store)["reason"][0]
    with store.writing() as session:
        session.run("UPDATE coverage SET covered_s = 86400")
        session.run("UPDATE circuit SET appliance = 'spa' WHERE circuit_id <> 'S000-c1'")
    assert after_change(store)["reason"][0] == "no circuit of its kind stayed as it was"
    with store.writing() as session:
        session.run(
            "INSERT INTO circuit SELECT * REPLACE (60 AS min_run_s, DATE '2026-04-10' AS valid_from) "
            "FROM circuit WHERE circuit_id = 'S000-c1' AND valid_from IS NULL"
        )
    assert after_change(store)["reason"].str.contains("more than once").all()
