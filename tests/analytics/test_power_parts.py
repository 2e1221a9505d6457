"""Parts of days against a plain reading of the samples, and timelines by parts against those by samples."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import fmean
from typing import Any

import pytest
from coilbook.analytics.queries import timeline as timeline_module
from coilbook.analytics.queries.power_rows import PART_S, SERIES
from coilbook.analytics.queries.timeline import Timeline, timeline
from coilbook.analytics.review import review
from coilbook.fixtures.fleet import write_fleet
from coilbook.ingest.load import load_paths
from coilbook.ingest.store import Store
from crowded_home import crowded
from load_days import facts_in_parts
from reference.balance import battery_w, house_w, own_w
from reference.coverage import Fact
from reference.extents import Extent
from reference.random_fleet import random_fleet
from reference.rows import Fleet, PowerSample
from reference.site_view import SiteView, site_views
from reference.spans import overlap, seconds

NOW = datetime(2027, 1, 1, tzinfo=UTC)
ROUNDED_W = 0.0501
HOUR = timedelta(hours=1)
TWO_HOURS = 2 * HOUR
TICK = timedelta(microseconds=1)


def plain(fleet: Fleet) -> list[Fact]:
    """`power_part` of a fleet."""
    return [_part(site, *key, rows) for site in site_views(fleet) for key, rows in _parts(site).items()]


def _parts(site: SiteView) -> dict[tuple[Any, int], list[Extent[PowerSample]]]:
    found: dict[tuple[Any, int], list[Extent[PowerSample]]] = {}
    for sample in site.power:
        _, end = site.day_span(sample.day)
        found.setdefault((sample.day, (end - sample.ts - TICK) // TWO_HOURS), []).append(sample)
    return found


def _part(site: SiteView, day: Any, _: int, samples: list[Extent[PowerSample]]) -> Fact:
    series = {
        "pv": [sample.row.pv_w for sample in samples],
        "house": [house_w(sample.row) for sample in samples],
        "surplus": [_surplus_w(site, sample) for sample in samples],
    }
    told: Fact = {"site_id": site.site.site_id, "local_date": day, "start": samples[0].ts}
    told |= {"end": max(sample.end for sample in samples), "samples": len(samples)}
    for name, values in series.items():
        known = [value for value in values if value is not None]
        told[f"{name}_w"] = fmean(known) if known else None
        told[f"{name}_min_w"] = min(known, default=None)
        told[f"{name}_max_w"] = max(known, default=None)
    return told | _rest(site, samples)


def _rest(site: SiteView, samples: list[Extent[PowerSample]]) -> Fact:
    """What the house drew in samples that no run touches."""
    quiet = [
        (house, seconds(sample.length))
        for sample in samples
        if (house := house_w(sample.row)) is not None
        and not any(overlap(c.run_spans, sample.ts, sample.end) for c in site.circuits)
    ]
    whole = sum(length for _, length in quiet)
    mean = sum(house * length for house, length in quiet) / whole if whole else None
    return {"rest_s": float(whole), "rest_w": mean}


def _surplus_w(site: SiteView, sample: Extent[PowerSample]) -> float | None:
    """Surplus of the whole site: each circuit counts with its own power, all with what the house draws."""
    house = house_w(sample.row)
    if house is None:
        return None
    own = sum(own_w(circuit, sample) or 0.0 for circuit in site.circuits)
    return sample.row.pv_w + battery_w(sample.row) - house + min(own, max(house, 0.0))


@pytest.mark.parametrize(
    "fleet",
    [crowded(31, 4), crowded(32, 6), random_fleet(33), random_fleet(34)],
    ids=["31", "32", "33", "34"],
)
def test_parts_equal_the_plain_reading(fleet: Fleet) -> None:
    got, expected = facts_in_parts([fleet], "power_part")["power_part"], plain(fleet)
    assert len(expected) >= 10
    for found, row in zip(_sorted(got), _sorted(expected), strict=True):
        assert {name: found[name] for name in row} == {
            name: pytest.approx(value, abs=ROUNDED_W) if name.endswith("_w") and value is not None else value
            for name, value in row.items()
        }


def _sorted(rows: list[Fact]) -> list[Fact]:
    return sorted(rows, key=lambda row: (row["site_id"], row["start"]))


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Two simulated homes, reviewed."""
    folder = tmp_path_factory.mktemp("parts")
    files = write_fleet(folder / "fleet", sites=2, days=9, interval_s=300, mess=False)
    with Store.open(folder / "store.duckdb", threads=1) as store:
        load_paths(store, [*files.registry, *files.logs], now=NOW)
        review(store, now=NOW)
        yield store


