"""A store of an older schema is brought up to date, after a copy; one of a newer schema is refused."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import duckdb
import pytest
from coilbook.analytics.review import review
from coilbook.ingest.errors import StoreTooNew
from coilbook.ingest.migrations import STEPS
from coilbook.ingest.store import Store
from little_fleet import NOW, POWER, SWITCH, load, put, query, registry

COLUMNS = (
    "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() WHERE schema_name = 'main'"
)


HELD = ("held_since", "held_s", "held_surplus_s", "held_surplus_wh", "held_stretches", "held_first_ts")
# What takes each step back in the file.
BACK = {
    "0006-house-at-rest": ("DROP TABLE house_rest",),
    "0005-power-moves-at-events": tuple(
        f"ALTER TABLE switch_check DROP COLUMN {name}" for name in ("swing_w", "side_swing_w", "jump_w")
    ),
    "0004-power-in-parts-of-days": ("DROP TABLE power_part",),
    "0003-surplus-under-a-hold": tuple(f"ALTER TABLE idle_surplus DROP COLUMN {name}" for name in HELD),
    "0002-settings-of-reviews": (
        "ALTER TABLE review RENAME COLUMN settings TO settings_sha256",
        "UPDATE review SET settings_sha256 = 'ab01'",
        "COMMENT ON COLUMN review.settings_sha256 IS 'digest of the rule settings in force'",
    ),
}
PUMP = """circuit_id,site_id,controller_id,appliance,rated_w,surplus_on_w
H1-a,H1,K1,pool_pump,1500,1500
"""
OFF_BY_HAND = "2026-02-27T16:00:00Z,H1-a,on,surplus,\n2026-02-27T17:00:00Z,H1-a,off,hand,\n"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store of the newest schema with one review: on 1 March a pump, off by hand since two days, idles for
    3 h with 3.5 kW to spare."""
    path = tmp_path / "store.duckdb"
    midnight = datetime(2026, 3, 1, 7)  # noqa: DTZ001 - naive UTC; wall times are 7 h behind
    sun = [
        f"{(midnight + timedelta(minutes=k)).isoformat()}Z,H1,{4000 if k >= 660 else 0},500,\n"
        for k in range(840)
    ]
    folder = registry(tmp_path)
    put(folder / "circuits.csv", PUMP)
    put(folder / "windows.csv", "circuit_id,window_id,kind,days,start,end,need_minutes\n")
    with Store.open(path, threads=1) as store:
        loaded = load(
            store,
            folder,
            put(tmp_path / "p.csv", POWER + "".join(sun)),
            put(tmp_path / "s.csv", SWITCH + OFF_BY_HAND),
        )
        assert [row.error for row in loaded if row.error or row.quarantined] == []
        review(store, now=NOW)
        assert query(store, "SELECT max(held_surplus_s) FROM idle_surplus") == [(10800.0,)]
    return path


def as_of_step(path: Path, name: str) -> None:
    """Take back in the file what came after step `name`."""
    with duckdb.connect(str(path)) as connection:
        for step in sorted((step for step in BACK if step > name), reverse=True):
            for statement in BACK[step]:
                connection.execute(statement)
        connection.execute("DELETE FROM schema_step WHERE name > ?", [name])


def test_every_step_can_be_taken_back_here() -> None:
    assert sorted(BACK) == [step.name for step in STEPS[1:]]


@pytest.mark.parametrize("since", [step.name for step in STEPS[:-1]])
def test_an_older_store_is_brought_up_to_date(path: Path, since: str) -> None:
    with Store.open(path, threads=1) as store:
        newest = query(store, f"{COLUMNS} ORDER BY ALL")
    as_of_step(path, since)
    before = path.read_bytes()
    with Store.open(path, threads=1) as store:
        assert query(store, f"{COLUMNS} ORDER BY ALL") == newest
        assert query(store, "SELECT name FROM schema_step ORDER BY name") == [(step.name,) for step in STEPS]
    copies = [copy.read_bytes() for copy in path.parent.glob(f"{path.name}.before-*")]
    assert copies == [before]


def test_settings_of_reviews_of_old_are_not_known_so_all_is_judged_anew(path: Path) -> None:
    with Store.open(path, threads=1) as store:
        found = query(store, "FROM finding WHERE rule <> 'held_by_hand' ORDER BY ALL")
    as_of_step(path, "0001-foundation")
    with Store.open(path, threads=1) as store:
        assert query(store, "SELECT settings FROM review") == [("",)]
        review(store, now=NOW)
        assert query(store, "FROM finding WHERE rule <> 'held_by_hand' ORDER BY ALL") == found


def test_nothing_is_known_of_surplus_under_a_hold_before_its_step(path: Path) -> None:
    held = "SELECT local_date FROM finding WHERE rule = 'held_by_hand'"
    with Store.open(path, threads=1) as store:
        assert len(query(store, held)) == 1
    as_of_step(path, "0002-settings-of-reviews")
    with Store.open(path, threads=1) as store:
        assert query(store, "SELECT DISTINCT held_since, held_surplus_s FROM idle_surplus") == [(None, None)]
        with store.writing() as session:
            session.run("UPDATE review SET settings = ''")  # so that all is judged anew
        review(store, now=NOW)
        assert query(store, held) == []


def test_days_on_which_a_load_may_have_stayed_on_are_computed_anew(path: Path) -> None:
    with Store.open(path, threads=1) as store, store.writing() as session:
        for circuit, day, kind in (("H1-a", 1, "house"), ("H1-b", 1, "house"), ("H1-a", 2, "meter")):
            session.run(
                "INSERT INTO stay_on (site_id, circuit_id, local_date, kind) VALUES ('H1', ?, ?, ?)",
                [circuit, date(2026, 3, day), kind],
            )
    as_of_step(path, "0004-power-in-parts-of-days")
    with Store.open(path, threads=1) as store:
        assert query(store, "FROM dirty_day") == [("H1", date(2026, 3, 1))]


def test_a_newer_store_is_refused(path: Path) -> None:
    with duckdb.connect(str(path)) as connection:
        connection.execute("INSERT INTO schema_step VALUES ('9999-to-come', TIMESTAMP '2030-01-01')")
    with pytest.raises(StoreTooNew, match="9999-to-come"):
        Store.open(path)
