"""Acting on cases by plain forms, as a browser without scripts would."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from coilbook.api.app import create_app
from coilbook.api.page_forms import NAME_LENGTH, tidy_name, way_back
from coilbook.api.settings import Settings
from coilbook.dashboards import words
from page_reader import Page
from starlette.testclient import TestClient

CHATTER = "chatter:fen-a:2026-03-02"
SILENT = "silent:ridge:2026-03-09"


@pytest.fixture
def client(small_file: Path, tmp_path: Path) -> Iterator[TestClient]:
    """A store of its own, since acts stay."""
    copy = tmp_path / "store.duckdb"
    copy.write_bytes(small_file.read_bytes())
    with TestClient(create_app(Settings(store=copy, nightly=False, hosts=("testserver",)))) as client:
        yield client


def act(client: TestClient, case: str, kind: str, version: int = 0, **fields: str) -> Any:
    data = {"case": case, "kind": kind, "version": str(version), "who": "Ana", "back": "/"} | fields
    return client.post("/acts", data=data, follow_redirects=False)


def fields_of(page: Page, kind: str) -> dict[str, str]:
    """Hidden fields of the form that ends with the button of `kind`."""
    found: dict[str, str] = {}
    for tag, given in page.elements:
        if tag == "form":
            found = {}
        if tag == "input" and given.get("type") == "hidden":
            found[given["name"]] = given.get("value", "")
        if tag == "button" and given.get("name") == "kind" and given.get("value") == kind:
            return found
    raise AssertionError(f"no form to {kind}")


# a name


def test_a_name_is_given_once_and_kept_by_the_browser(client: TestClient) -> None:
    answer = client.post(
        "/who", data={"who": "  Ana   Ruiz\n", "back": "/?area=North"}, follow_redirects=False
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/?area=North")
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "You act as Ana Ruiz" in Page(client.get("/").text).text
    client.post("/who", data={"who": "", "back": "/"})
    assert "Give your name once" in Page(client.get("/").text).text


def test_a_name_in_any_letters_comes_back_whole(client: TestClient) -> None:
    client.post("/who", data={"who": "Žofie Dvořák; <b>", "back": "/"})
    assert "You act as Žofie Dvořák; <b>" in Page(client.get("/").text).text


def test_names_are_one_short_line() -> None:
    assert tidy_name(" a\x00b\tc ") == "a b c"
    assert len(tidy_name("x" * 500)) == NAME_LENGTH


def test_without_a_name_the_panel_asks_for_it_first(client: TestClient) -> None:
    page = Page(client.get(f"/?act={CHATTER}").text)
    assert page.faults == []
    assert "Your name, once; this browser keeps it" in page.text
    assert not any(g.get("value") == "assign" for tag, g in page.elements if tag == "button")


# the way back


@pytest.mark.parametrize(
    "asked",
    ["https://evil.example/", "//evil.example", "/\\evil.example", "", "javascript:alert(1)", "/\n/x"],
)
def test_the_way_back_never_leaves_the_server(asked: str) -> None:
    assert way_back(asked) == "/"
    assert urlsplit(way_back(asked, done="x")).netloc == ""


def test_the_way_back_keeps_choices() -> None:
    assert way_back("/?area=North&page=2", done="a:b") == "/?area=North&page=2&done=a%3Ab"


# acts


def test_the_forms_of_a_case_do_what_they_say(client: TestClient) -> None:
    client.post("/who", data={"who": "Ana", "back": "/"})
    page = Page(client.get(f"/?area=North&act={CHATTER}").text)
    assert page.faults == []
    given = fields_of(page, "assign")
    answer = client.post("/acts", data=given | {"kind": "assign", "to_person": "Ben"}, follow_redirects=False)
    assert answer.status_code == 303
    place = urlsplit(answer.headers["location"])
    assert place.query.startswith("area=North&done=chatter")
    assert place.fragment.startswith("case-chatter")
    after = Page(client.get(answer.headers["location"]).text)
    assert after.faults == []
    assert "Assigned to Ben" in after.text
    assert "Last: Ana assigned it to Ben." in after.text


def test_a_case_put_aside_leaves_a_line_in_its_place_that_can_be_undone(client: TestClient) -> None:
    client.post("/who", data={"who": "Ana", "back": "/"})
    given = fields_of(Page(client.get(f"/?act={SILENT}").text), "close")
    answer = client.post("/acts", data=given | {"kind": "close", "outcome": "not_found", "text": "All well"})
    assert f'id="case-{SILENT}"' in answer.text
    page = Page(answer.text)
    assert page.faults == []
    assert "closed as not found" in page.text
    assert "1 closed by people" in page.text
    again = client.post("/acts", data=fields_of(page, "undo") | {"kind": "undo"})
    assert "What silent found" in Page(again.text).text
    assert "Nothing is put aside" in Page(again.text).text


def test_a_snoozed_case_is_counted_and_found_by_its_state(client: TestClient) -> None:
    until = datetime.now(UTC).date() + timedelta(days=30)
    act(client, SILENT, "snooze", until=until.isoformat(), text="Owner away")
    text = Page(client.get("/").text).text
    assert "1 snoozed" in text
    assert "What silent found" not in text
    asleep = Page(client.get("/?state=snoozed").text).text
    assert f"Snoozed until {words.day(until)}" in asleep
    assert "“Owner away”" in asleep


def test_who_acted_meanwhile_is_shown_and_the_text_kept(client: TestClient) -> None:
    act(client, CHATTER, "assign", to_person="Ben")
    answer = act(client, CHATTER, "close", outcome="confirmed", text="Welded & <black>", who="Cleo")
    assert answer.status_code == 409
    page = Page(answer.text)
    assert page.faults == []
    assert "Somebody acted on this case meanwhile" in page.text
    assert "Ana assigned it to Ben" in page.text
    typed = [g.get("value") for tag, g in page.elements if tag == "input" and g.get("name") == "text"]
    assert "Welded & <black>" in typed
    chosen = [g["value"] for tag, g in page.elements if tag == "option" and "selected" in g]
    assert chosen == ["confirmed"]
    again = fields_of(page, "close") | {"kind": "close", "outcome": "confirmed", "text": "Welded"}
    assert client.post("/acts", data=again, follow_redirects=False).status_code == 303


@pytest.mark.parametrize(
    ("kind", "fields", "said"),
    [
        ("note", {}, "a note says something"),
        ("close", {}, "outcome: close needs it"),
        ("close", {"outcome": "perhaps"}, "expected one of confirmed"),
        ("snooze", {"until": "tomorrow"}, "expected a date"),
        ("snooze", {"until": "2026-01-01"}, "expected a date after"),
        ("burn", {}, "expected one of assign"),
        ("undo", {}, "nothing on this case is left to take back"),
    ],
)
def test_an_act_that_cannot_be_made_says_why(
    client: TestClient, kind: str, fields: dict[str, str], said: str
) -> None:
    answer = act(client, CHATTER, kind, **fields)
    page = Page(answer.text)
    assert answer.status_code == 422
    assert page.faults == []
    assert said in page.text


def test_an_unknown_case_and_a_version_that_is_no_number(client: TestClient) -> None:
    assert act(client, "chatter:nobody", "undo").status_code == 404
    assert act(client, CHATTER, "undo", version=-1).status_code == 422


def test_forms_are_taken_from_forms_only(client: TestClient) -> None:
    assert client.post("/acts", json={"case": CHATTER}).status_code == 415
    assert client.post("/acts", data={"text": "x" * 300_000}).status_code == 413
    foreign = {"Origin": "https://evil.example"}
    for path in ("/acts", "/who", "/loads/release", "/loads/upload"):
        assert client.post(path, data={}, headers=foreign).status_code == 403


# filters


def test_the_list_of_one_person_and_of_nobody(client: TestClient) -> None:
    act(client, CHATTER, "assign", to_person="Ben")
    mine = Page(client.get("/?person=Ben").text)
    assert [link for link in mine.links if link.startswith("/api/cases.csv")] == ["/api/cases.csv?person=Ben"]
    assert "What chatter found" in mine.text
    assert "What silent found" not in mine.text
    nobody = Page(client.get("/?person=-").text)
    assert "What chatter found" not in nobody.text
    csv = next(link for link in nobody.links if link.startswith("/api/cases.csv"))
    assert csv == "/api/cases.csv?unassigned=true"
    assert client.get(csv).status_code == 200


def test_by_area_a_round_is_site_by_site(client: TestClient) -> None:
    page = Page(client.get("/?group=area").text)
    assert page.faults == []
    assert "North 1 site" in page.text
    assert "South 1 site" in page.text
    north, south = page.text.index("North 1 site"), page.text.index("South 1 site")
    assert north < page.text.index("What short_cycling found") < south


# the callout sheet


def test_the_outcome_can_be_entered_on_the_sheet(client: TestClient) -> None:
    client.post("/who", data={"who": "Ben", "back": "/"})
    page = Page(client.get("/sites/fen/callout").text)
    given = fields_of(page, "close")
    assert given["case"].startswith("not_shed")
    closed = client.post("/acts", data=given | {"kind": "close", "outcome": "confirmed", "text": "Mended"})
    after = Page(closed.text)
    assert after.faults == []
    assert closed.url.path == "/sites/fen/callout"
    assert "closed as confirmed" in after.text
    assert "What not_shed found" not in after.text


def test_what_was_found_on_site_stands_with_the_past_cases(client: TestClient) -> None:
    act(client, "cloud_starts:fen-a:2026-03-02", "close", outcome="not_found")
    assert "not found, Ana" in Page(client.get("/sites/fen").text).text
