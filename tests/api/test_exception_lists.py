"""Lists of exceptions: filters, orders, pages, and answers a client may keep."""

from __future__ import annotations

import base64
import json
import re
from typing import Any
from urllib.parse import quote

import pytest
from coilbook.api.exception_pages import Sort
from starlette.testclient import TestClient

Item = dict[str, Any]
RANKS = ["danger", "service", "cost", "wear", "data"]


def links(answer: Any) -> dict[str, str]:
    return {relation: url for url, relation in re.findall(r'<([^>]*)>; rel="(\w+)"', answer.headers["link"])}


def key(item: Item) -> tuple[str, str, str]:
    return item["rule"], item["subject"], item["local_date"]


def walk(reader: TestClient, url: str, relation: str = "next") -> list[list[Item]]:
    pages = []
    while url:
        answer = reader.get(url)
        assert answer.status_code == 200, answer.text
        pages.append(answer.json()["items"])
        url = links(answer).get(relation, "")
    return pages


def everything(reader: TestClient, query: str = "") -> list[Item]:
    items: list[Item] = reader.get(f"/api/exceptions?limit=500{query}").json()["items"]
    assert len(items) < 500
    return items


@pytest.mark.parametrize("sort", list(Sort))
@pytest.mark.parametrize("limit", [1, 7])
def test_paging_walks_everything_exactly_once(reader: TestClient, sort: Sort, limit: int) -> None:
    wanted = everything(reader, f"&sort={sort}")
    pages = walk(reader, f"/api/exceptions?sort={sort}&limit={limit}")
    assert [item for page in pages for item in page] == wanted
    assert len({key(item) for item in wanted}) == len(wanted) > 30
    assert all(len(page) == limit for page in pages[:-1])


@pytest.mark.parametrize("sort", list(Sort))
def test_the_way_back_is_the_way_there(reader: TestClient, sort: Sort) -> None:
    pages = walk(reader, f"/api/exceptions?sort={sort}&limit=9")
    url = f"/api/exceptions?sort={sort}&limit=9"
    last = url
    while url:
        last, url = url, links(reader.get(url)).get("next", "")
    back = walk(reader, last, "prev")
    assert back == pages[::-1]


def test_the_first_page_has_no_way_back_and_the_last_none_on(reader: TestClient) -> None:
    first = reader.get("/api/exceptions?limit=5")
    assert set(links(first)) == {"first", "next"}
    second = reader.get(links(first)["next"])
    assert set(links(second)) == {"first", "next", "prev"}
    assert reader.get(links(second)["first"]).json()["items"] == first.json()["items"]
    assert set(links(reader.get("/api/exceptions?limit=500"))) == {"first"}


def test_orders(reader: TestClient) -> None:
    def column(sort: str, of: Any) -> list[Any]:
        return [of(item) for item in everything(reader, f"&sort={sort}")]

    newest = column("newest", lambda i: i["local_date"])
    assert newest == sorted(newest, reverse=True)
    assert column("oldest", lambda i: i["local_date"]) == newest[::-1]
    ranks = column("severity", lambda i: RANKS.index(i["severity"]))
    assert ranks == sorted(ranks)
    costs = column("cost", lambda i: -1 if i["cost_per_year"] is None else i["cost_per_year"])
    assert costs == sorted(costs, reverse=True)
    sites = column("site", lambda i: i["site_id"])
    assert sites == sorted(sites)


def test_filters_give_what_they_say(reader: TestClient) -> None:
    items = everything(reader)
    for name, of in (
        ("severity", "severity"),
        ("rule", "rule"),
        ("area", "area"),
        ("state", "state"),
    ):
        for value in {item[of] for item in items if item[of] is not None}:
            found = everything(reader, f"&{name}={quote(value)}")
            assert found == [item for item in items if item[of] == value]
    days = sorted({item["local_date"] for item in items})
    first, last = days[1], days[-2]
    within = everything(reader, f"&first={first}&last={last}")
    assert within == [item for item in items if first <= item["local_date"] <= last]
    assert 0 < len(within) < len(items)


