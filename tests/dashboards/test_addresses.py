"""Every site that the registry takes can be reached, whatever its id holds."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import quote, urljoin

import pytest
from coilbook.api.app import create_app
from coilbook.api.settings import Settings
from coilbook.ingest.store import Store
from page_reader import Page
from small_store import day, fill, put
from starlette.testclient import TestClient

IDS = (
    "barn",
    "barn/callout",
    "barn/callout.pdf",
    "barn/charts/starts.json",
    "barn/charts/starts.csv",
    "barn/exceptions",
    "barn/charts/starts",
    "/",
    "a//b/",
    "50 % & more?#",
    "a+b;c",
    "a%2Fb",
    "Größe 7",
)


@pytest.fixture(scope="module")
def barns(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """The small store with a site of each id, each with one circuit of a day's starts and an open case."""
    path = tmp_path_factory.mktemp("barns") / "store.duckdb"
    with Store.open(path) as store:
        fill(store)
        named = [{"site_id": one, "name": f"Barn {n}", "timezone": "UTC"} for n, one in enumerate(IDS)]
        put(store, "site", named)
        of = [{"site_id": one, "circuit_id": f"barn-{n}"} for n, one in enumerate(IDS)]
        put(store, "circuit", [one | {"appliance": "spa"} for one in of])
        put(store, "circuit_day", [one | {"local_date": day(9), "starts": 2} for one in of])
        put(
            store,
            "coverage",
            [{"site_id": one, "local_date": day(9), "day_s": 86400.0, "covered_s": 86400.0} for one in IDS],
        )
        case = {"rule": "chatter", "severity": "danger", "state": "continuing", "subject_kind": "circuit"}
        case |= {"first_finding_on": day(9), "opened_on": day(9), "last_finding_on": day(9), "days": 1}
        put(
            store,
            "service_case",
            [
                case
                | {"case_id": f"chatter:{one['circuit_id']}:{day(9)}", "subject": one["circuit_id"]}
                | {"site_id": one["site_id"], "sentence": "It chatters.", "next_step": "Look."}
                for one in of
            ],
        )
    with TestClient(create_app(Settings(store=path, nightly=False, hosts=("testserver",)))) as client:
        yield client


@pytest.mark.parametrize(("place", "site_id"), list(enumerate(IDS)), ids=IDS)
def test_each_site_has_its_page_sheet_and_charts(barns: TestClient, place: int, site_id: str) -> None:
    here = f"/sites/{quote(site_id, safe='')}"
    page, sheet = barns.get(here), barns.get(f"{here}/callout")
    assert f"<h1>Barn {place}</h1>" in page.text
    assert f"<h1>Callout: Barn {place}</h1>" in sheet.text
    assert barns.get(f"{here}/callout.pdf").content.startswith(b"%PDF")
    for rows in (f"{here}/charts/starts.csv", f"{here}/charts/starts.json"):
        assert f"barn-{place}" in barns.get(rows).text
    assert barns.get(f"/api{here}").json()["site_id"] == site_id
    assert barns.get(f"/api{here}/charts/starts?first=2026-03-09&last=2026-03-09").status_code == 200
    assert barns.get(f"/api{here}/exceptions").json()["items"] == []


@pytest.mark.parametrize(("place", "site_id"), list(enumerate(IDS)), ids=IDS)
def test_pages_lead_to_each_site(barns: TestClient, place: int, site_id: str) -> None:
    here = f"/sites/{quote(site_id, safe='')}"
    named = [one for one in _links(barns, "/") if one.startswith(f"{here}/") or one == here]
    assert set(named) >= {here, f"{here}/callout"}
    for start in (here, f"{here}/callout"):
        own = [one for one in _links(barns, start) if one.startswith("/sites/")]
        assert own
        for one in own:
            assert f"Barn {place}<" in barns.get(one).text or one.partition("?")[0].endswith((".csv", ".pdf"))


def test_an_id_that_was_typed_without_quoting_is_found(barns: TestClient) -> None:
    assert "<h1>Barn 5</h1>" in barns.get("/sites/barn/exceptions").text
    assert "<h1>Callout: Barn 0</h1>" in barns.get("/sites/barn/callout").text


def _links(client: TestClient, path: str) -> list[str]:
    found = Page(client.get(path).text).links
    return [urljoin(path, one.partition("#")[0]) for one in found if not one.startswith(("#", "geo:"))]
