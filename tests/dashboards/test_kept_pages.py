"""Pages and charts are rendered once for many readers, and anew after anything has changed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from coilbook.api import page_site
from coilbook.api.app import create_app
from coilbook.api.settings import Settings
from coilbook.ingest.store import Store
from page_reader import Page
from small_store import put
from starlette.testclient import TestClient

CHATTER = "chatter:fen-a:2026-03-02"
SLASHED = "yard/3 east"


@pytest.fixture
def own(small_file: Path, tmp_path: Path) -> TestClient:
    """An application on a copy of its own, with one more site whose id holds a slash and a blank."""
    copy = tmp_path / "store.duckdb"
    copy.write_bytes(small_file.read_bytes())
    with Store.open(copy) as store:
        put(store, "site", [{"site_id": SLASHED, "name": "Yard", "timezone": "UTC"}])
    return TestClient(create_app(Settings(store=copy, nightly=False, hosts=("testserver",))))


def test_many_readers_of_a_site_cost_one_rendering(own: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    rendered = []
    inner = page_site.site_page
    monkeypatch.setattr(page_site, "site_page", lambda *a, **k: rendered.append(1) or inner(*a, **k))
    with own:
        first = own.get("/sites/fen")
        again = own.get("/sites/fen")
        assert (again.text, len(rendered)) == (first.text, 1)
        held = own.get("/sites/fen", headers={"If-None-Match": first.headers["etag"]})
        assert (held.status_code, held.content) == (304, b"")
        own.get("/sites/fen?days=28")
        assert len(rendered) == 2


def test_an_act_is_seen_at_once_on_the_page_of_its_site(own: TestClient) -> None:
    with own:
        assert "Assigned to" not in Page(own.get("/sites/fen").text).text
        form = {
            "case": CHATTER,
            "version": "0",
            "back": "/",
            "who": "Ana",
            "kind": "assign",
            "to_person": "Ben",
        }
        assert own.post("/acts", data=form).status_code == 200
        assert "Assigned to Ben" in Page(own.get("/sites/fen").text).text


def test_charts_are_kept_while_people_act(own: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = []
    inner = page_site.site_charts.drawn_record
    monkeypatch.setattr(
        page_site.site_charts, "drawn_record", lambda *a, **k: drawn.append(1) or inner(*a, **k)
    )
    with own:
        before = own.get("/sites/fen/charts/starts.json")
        form = {"case": CHATTER, "version": "0", "back": "/", "who": "Ana", "kind": "note", "text": "seen"}
        assert own.post("/acts", data=form).status_code == 200
        assert own.get("/sites/fen/charts/starts.json").text == before.text
        assert len(drawn) == 1


def test_a_new_row_of_power_is_seen_at_once_in_the_chart(own: TestClient) -> None:
    address = "/sites/fen/charts/timeline.json?from=2026-03-10T12:00&to=2026-03-10T16:00"
    with own:
        before = own.get(address)
        assert own.get(address, headers={"If-None-Match": before.headers["etag"]}).status_code == 304
        store = own.app.state.service.store  # type: ignore[attr-defined]
        row = {
            "site_id": "fen",
            "ts": datetime.fromisoformat("2026-03-10T20:05"),
            "pv_w": 1.0,
            "house_w": 2.0,
        }
        put(store, "power_log", [row])
        assert own.get(address).text != before.text


def test_the_head_counts_no_case_that_people_put_aside(own: TestClient) -> None:
    with own:
        own.post("/who", data={"who": "Ana", "back": "/"})
        assert "3 new" in Page(own.get("/").text).text
        until = (datetime.now(UTC).date() + timedelta(days=30)).isoformat()
        listed = own.get("/api/cases").json()
        asleep = next(
            case for case in listed["cases"] if case["state"] == "new" and case["severity"] != "danger"
        )
        form = {"case": asleep["case_id"], "version": "0", "back": "/", "kind": "snooze", "until": until}
        assert own.post("/acts", data=form).status_code == 200
        assert "2 new" in Page(own.get("/").text).text
        told = own.get("/api/cases").json()
        assert (told["header"]["new"], told["snoozed"]) == (2, 1)


@pytest.mark.parametrize("ending", ["", "/callout", "/callout.pdf", "?days=28&from=2026-03-01T00:00"])
@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_a_site_whose_id_holds_a_slash_has_its_pages(own: TestClient, ending: str, method: str) -> None:
    with own:
        path = f"/sites/yard%2F3%20east{ending}"
        answer = own.request(method, path)
        assert answer.status_code == 200
        if method == "HEAD":
            assert answer.content == b""
        elif "pdf" not in ending:
            page = Page(answer.text)
            assert page.faults == []
            assert "Yard" in page.text
        else:
            assert "yard%2F3" in answer.headers["content-disposition"]


def test_a_site_whose_id_holds_a_slash_is_in_the_api(own: TestClient) -> None:
    with own:
        assert own.get("/api/sites/yard%2F3%20east").json()["site_id"] == SLASHED
        assert own.get("/api/sites/yard%2F3%20east/exceptions").json()["items"] == []
        assert own.get("/api/sites/yard%2F3%20east/charts/starts").status_code == 404  # no log yet
        assert "has no log yet" in own.get("/api/sites/yard%2F3%20east/charts/starts").json()["detail"]


@pytest.mark.parametrize(
    "path",
    ["/", "/loads", "/fleet", "/fleet/min-run", "/api/cases", "/api/sites/fen", "/api/cases.csv", "/healthz"],
)
def test_head_says_what_get_says_without_its_body(client: TestClient, path: str) -> None:
    told, whole = client.head(path), client.get(path)
    assert (told.status_code, told.content) == (200, b"")
    assert told.headers["content-type"] == whole.headers["content-type"]
    assert told.headers["content-length"] == str(len(whole.content)) or "content-encoding" in whole.headers


def test_head_where_only_changes_are_taken_is_refused(client: TestClient) -> None:
    assert client.head("/acts").status_code == 405
