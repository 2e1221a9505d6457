"""Stores for the tests of `coilbook.ingest`: an empty one, and one that knows the two sites."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from coilbook.ingest.store import Store
from little_fleet import load, registry


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A new store."""
    with Store.open(tmp_path / "test.duckdb", threads=1) as opened:
        yield opened


@pytest.fixture
def known(store: Store, tmp_path: Path) -> Store:
    """A store with the registry loaded and no day dirty."""
    load(store, registry(tmp_path))
    return store