def seen(store: Store, monkeypatch: pytest.MonkeyPatch, *, by_samples: bool) -> list[Timeline]:
    """The timelines of both homes over all their days, in bins of some hours."""
    monkeypatch.setattr(timeline_module, "PART_S", float("inf") if by_samples else PART_S)
    with store.reading() as session:
        spans = session.rows("SELECT site_id, min(ts), max(ts) FROM power_log GROUP BY ALL ORDER BY ALL")
        return [timeline(session, site, first, last + HOUR, 40) for site, first, last in spans]


def test_a_timeline_by_parts_has_the_peaks_and_means_of_one_by_samples(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    parts, samples = (seen(store, monkeypatch, by_samples=by) for by in (False, True))
    for coarse, fine in zip(parts, samples, strict=True):
        assert coarse.power["samples"].sum() == fine.power["samples"].sum() > 2000
        assert coarse.power.height == pytest.approx(fine.power.height, abs=1)
        for name in SERIES:
            for told in (coarse, fine):
                assert told.power[f"{name}_w"].is_not_null().any()
            assert coarse.power[f"{name}_max_w"].max() == pytest.approx(
                fine.power[f"{name}_max_w"].max(), abs=ROUNDED_W
            )
            assert coarse.power[f"{name}_min_w"].min() == pytest.approx(
                fine.power[f"{name}_min_w"].min(), abs=ROUNDED_W
            )
            assert _sum(coarse, name) == pytest.approx(_sum(fine, name), abs=ROUNDED_W * 3000)
        assert coarse.islands.equals(fine.islands)
        assert coarse.holes.height <= fine.holes.height


def _sum(told: Timeline, name: str) -> float:
    return float((told.power[f"{name}_w"] * told.power["samples"]).sum())


def test_a_day_loaded_since_the_review_comes_by_its_samples(
    store: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    before = seen(store, monkeypatch, by_samples=False)[0]
    late = before.start + timedelta(days=4, hours=1, seconds=7)
    file = tmp_path / "late.csv"
    file.write_text(f"site_id,ts,pv_w,house_w\n{before.site_id},{late.isoformat()}Z,0,64321\n")
    assert [row.accepted for row in load_paths(store, [file], now=NOW)] == [1]
    loaded = seen(store, monkeypatch, by_samples=False)[0]
    assert loaded.power["house_max_w"].max() == 64321.0
    assert loaded.power["samples"].sum() == before.power["samples"].sum() + 1
    review(store, now=NOW)
    again = seen(store, monkeypatch, by_samples=False)[0]
    assert again.power["house_max_w"].max() == 64321.0
    assert again.power["samples"].sum() == loaded.power["samples"].sum()


def test_days_without_parts_come_by_their_samples(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    parts = seen(store, monkeypatch, by_samples=False)
    with store.writing() as session:
        session.run("DELETE FROM power_part WHERE local_date < (SELECT min(local_date) + 5 FROM power_part)")
    mixed = seen(store, monkeypatch, by_samples=False)
    for told, whole in zip(mixed, parts, strict=True):
        assert told.power["samples"].sum() == whole.power["samples"].sum()
        assert _sum(told, "surplus") == pytest.approx(_sum(whole, "surplus"), abs=ROUNDED_W * 3000)
        assert told.islands.equals(whole.islands)
