"""The small store behind a running application, and its frames for charts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from coilbook.api.app import create_app
from coilbook.api.settings import Settings
from coilbook.ingest.store import Session, Store
from small_store import fill
from starlette.testclient import TestClient


@pytest.fixture(scope="session")
def small_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("small") / "store.duckdb"
    with Store.open(path) as store:
        fill(store)
        store.checkpoint()
    return path


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Session]:
    with Store.open(tmp_path_factory.mktemp("frames") / "store.duckdb") as store:
        fill(store)
        with store.reading() as session:
            yield session


@pytest.fixture(scope="module")
def client(small_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    copy = tmp_path_factory.mktemp("served") / "store.duckdb"
    copy.write_bytes(small_file.read_bytes())
    with TestClient(create_app(Settings(store=copy, nightly=False, hosts=("testserver",)))) as client:
        yield client


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[TestClient]:
    """An application on a store with nothing in it."""
    settings = Settings(store=tmp_path / "empty.duckdb", nightly=False, hosts=("testserver",))
    with TestClient(create_app(settings)) as client:
        yield client
