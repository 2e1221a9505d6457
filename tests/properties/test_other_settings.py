"""A review under other settings judges what they touch, and leaves what a review from nothing would."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from coilbook.analytics.judge import ALL, touched_by
from coilbook.analytics.rule_settings import RuleSettings, read_settings
from coilbook.fixtures.fleet import write_fleet
from coilbook.ingest.store import Store
from fleet_files import Exports, assert_equal_frames, frames, judged, load

CHANGES = {
    "chatter": "[chatter]\nmin_chatter = 3\n",
    "silent": "[silent]\nmin_covered_share = 0.999\n",
    "cases": "[cases]\nclear_after_days = 4\n",
}


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("fleet")
    write_fleet(folder, sites=12, days=16, seed=3, interval_s=300, mess=False)
    return [folder / "registry", folder / "logs"]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.duckdb") as store:
        yield store


def changed(tmp_path: Path, text: str) -> RuleSettings:
    path = tmp_path / "own.toml"
    path.write_text(text, "utf-8")
    return read_settings(path)


def from_nothing(tmp_path: Path, files: list[Path], settings: RuleSettings) -> Exports:
    with Store.open(tmp_path / "other.duckdb") as other:
        load(other, files)
        return judged(other, settings)


@pytest.mark.parametrize("name", CHANGES)
def test_a_changed_setting(store: Store, files: list[Path], tmp_path: Path, name: str) -> None:
    load(store, files)
    before = judged(store)
    settings = changed(tmp_path, CHANGES[name])
    assert settings.changed_since(RuleSettings().text()) == {name}
    after = judged(store, settings)
    assert (before["finding"], before["case"]) != (after["finding"], after["case"])
    assert_equal_frames(frames(after), frames(from_nothing(tmp_path, files, settings)))
    assert_equal_frames(frames(judged(store)), frames(before))


def test_what_a_change_touches() -> None:
    assert touched_by({"chatter"}) == {"chatter", "short_cycling"}
    assert touched_by({"cases"}) == set()
    assert touched_by({"silent"}) == ALL
