"""The whole tuning on a small invented fleet in a store of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from coilbook.analytics.replay.candidates import Candidate, crossed
from coilbook.analytics.replay.costs import CostSettings
from coilbook.analytics.replay.recommend import TuneResult, tune
from coilbook.analytics.replay.request import Cancelled, Cohort, TuneRequest
from coilbook.analytics.replay.rows import registry_csv
from coilbook.ingest.errors import InputError
from coilbook.ingest.schema import BY_NAME
from coilbook.ingest.store import Store
from polars.testing import assert_frame_equal
from small_fleet import add_site, day, power_frame, registry_frame, small_fleet

DEAR_CLOSINGS = CostSettings(contactor_change=20_000.0)
FEW = crossed((0.0, 900.0, 1800.0, 3600.0))
FRAMES = ("curves", "run_lengths", "circuits", "sites", "held_out", "areas", "registry", "left_out")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with small_fleet(tmp_path_factory.mktemp("fleet") / "s.duckdb") as made:
        yield made


@pytest.fixture(scope="module")
def dear(store: Store) -> TuneResult:
    """Closings that cost so much that a long minimum run pays."""
    return tune(store, TuneRequest(candidates=FEW, costs=DEAR_CLOSINGS, valid_from=day(2026, 4, 1)))


def equal(a: TuneResult, b: TuneResult) -> None:
    for name in FRAMES:
        assert_frame_equal(getattr(a, name), getattr(b, name))
    assert a.recommendations == b.recommendations


def test_starts_fall_and_bought_energy_rises_with_the_minimum_run(dear: TuneResult) -> None:
    curve = dear.curves.filter(pl.col("candidate").is_not_null())
    assert curve["min_run_s"].to_list() == [0.0, 900.0, 1800.0, 3600.0]
    assert (np.diff(curve["starts_per_day_mean"]) < 0).all()
    assert (np.diff(curve["bought_kwh"]) > 0).all()
    assert (curve["cost_median_low"] <= curve["cost_median"]).all()
    assert (curve["cost_median"] <= curve["cost_median_high"]).all()
    assert (curve["cost_p10"] <= curve["cost_p90"]).all()
    total = curve["bought_cost"] + curve["forgone_export"] + curve["closings_cost"]
    assert total.to_list() == pytest.approx(curve["cost_mean"].to_list())
    parts = curve["solar_kwh"] + curve["bought_kwh"]
    assert parts.to_list() == pytest.approx(curve["own_kwh"].to_list(), rel=1e-9)


def test_dear_closings_ask_for_a_long_run_and_cheap_ones_for_none(store: Store, dear: TuneResult) -> None:
    (made,) = dear.recommendations
    assert made.candidate == Candidate(3600.0)
    assert made.decision.enough
    assert made.saving == pytest.approx(made.today_cost - made.cost)
    assert made.saving_low <= made.saving <= made.saving_high
    assert made.sentence.startswith("pool pump: minimum run 60 min.")
    assert "1\u202f000 resamples of sites, seed 2006" in made.sentence
    cheap = tune(store, TuneRequest(candidates=FEW))
    assert cheap.recommendations[0].candidate == Candidate(0.0)
    assert cheap.registry.is_empty()  # today's setting is the same: nothing to load


def test_today_is_a_replay_of_the_registered_run(dear: TuneResult) -> None:
    names = ["cost_mean", "starts_per_day_mean", "own_kwh", "within_limit"]
    rows = dear.curves.select("words", *names)
    assert rows.row(-1)[1:] == pytest.approx(rows.row(0)[1:])
    assert rows["words"][-1] == "today"


def test_registry_rows_are_ready_to_load(dear: TuneResult) -> None:
    rows = dear.registry
    assert rows.columns == [c for c in BY_NAME["circuit"].names() if c != "load_id"]
    assert rows.height == 10
    assert rows["min_run_s"].unique().to_list() == [3600.0]
    assert rows["valid_from"].unique().to_list() == [day(2026, 4, 1)]
    assert rows["rated_w"].unique().to_list() == [1500.0]
    assert rows["surplus_on_w"].null_count() == 10  # levels were not tried
    first = registry_csv(rows).splitlines()[1].split(",")
    assert first[0] == "S000-c1"
    assert first[rows.columns.index("shed_when_islanded")] == "1"
    assert first[-2:] == ["2026-04-01", ""]


def test_crossed_levels_go_into_the_rows(store: Store) -> None:
    tried = crossed((1800.0,), (0.8, 1.2), (0.5,), min_rests_s=(300.0,))
    rows = tune(store, TuneRequest(candidates=tried)).registry
    assert rows["min_rest_s"].unique().to_list() == [300.0]
    assert rows["surplus_on_w"].unique().to_list() in ([1200.0], [1800.0])
    assert rows["surplus_off_w"].null_count() == 10


def test_sites_that_would_be_worse_off_are_named(store: Store) -> None:
    only = tune(store, TuneRequest(candidates=(Candidate(10800.0),)))
    assert only.sites["worse"].all()
    assert only.recommendations[0].sites_worse == 10
    assert (only.sites["change"] > 0).all()
    assert "10 sites would pay more" in only.recommendations[0].sentence


def test_held_out_weeks_and_areas(dear: TuneResult) -> None:
    assert dear.held_out["made_on"].to_list() == ["even weeks", "odd weeks"]
    assert dear.held_out["chosen"].unique().to_list() == ["minimum run 60 min"]
    assert dear.areas["scored_on"].to_list() == ["north", "south"]
    assert dear.areas["circuits"].to_list() == [5, 5]
    assert (dear.areas["chosen_cost"] >= dear.areas["best_cost"]).all()


def test_run_lengths_count_the_judged_runs(dear: TuneResult) -> None:
    lengths = dear.run_lengths.filter(pl.col("words") == "minimum run 30 min")
    under = lengths.filter(pl.col("to_s") <= 1800)["runs"].sum()
    # Only the lockout at 17 h cuts a minimum run: at most one run a day and circuit.
    assert under <= 10 * 30
    starts = dear.circuits.filter(pl.col("words") == "minimum run 30 min")["starts_per_day"].sum() * 30
    assert lengths["runs"].sum() == pytest.approx(starts, abs=10.5)


def test_the_answer_does_not_depend_on_threads_or_on_how_the_logs_came(
    store: Store, dear: TuneResult, tmp_path: Path
) -> None:
    request = dear.request
    equal(replace(dear, request=request), tune(store, replace(request, threads=1)))
    with store.reading() as session:
        power = session.frame("SELECT * FROM power_log")
        tables = {t: session.frame(f"SELECT * FROM {t}") for t in ("site", "circuit", "schedule", "tariff")}  # noqa: S608
    with Store.open(tmp_path / "nightly.duckdb") as nightly:
        with nightly.writing() as session:
            for name, frame in tables.items():
                session.put(name, frame)
            dated = power.sort("site_id", "ts").with_columns(night=pl.col("ts").dt.date())
            for night in reversed(dated.partition_by("night", maintain_order=True, include_key=False)):
                session.put("power_log", night)
        equal(dear, tune(nightly, request))


def test_season_dates_and_cohorts(store: Store) -> None:
    march = tune(store, TuneRequest(candidates=FEW, months=(3,)))
    none = tune(store, TuneRequest(candidates=FEW, months=(7,)))
    assert march.curves["cost_mean"][0] > 0
    for name in FRAMES[:4]:
        assert getattr(none, name).schema == getattr(march, name).schema
        assert getattr(none, name).is_empty()
    assert none.recommendations == ()
    assert none.left_out["reason"].unique().to_list() == ["no power log of its site in the time asked for"]
    week = tune(store, TuneRequest(candidates=FEW, first=day(2026, 3, 2), last=day(2026, 3, 8)))
    assert week.circuits["days"].to_list() == pytest.approx(
        [7 - 1 / 24] * week.circuits.height
    )  # clock forward
    cohorts = (
        Cohort(areas=("north",)),
        Cohort(battery=True),
        Cohort(pv_kw=(5.0, 6.0)),
        Cohort(variability=(0, 1.2)),
    )
    counts = [tune(store, TuneRequest(candidates=FEW, cohort=c)).curves["circuits"].sum() for c in cohorts]
    assert counts == [5 * 5, 5 * 5, 4 * 5, 0]


def test_a_few_days_or_sites_are_not_enough_to_tell(store: Store) -> None:
    few = tune(store, TuneRequest(candidates=FEW, cohort=Cohort(areas=("north",)), last=day(2026, 3, 20)))
    (made,) = few.recommendations
    assert not made.decision.enough
    assert "not enough to tell, because only 5 sites" in made.sentence
    assert "only 20 days" in made.sentence
    assert few.registry.is_empty()


def test_a_starts_limit_rules_candidates_out(store: Store) -> None:
    strict = tune(store, TuneRequest(candidates=FEW, starts_per_hour={"pool_pump": 1.0}))
    made = strict.recommendations[0].candidate
    assert made is not None
    assert made.min_run_s > 0
    never = tune(store, TuneRequest(candidates=FEW, starts_per_hour={"pool_pump": 0.0}))
    assert never.recommendations[0].candidate is None
    assert "starts limit" in never.recommendations[0].sentence


def test_progress_and_calling_off(store: Store) -> None:
    seen: list[tuple[int, int]] = []
    tune(store, TuneRequest(candidates=FEW), progress=lambda done, total: seen.append((done, total)))
    assert seen[-1] == (10, 10)
    with pytest.raises(Cancelled):
        tune(store, TuneRequest(candidates=FEW), cancel=lambda: True)


@pytest.mark.parametrize(
    "request_",
    [
        TuneRequest(candidates=()),
        TuneRequest(candidates=(Candidate(-1.0),)),
        TuneRequest(candidates=(Candidate(0.0, 0.5, 0.6),)),
        TuneRequest(months=(13,)),
        TuneRequest(first=day(2026, 3, 2), last=day(2026, 3, 1)),
        TuneRequest(threads=0),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused(store: Store, request_: TuneRequest) -> None:
    with pytest.raises(InputError):
        tune(store, request_)


def test_left_out_with_reasons_and_currencies_kept_apart(tmp_path: Path) -> None:
    with small_fleet(tmp_path / "s.duckdb", sites=4, days=3) as store:
        add_site(store, 4, 3, 0.4, with_power=False)
        with store.writing() as session:
            session.run("UPDATE site SET tariff_id = 'T2' WHERE site_id = 'S001'")
            session.run("UPDATE site SET tariff_id = NULL WHERE site_id = 'S002'")
            session.run("UPDATE circuit SET rated_w = NULL WHERE site_id = 'S003'")
            price = {
                "tariff_id": "T2",
                "days": "daily",
                "start": time(0),
                "end": time(0),
                "import_per_kwh": 0.2,
            }
            session.put("tariff", registry_frame("tariff", [price | {"currency": "USD"}]))
        found = tune(store, TuneRequest(candidates=FEW))
        assert [(r.appliance, r.currency, r.circuits) for r in found.recommendations] == [
            ("pool_pump", "EUR", 1),
            ("pool_pump", "USD", 1),
        ]
        assert found.left_out.select("circuit_id", "reason").rows() == [
            ("S002-c1", "its site has no tariff"),
            ("S003-c1", "its own power is not known (no meter, no learned step, no rated_w)"),
            ("S004-c1", "no power log of its site in the time asked for"),
        ]


def test_the_circuit_is_taken_out_before_it_is_replayed(tmp_path: Path) -> None:
    """Two equal houses; in one the pump ran half of each day. Taken out, both replay alike."""
    with small_fleet(tmp_path / "s.duckdb", sites=1, days=3, broken=0.3) as store:
        add_site(store, 1, 3, 0.3, with_power=False)
        with store.writing() as session:
            idle = session.frame("SELECT pv_w, house_w FROM power_log ORDER BY ts")
            half = (np.arange(idle.height) // 720) % 2
            session.put(
                "power_log", power_frame("S001", idle["pv_w"], idle["house_w"].to_numpy() + 1500.0 * half)
            )
            session.run(
                """INSERT INTO run (site_id, circuit_id, local_date, start, "end")
                SELECT 'S001', 'S001-c1', DATE '2026-03-01', t, CASE WHEN k < 2 THEN t + INTERVAL 12 HOUR END
                FROM (
                    SELECT k, TIMESTAMP '2026-03-01 18:00:00' + k * INTERVAL 1 DAY AS t FROM range(3) r(k)
                )"""
            )
        circuits = tune(store, TuneRequest(candidates=FEW)).circuits
        first, second = circuits.partition_by("circuit_id")
        names = ["starts_per_day", "cost", "solar_kwh", "bought_kwh"]
        assert second.select(names).to_numpy() == pytest.approx(first.select(names).to_numpy(), rel=1e-5)
