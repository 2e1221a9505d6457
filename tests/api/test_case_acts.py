"""Acting on cases over HTTP: two at once, what is refused, and acts that outlive reviews and late logs."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from coilbook.api.app import create_app
from coilbook.api.settings import Settings
from coilbook.ingest.store import Store
from processes import Server
from starlette.testclient import TestClient
from test_error_shape import check

Item = dict[str, Any]


def case_url(case_id: str) -> str:
    return f"/api/cases/{quote(case_id, safe='')}"


def cases(http: Any, query: str = "") -> list[Item]:
    found: list[Item] = http.get(f"/api/cases{query}").json()["cases"]
    return found


def act(http: Any, case_id: str, kind: str, version: int, who: str = "Ada", **more: Any) -> Any:
    body = {"kind": kind, "who": who, "version": version, **more}
    return http.post(f"{case_url(case_id)}/acts", json=body)


def tomorrow(days: int = 1) -> str:
    return str(datetime.now(UTC).date() + timedelta(days=1 + days))


@pytest.fixture
def case(client: TestClient) -> Item:
    """The first case of the morning that is no danger."""
    return next(case for case in cases(client) if case["severity"] != "danger")


def test_an_act_answers_with_itself_and_the_case(client: TestClient, case: Item) -> None:
    answer = act(client, case["case_id"], "assign", 0, to_person="Sam Okoro", text="today, please")
    assert answer.status_code == 201, answer.text
    made = answer.json()
    assert (made["act"]["kind"], made["act"]["who"], made["act"]["undone"]) == ("assign", "Ada", False)
    assert abs(datetime.fromisoformat(made["act"]["at"]) - datetime.now(UTC)) < timedelta(minutes=5)
    assert made["case"] == case | {
        "assigned_to": "Sam Okoro", "note": "today, please", "note_by": "Ada",
        "note_at": made["act"]["at"], "version": made["act"]["act_id"],
    }  # fmt: skip
    assert cases(client, "?person=sam%20okoro") == [made["case"]]
    assert made["case"] not in cases(client, "?unassigned=true")


def test_a_case_comes_with_its_acts_and_evidence(client: TestClient, case: Item) -> None:
    first = act(client, case["case_id"], "note", 0, text="rang").json()["act"]
    act(client, case["case_id"], "undo", first["act_id"])
    found = client.get(case_url(case["case_id"])).json()
    assert [(one["kind"], one["undone"], one["undoes"]) for one in found["acts"]] == [
        ("note", True, None),
        ("undo", False, first["act_id"]),
    ]
    newest = found["findings"][0]
    assert newest["local_date"] == found["case"]["last_finding_on"]
    assert newest["sentence"] == found["case"]["sentence"]
    assert isinstance(newest["evidence"], dict)
    days = [finding["local_date"] for finding in found["findings"]]
    assert days == sorted(days, reverse=True)
    assert all(found["case"]["since"] <= day for day in days)


def test_a_case_page_is_not_sent_again_until_somebody_acts(client: TestClient, case: Item) -> None:
    url = case_url(case["case_id"])
    etag = client.get(url).headers["etag"]
    assert client.get(url, headers={"If-None-Match": etag}).status_code == 304
    act(client, case["case_id"], "note", 0, text="x")
    assert client.get(url, headers={"If-None-Match": etag}).status_code == 200


def test_put_aside_and_back_again(client: TestClient, case: Item) -> None:
    case_id = case["case_id"]
    listed = client.get("/api/cases").json()
    assert (listed["snoozed"], listed["closed"]) == (0, 0)
    assert act(client, case_id, "snooze", 0, until=tomorrow(5)).json()["case"]["state"] == "snoozed"
    after = client.get("/api/cases").json()
    assert after["snoozed"] == 1
    assert [one["case_id"] for one in after["cases"]] == [
        one["case_id"] for one in listed["cases"] if one["case_id"] != case_id
    ]
    assert [one["case_id"] for one in cases(client, "?state=snoozed")] == [case_id]
    version = cases(client, "?state=snoozed")[0]["version"]
    assert act(client, case_id, "reopen", version).json()["case"]["state"] == case["state"]
    closed = act(client, case_id, "close", version + 1, outcome="setting_changed").json()["case"]
    assert (closed["state"], closed["outcome"], closed["closed_by"]) == ("closed", "setting_changed", "Ada")
    assert client.get("/api/cases").json()["closed"] == 1
    assert case_id in client.get("/api/cases.csv?state=closed").text
    site = client.get(f"/api/sites/{case['site_id']}").json()
    assert closed in site["open_cases"], "the technician sees it all the same"


def test_danger_is_snoozed_until_tomorrow_at_most(client: TestClient) -> None:
    case = next(case for case in cases(client) if case["severity"] == "danger")
    made = act(client, case["case_id"], "snooze", 0, until=tomorrow(30)).json()
    assert made["act"]["until"] == tomorrow(30), "kept as it was said"
    wakes = datetime.fromisoformat(made["case"]["snoozed_until"]).date()
    assert wakes - datetime.now(UTC).date() <= timedelta(days=1)


def test_the_second_is_told_what_the_first_did(client: TestClient, case: Item) -> None:
    act(client, case["case_id"], "assign", 0, to_person="Sam")
    answer = act(client, case["case_id"], "close", 0, who="Ola", outcome="confirmed")
    assert answer.status_code == 409
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert (problem["type"], problem["title"], problem["status"]) == ("about:blank", "Conflict", 409)
    assert problem["instance"] == answer.request.url.path
    assert "at version 1, not 0" in problem["detail"]
    assert problem["version"] == 1
    assert [(one["kind"], one["to_person"]) for one in problem["newer"]] == [("assign", "Sam")]
    again = act(client, case["case_id"], "close", problem["version"], who="Ola", outcome="confirmed")
    assert again.status_code == 201
    assert [one["who"] for one in client.get(case_url(case["case_id"])).json()["acts"]] == ["Ada", "Ola"]


@pytest.mark.parametrize(
    ("body", "where"),
    [
        ({}, "kind"),
        ({"kind": "dance"}, "kind"),
        ({"kind": "note"}, "text"),
        ({"kind": "note", "text": " "}, "text"),
        ({"kind": "close", "outcome": "fine"}, "outcome"),
        ({"kind": "snooze", "until": "soon"}, "until"),
        ({"kind": "snooze", "until": "2020-01-01"}, "until"),
        ({"kind": "assign", "until": "2030-01-01"}, "until"),
        ({"kind": "assign", "version": -1}, "version"),
        ({"kind": "assign", "who": ""}, "who"),
        ({"kind": "undo"}, "nothing on this case"),
        ({"kind": "reopen"}, "neither closed nor snoozed"),
    ],
)
def test_what_cannot_be_done_is_a_problem(client: TestClient, case: Item, body: Item, where: str) -> None:
    sent = {"who": "Ada", "version": 0, **body}
    check(client.post(f"{case_url(case['case_id'])}/acts", json=sent), 422, where)
    assert client.get(case_url(case["case_id"])).json()["acts"] == []


def test_no_such_case(client: TestClient) -> None:
    check(client.get("/api/cases/chatter:nobody:2026-03-01"), 404, "no case")
    check(act(client, "chatter:nobody:2026-03-01", "note", 0, text="x"), 404, "no case")


def test_foreign_pages_and_other_bodies_are_refused(client: TestClient, case: Item) -> None:
    url = f"{case_url(case['case_id'])}/acts"
    body = {"kind": "note", "who": "Ada", "version": 0, "text": "x"}
    check(client.post(url, json=body, headers={"Origin": "https://elsewhere.example"}), 403)
    check(client.post(url, json=body, headers={"Sec-Fetch-Site": "cross-site"}), 403)
    check(client.post(url, data={"kind": "note"}), 415)


def test_an_id_with_a_slash_is_found(store_file: Path) -> None:
    with Store.open(store_file) as store, store.writing() as session:
        session.run("UPDATE service_case SET case_id = 'a/b:' || case_id")
    app = create_app(Settings(store=store_file, nightly=False, hosts=("testserver",)))
    with TestClient(app) as client:
        case_id = cases(client)[0]["case_id"]
        assert act(client, case_id, "note", 0, text="x").status_code == 201
        assert client.get(case_url(case_id)).json()["case"]["note"] == "x"


def test_two_people_at_once_on_a_server(server: Server) -> None:
    """Ten rounds in which both act on what they see: one is served, the other told, nothing is lost."""
    case_id = cases(server.http)[0]["case_id"]
    version = 0
    for number in range(10):
        start = threading.Barrier(2)
        answers: dict[str, httpx.Response] = {}

        def send(who: str) -> None:
            with httpx.Client(base_url=server.url, timeout=60) as http:
                start.wait()  # noqa: B023 - joined within the round
                answers[who] = act(http, case_id, "note", version, who, text=f"{who} {number}")  # noqa: B023

        people = [threading.Thread(target=send, args=[who]) for who in ("Ada", "Ola")]
        for person in people:
            person.start()
        for person in people:
            person.join()
        assert sorted(answer.status_code for answer in answers.values()) == [201, 409]
        first = next(who for who, answer in answers.items() if answer.status_code == 201)
        second = next(who for who in answers if who != first)
        problem = answers[second].json()
        assert [one["text"] for one in problem["newer"]] == [f"{first} {number}"]
        again = act(server.http, case_id, "note", problem["version"], second, text=f"{second} {number}")
        assert again.status_code == 201
        version = again.json()["case"]["version"]
    said = [one["text"] for one in server.http.get(case_url(case_id)).json()["acts"]]
    assert sorted(said) == sorted(f"{who} {number}" for who in ("Ada", "Ola") for number in range(10))


def test_acts_outlive_reviews_late_logs_and_a_restart(server: Server) -> None:
    """Reviewed without its last days, then with them, as when logs come late: the acts are all there."""
    before = {case["case_id"]: case for case in cases(server.http)}
    for case_id in before:
        assert act(server.http, case_id, "assign", 0, to_person="Sam").status_code == 201
    newest = max(case["last_finding_on"] for case in before.values())
    early = f"{datetime.fromisoformat(newest).date() - timedelta(days=4)}T12:00:00Z"
    for as_of in (None, early, None):
        assert server.http.post("/api/reviews", json={"as_of": as_of}).status_code == 200
        kept = [server.http.get(case_url(case_id)).json() for case_id in before]
        assert [len(one["acts"]) for one in kept] == [1] * len(before)
    after = {case["case_id"]: case for case in cases(server.http)}
    assert after.keys() == before.keys()
    assert {case["assigned_to"] for case in after.values()} == {"Sam"}
    assert {name: case["sentence"] for name, case in after.items()} == {
        name: case["sentence"] for name, case in before.items()
    }
    server.http.close()
    server.stop()
    with Server(server.store) as again:
        assert {case["assigned_to"] for case in cases(again.http)} == {"Sam"}


# the fleet


def test_the_fleet_in_numbers(client: TestClient, case: Item) -> None:
    act(client, case["case_id"], "close", 0, outcome="confirmed")
    weeks = client.get("/api/fleet/cases?weeks=8").json()
    told = client.get("/api/cases").json()
    listed = sum(told["header"][name] for name in ("new", "continuing", "back"))
    assert told["closed"] == 1
    assert sum(row["standing"] for row in weeks if not row["whole"]) == listed + told["closed"]
    precision = client.get("/api/fleet/precision").json()
    assert [(row["rule"], row["confirmed"], row["precision"]) for row in precision] == [
        (case["rule"], 1, 1.0)
    ]
    assert 0 < precision[0]["low"] < precision[0]["high"] == 1
    worst = client.get("/api/fleet/circuits?order=starts&limit=5").json()
    starts = [row["starts"] for row in worst]
    assert len(starts) == 5
    assert starts == sorted(starts, reverse=True)
    with client.app.state.service.store.writing() as session:  # type: ignore[attr-defined]
        session.run("UPDATE wear SET used = 0.7, date_80 = DATE '2026-05-01' WHERE circuit_id = 'AD001-a'")
    due = client.get("/api/fleet/contactors").json()
    assert [(row["circuit_id"], row["quarter"]) for row in due["due"]] == [("AD001-a", "2026-04-01")]
    assert [part["number"] for part in due["parts"]] == [1]
    circuits = sum(site["circuits"] for site in client.get("/api/sites").json())
    assert len(due["due"]) + due["later"] + due["unknown"] == circuits
    assert client.get("/api/fleet/firmware").status_code == 200
    check(client.get("/api/fleet/circuits?order=colour"), 422, "query.order")
    check(client.get("/api/fleet/contactors?quarters=0"), 422, "query.quarters")
