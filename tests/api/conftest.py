"""A small simulated fleet, loaded and reviewed once; every test works on a copy of its own."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from coilbook.api.app import create_app
from coilbook.api.operations import DirectOperations
from coilbook.api.settings import Settings
from coilbook.fixtures.fleet import write_fleet
from coilbook.ingest.store import Store
from fastapi import FastAPI
from processes import Server, quiet_environment
from starlette.testclient import TestClient


@pytest.fixture(autouse=True, scope="session")
def _no_settings_from_outside() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patched:
        for name in quiet_environment():
            patched.delenv(name, raising=False)
        yield


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Registry and logs of 6 homes over 14 days, one power sample in 15 min, with planted faults."""
    folder = tmp_path_factory.mktemp("fleet")
    write_fleet(folder, sites=6, days=14, seed=7, interval_s=900)
    return folder


@pytest.fixture(scope="session")
def reviewed(fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with that fleet loaded and reviewed. Not to be opened: copy it."""
    path = tmp_path_factory.mktemp("reviewed") / "store.duckdb"
    with Store.open(path) as store:
        operations = DirectOperations(store)
        operations.load([fleet / "registry", fleet / "logs"])
        operations.review()
        store.checkpoint()
    return path


@pytest.fixture
def store_file(reviewed: Path, tmp_path: Path) -> Path:
    """A copy of the reviewed store."""
    return Path(shutil.copy(reviewed, tmp_path / "store.duckdb"))


@pytest.fixture
def app(store_file: Path) -> FastAPI:
    """The application on that copy, nights switched off."""
    return create_app(
        Settings(store=store_file, nightly=False, hosts=("testserver",), upload_limit_mb=1), token="a token"
    )


@pytest.fixture
def client(app: FastAPI) -> Iterator[TestClient]:
    """Asks the application within this process."""
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


@pytest.fixture(scope="module")
def reader(reviewed: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """Asks one application for all tests of a file that change nothing."""
    store = Path(shutil.copy(reviewed, tmp_path_factory.mktemp("read") / "store.duckdb"))
    app = create_app(
        Settings(store=store, nightly=False, hosts=("testserver",), upload_limit_mb=1), token="a token"
    )
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


@pytest.fixture(scope="module")
def held(reviewed: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server process for all tests of a file that change nothing."""
    with Server(Path(shutil.copy(reviewed, tmp_path_factory.mktemp("held") / "store.duckdb"))) as server:
        yield server


@pytest.fixture
def store(app: FastAPI) -> Store:
    """The store that the application holds."""
    opened = app.state.service.store
    assert isinstance(opened, Store)
    return opened


@pytest.fixture
def server(store_file: Path) -> Iterator[Server]:
    """A server process of its own on the copy, at a free port."""
    with Server(store_file) as server:
        yield server
