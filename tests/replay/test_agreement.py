"""The settings that healthy circuits really had, replayed: the starts that they really made come out."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import pytest
from agreement import Agreement, agreement
from coilbook.analytics.review import review
from coilbook.analytics.rule_settings import read_settings
from coilbook.fixtures.fleet import write_fleet
from coilbook.ingest.load import load_paths
from coilbook.ingest.store import Store

NOW = datetime(2026, 4, 1)  # noqa: DTZ001 - instants are naive UTC
# Appliances that draw for as long as their contactor is closed; a thermostat's own switching is in no log.
PUMPS = ("pool_pump", "well_pump")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """12 healthy homes over 21 days at 1 min."""
    folder = tmp_path_factory.mktemp("healthy")
    write_fleet(folder, sites=12, days=21, seed=11, faults=False, mess=False)
    with Store.open(folder / "s.duckdb") as made:
        load_paths(made, [folder / "registry", folder / "logs"], now=NOW)
        review(made, now=NOW, settings=read_settings(None))
        yield made


def told(found: Agreement, how: str) -> None:
    print(
        f"\n{how}: {found.reproduced} of {found.real} starts on surplus of {found.circuits} circuits "
        f"({found.share:.1%}); not made: {dict(found.why)}; made beside them: {dict(found.extra)}"
    )


def test_starts_come_out_within_a_sample_where_the_replay_measures_as_the_controllers_do(
    store: Store,
) -> None:
    found = agreement(store, PUMPS, filtered=True, near=1)
    told(found, "measuring as the controllers do, within 1 sample")
    assert found.circuits >= 5
    assert found.real >= 100
    assert found.share >= 0.95
    assert found.why["not explained"] + found.extra["not explained"] <= 0.02 * found.real


def test_without_their_filter_starts_come_some_samples_early(store: Store) -> None:
    """Smoothing delays a controller by 1 to 3 samples; the number of starts is nearly the same."""
    near, far = (agreement(store, PUMPS, filtered=False, near=n) for n in (1, 3))
    told(near, "surplus as logged, within 1 sample")
    told(far, "surplus as logged, within 3 samples")
    assert near.share < 0.5
    assert far.share >= 0.85
    filtered = agreement(store, PUMPS, filtered=True, near=1)
    assert near.replayed == pytest.approx(filtered.replayed, rel=0.05)