def test_a_finding_names_its_case(reader: TestClient) -> None:
    cases = {case["case_id"]: case for case in reader.get("/api/cases?include_cleared=true").json()["cases"]}
    told = [item for item in everything(reader) if item["case_id"] in cases]
    assert {item["case_id"] for item in told} == set(cases)
    for item in told:
        case = cases[item["case_id"]]
        assert (item["rule"], item["subject"], item["state"]) == (
            case["rule"],
            case["subject"],
            case["state"],
        )
        assert case["since"] <= item["local_date"] <= case["last_finding_on"]


def test_a_sites_exceptions_are_the_fleets_of_that_site(reader: TestClient) -> None:
    items = everything(reader)
    for site in reader.get("/api/sites").json():
        pages = walk(reader, f"/api/sites/{site['site_id']}/exceptions?limit=4")
        found = [item for page in pages for item in page]
        assert found == [item for item in items if item["site_id"] == site["site_id"]]
    assert reader.get("/api/sites/nobody/exceptions").status_code == 404


@pytest.mark.parametrize(
    "url", ["/api/exceptions", "/api/exceptions?limit=3&sort=cost", "/api/cases", "/api/sites/AD001"]
)
def test_what_the_client_holds_is_not_sent_again(reader: TestClient, url: str) -> None:
    first = reader.get(url)
    etag = first.headers["etag"]
    for tag in (etag, f"W/{etag}", f'"other", {etag}', "*"):
        again = reader.get(url, headers={"If-None-Match": tag})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", etag)
    assert reader.get(url, headers={"If-None-Match": '"other"'}).content == first.content


def test_the_etag_changes_with_the_list(client: TestClient) -> None:
    url = "/api/exceptions?limit=3"
    before = client.get(url).headers["etag"]
    with client.app.state.service.store.writing() as session:  # type: ignore[attr-defined]
        session.run("UPDATE finding SET sentence = 'changed'")
    after = client.get(url, headers={"If-None-Match": before})
    assert (after.status_code, after.headers["etag"] == before) == (200, False)


def test_rows_that_come_in_meanwhile_shift_nothing(client: TestClient) -> None:
    """A newer finding stands before the first page; those that follow are the same as without it."""
    wanted = walk(client, "/api/exceptions?limit=10")
    first = client.get("/api/exceptions?limit=10")
    with client.app.state.service.store.writing() as session:  # type: ignore[attr-defined]
        session.run(
            "INSERT INTO finding BY NAME "
            "SELECT * REPLACE (DATE '2030-01-01' AS local_date) FROM finding LIMIT 1"
        )
    assert walk(client, links(first)["next"]) == wanted[1:]


def damaged(cursor: str) -> list[str]:
    raw = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))

    def packed(value: object) -> str:
        return base64.urlsafe_b64encode(json.dumps(value).encode()).decode().rstrip("=")

    return [
        "x",
        "!!!!",
        cursor[:-3],
        packed([]),
        packed({}),
        packed(7),
        packed([*raw, 1]),
        packed(["up", *raw[1:]]),
        packed([*raw[:2], *("'; DROP TABLE finding" for _ in raw[2:])]),
        packed([*raw[:2], 10**40, *raw[3:]]),
        packed([*raw[:2], True, *raw[3:]]),
        packed([*raw[:2], float("nan"), *raw[3:]]),
        packed([raw[0], "another list", *raw[2:]]),
        "W1tb" * 400,
    ]


def test_a_damaged_cursor_is_said_so(reader: TestClient) -> None:
    cursor = reader.get("/api/exceptions?limit=3").json()["next"]
    for text in damaged(cursor):
        answer = reader.get("/api/exceptions", params={"limit": 3, "cursor": text})
        assert answer.status_code == 422, text
    assert reader.get(f"/api/exceptions?limit=3&severity=data&cursor={cursor}").status_code == 422
    assert reader.get(f"/api/exceptions?limit=3&sort=cost&cursor={cursor}").status_code == 422
    assert reader.get(f"/api/exceptions?limit=8&cursor={cursor}").status_code == 200
