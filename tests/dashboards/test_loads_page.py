"""Uploads and releases by plain forms."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from coilbook.api.app import create_app
from coilbook.api.settings import Settings
from page_reader import Page
from starlette.testclient import TestClient

SITES = b"site_id,name,area,timezone\nholm,Holm,East,Europe/Prague\n"
CIRCUITS = b"circuit_id,site_id,appliance,rated_w\nholm-a,holm,pool_pump,900\n"
SWITCH = b"""circuit_id,ts,state,cause
holm-a,2026-03-01T10:00:00Z,on,clock
holm-a,noon,off,clock
"""


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    settings = Settings(
        store=tmp_path / "store.duckdb", nightly=False, hosts=("testserver",), upload_limit_mb=1
    )
    with TestClient(create_app(settings)) as client:
        yield client


def bring(client: TestClient, **files: bytes) -> Page:
    sent = [("files", (f"{name}.csv", body)) for name, body in files.items()]
    answer = client.post("/loads/upload", files=sent)
    assert answer.status_code == 200
    return Page(answer.text)


def test_several_files_are_loaded_and_told(client: TestClient) -> None:
    page = bring(client, sites=SITES, circuits=CIRCUITS, switch=SWITCH)
    assert page.faults == []
    assert "3 files have just been loaded" in page.text
    assert "time cannot be read" in page.text
    assert "holm-a,noon,off,clock" in page.text


def test_rows_are_released_once_the_registry_explains_them(client: TestClient) -> None:
    page = bring(client, switch=SWITCH.replace(b"noon", b"2026-03-01T11:00:00Z"))
    rows = [g["value"] for tag, g in page.elements if tag == "input" and g.get("name") == "row"]
    assert len(rows) == 2
    early = client.post("/loads/release", data={"what": "chosen", "row": rows[:1]})
    assert "0 rows of 1 entered the store" in Page(early.text).text
    bring(client, sites=SITES, circuits=CIRCUITS)
    assert "Nothing is held back" in Page(client.get("/loads").text).text
    assert client.get("/api/ledger").json()[-1]["released"] == 2


def test_a_profile_field_in_which_nothing_was_chosen_is_none(client: TestClient) -> None:
    """A browser sends an empty part without a file name (HTML, 4.10.21.4, "constructing the entry list")."""
    boundary = "b0undary"
    parts = [
        'Content-Disposition: form-data; name="files"; filename="sites.csv"\r\n\r\n' + SITES.decode(),
        'Content-Disposition: form-data; name="profile"; filename=""\r\n'
        "Content-Type: application/octet-stream\r\n\r\n",
    ]
    body = "".join(f"--{boundary}\r\n{part}\r\n" for part in parts) + f"--{boundary}--\r\n"
    kind = {"Content-Type": f"multipart/form-data; boundary={boundary}"}
    answer = client.post("/loads/upload", content=body.encode(), headers=kind)
    assert "1 file has just been loaded" in Page(answer.text).text


def test_a_profile_that_cannot_be_read_names_no_path_of_the_server(client: TestClient) -> None:
    files = [("files", ("sites.csv", SITES)), ("profile", ("own.toml", b"x = 1"))]
    answer = client.post("/loads/upload", files=files)
    assert answer.status_code == 422
    assert "profile profile.toml:" in Page(answer.text).text
    assert "coilbook-upload" not in answer.text


def test_a_release_without_a_row_says_so(client: TestClient) -> None:
    bring(client, switch=SWITCH)
    answer = client.post("/loads/release", data={"what": "chosen"})
    assert answer.status_code == 422
    assert "no row was chosen" in Page(answer.text).text
    assert client.post("/loads/release", data={"row": "x"}).status_code == 422
    stale = client.post("/loads/release", data={"row": "999"})
    assert stale.status_code == 422
    assert "no row is held under 999" in Page(stale.text).text


def test_what_cannot_be_taken_is_a_page_that_says_why(client: TestClient) -> None:
    empty = client.post("/loads/upload", files=[("other", ("a.csv", b"x"))])
    assert empty.status_code == 422
    assert "expected files in" in Page(empty.text).text
    large = client.post("/loads/upload", files=[("files", ("a.csv", b"x" * 2_000_000))])
    assert large.status_code == 413
    assert Page(large.text).faults == []
    assert "load larger ones by the command line" in Page(large.text).text


def test_failed_files_can_be_listed_alone(client: TestClient) -> None:
    bring(client, sites=SITES, odd=b"\x00\x01nothing")
    page = Page(client.get("/loads?outcome=failed").text)
    assert page.faults == []
    assert "odd.csv" in page.text
    assert "sites.csv" not in page.text
