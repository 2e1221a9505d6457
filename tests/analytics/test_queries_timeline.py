"""The timeline's arithmetic: bins, holes, islands, merged runs, and the surplus without the circuits."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

import pytest
from coilbook.analytics.queries.timeline import Timeline, timeline
from coilbook.ingest.errors import InputError
from coilbook.ingest.store import Session, Store
from small_store import at, fill

FROM, TO = at("2026-03-10T18:00"), at("2026-03-10T20:00")


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Session]:
    with Store.open(tmp_path_factory.mktemp("small") / "store.duckdb") as store:
        fill(store)
        with store.reading() as session:
            yield session


@pytest.fixture
def seen(session: Session) -> Timeline:
    return timeline(session, "fen", FROM, TO)


def test_a_hole_begins_where_a_sample_reaches_no_further(seen: Timeline) -> None:
    # The sample of 18:25 covers 3 x 5 min; the next one begins at 19:00.
    assert seen.holes.rows() == [(at("2026-03-10T18:40"), at("2026-03-10T19:00"))]


def test_the_last_sample_covers_one_interval(session: Session) -> None:
    seen = timeline(session, "fen", at("2026-03-10T19:30"), at("2026-03-11T12:00"))
    # From the end of the log to the horizon of the review, and no further.
    assert seen.holes.rows() == [(at("2026-03-10T20:00"), at("2026-03-11T08:00"))]


def test_a_range_without_samples_is_one_hole(session: Session) -> None:
    seen = timeline(session, "fen", at("2026-03-01T00:00"), at("2026-03-02T00:00"))
    assert seen.power.is_empty()
    assert seen.holes.rows() == [(at("2026-03-01T00:00"), at("2026-03-02T00:00"))]


def test_islanded_samples_join_to_one_stretch(seen: Timeline) -> None:
    assert seen.islands.rows() == [(at("2026-03-10T19:45"), at("2026-03-10T20:00"))]


def surplus(seen: Timeline, clock: str) -> float:
    ts = at(f"2026-03-10T{clock}")
    value = seen.power.filter(ts=ts)["surplus_w"].item()
    assert isinstance(value, float)
    return value


@pytest.mark.parametrize(
    ("clock", "expected"),
    [
        ("18:00", 4000 - 1500),  # nothing is on
        # The heater is closed from 19:00 and rated 3 kW, but circuits draw no more than the house's 1.5 kW.
        ("19:00", 4000),
        ("19:10", 4000),
        ("19:30", 9000 - 1500 + 400 + 1000),  # from here the heater's meter says 400 W; the pump is on
        ("19:40", 4000 - 1500 + 400 + 800),  # the pump is on from 19:41, 4 of 5 min
    ],
)
def test_surplus_is_without_the_circuits(seen: Timeline, clock: str, expected: float) -> None:
    assert surplus(seen, clock) == pytest.approx(expected)


@pytest.mark.parametrize("points", [1, 2, 3, 7, 100])
def test_bins_keep_the_greatest_and_least_sample(session: Session, seen: Timeline, points: int) -> None:
    binned = timeline(session, "fen", FROM, TO, points=points)
    assert binned.power.height <= points
    assert binned.power["samples"].sum() == 18
    for name in ("pv", "house", "surplus"):
        assert binned.power[f"{name}_max_w"].max() == seen.power[f"{name}_max_w"].max()
        assert binned.power[f"{name}_min_w"].min() == seen.power[f"{name}_min_w"].min()
    assert binned.power["pv_max_w"].max() == 9000


def test_the_mean_of_a_bin_is_that_of_its_samples(session: Session) -> None:
    one = timeline(session, "fen", FROM, TO, points=1)
    assert one.power["pv_w"].to_list() == pytest.approx([(17 * 4000 + 9000) / 18])


def test_runs_stay_apart_where_the_screen_can_show_it(seen: Timeline) -> None:
    pump = seen.runs.filter(circuit_id="fen-a")
    assert pump["runs"].to_list() == [1, 1, 1]
    assert pump["on_s"].to_list() == [600.0, 1080.0, 540.0]


def test_runs_of_one_cause_join_where_it_cannot(session: Session) -> None:
    coarse = timeline(session, "fen", FROM, TO, points=12).runs.filter(circuit_id="fen-a")  # bins of 10 min
    assert coarse.select("runs", "on_s", "cause_on").rows() == [(2, 1680.0, "surplus"), (1, 540.0, "hand")]
    assert coarse.row(0, named=True)["stop"] == at("2026-03-10T19:40")


def test_an_open_run_reaches_the_horizon(session: Session) -> None:
    heater = timeline(session, "fen", TO, at("2026-03-11T12:00")).runs.filter(circuit_id="fen-b")
    assert heater.select("stop", "open").rows() == [(at("2026-03-11T08:00"), True)]


def test_windows_and_dips_that_touch_the_range(session: Session, seen: Timeline) -> None:
    night = timeline(session, "fen", at("2026-03-11T00:00"), at("2026-03-11T06:00"))
    told = night.windows.select("kind", "window_id", "verdict").rows()
    assert sorted(told) == [("lockout", "k1", "hand"), ("run", "r1", "short")]
    assert seen.windows.is_empty()
    assert seen.dips.select("dip_ts", "why").rows() == [(at("2026-03-10T19:15"), "cloud")]


@pytest.mark.parametrize("end", [FROM, FROM - timedelta(hours=1)])
def test_a_range_must_not_be_empty(session: Session, end: datetime) -> None:
    with pytest.raises(InputError, match="ends at"):
        timeline(session, "fen", FROM, end)


def test_an_unknown_site_is_an_error_of_the_asker(session: Session) -> None:
    with pytest.raises(InputError, match="not in the registry"):
        timeline(session, "nowhere", FROM, TO)
