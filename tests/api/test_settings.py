"""The settings: one table, read when asked and not before."""

from __future__ import annotations

from datetime import time
from pathlib import Path

import pytest
from coilbook.api.settings import Settings, read_settings, table
from coilbook.ingest.errors import SettingsError


def test_every_setting_has_a_help() -> None:
    assert [name for name, _, told in table() if not told] == []


def test_the_environment_is_read_when_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COILBOOK_STORE", "/srv/fleet.duckdb")
    monkeypatch.setenv("COILBOOK_NIGHTLY_AT", "02:30")
    found = read_settings()
    assert (found.store, found.nightly_at) == (Path("/srv/fleet.duckdb"), time(2, 30))


def test_what_is_given_goes_before_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COILBOOK_PORT", "1")
    assert read_settings(port=2).port == 2
    assert read_settings(port=None).port == 1


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("PORT", "a lot"),
        ("PORT", "65536"),
        ("NIGHTLY_ZONE", "Nowhere/None"),
        ("NIGHTLY_AT", "25:00"),
        ("NIGHTLY_AT", "02:30Z"),
        ("MEMORY_LIMIT", "much"),
        ("HOSTS", "no list"),
        ("LOG_LEVEL", "loud"),
    ],
)
def test_a_wrong_value_is_named(monkeypatch: pytest.MonkeyPatch, name: str, value: str) -> None:
    monkeypatch.setenv(f"COILBOOK_{name}", value)
    with pytest.raises(SettingsError, match=name if name != "HOSTS" else "hosts"):
        read_settings()


def test_it_answers_to_loopback_and_to_what_is_named() -> None:
    names = Settings(host="192.0.2.7", hosts=("Dale.example",)).answers_to()
    assert names == {"localhost", "127.0.0.1", "[::1]", "192.0.2.7", "dale.example"}


def test_a_wildcard_address_is_no_name() -> None:
    assert "0.0.0.0" not in Settings(host="0.0.0.0").answers_to()
