"""Pages as served: sound HTML, what they must say, what they must never do."""

from __future__ import annotations

import gzip
import re

import pytest
from page_reader import Page
from starlette.testclient import TestClient

PAGES = [
    "/",
    "/?severity=danger&cleared=1",
    "/?area=Nowhere",
    "/?page=99",
    "/sites/fen",
    "/sites/fen?days=365&from=2026-03-10T18:00&to=2026-03-10T20:00",
    "/sites/ridge",
    "/sites/mill",
    "/loads",
    "/loads?reason=bad_time&load=1&page=7",
    "/?group=area&person=-",
    "/?act=chatter:fen-a:2026-03-02",
    "/?done=silent:ridge:2026-03-09&before=nothing",
    "/?act=nothing",
    "/sites/fen?act=chatter:fen-a:2026-03-02",
    "/sites/fen/callout",
    "/sites/mill/callout",
    "/fleet",
    "/fleet?weeks=13&area=North&rule=chatter&order=cost",
    "/fleet?area=Nowhere&weeks=x&order=x",
]
CAUTIONS = (
    "More than one source",
    "closes without warning",
    "lock and tag",
    "prove dead",
    "breaker",
    "local code",
)


def page(client: TestClient, path: str, status: int = 200) -> Page:
    answer = client.get(path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    return Page(answer.text)


@pytest.mark.parametrize("path", PAGES)
def test_pages_are_sound(client: TestClient, path: str) -> None:
    assert page(client, path).faults == []


@pytest.mark.parametrize("path", ["/", "/loads", "/fleet"])
def test_pages_of_an_empty_store_are_sound_and_say_what_to_do(bare: TestClient, path: str) -> None:
    seen = page(bare, path)
    assert seen.faults == []
    assert "coilbook load registry/ logs/" in seen.text


@pytest.mark.parametrize("path", PAGES)
def test_nothing_is_asked_of_another_host(client: TestClient, path: str) -> None:
    html = client.get(path).text
    addresses = re.findall(r'(?:href|src|action|data-spec)="([^"]*)"', html)
    assert addresses
    assert [a for a in addresses if not a.startswith(("/", "#", "geo:", "?"))] == []


def test_every_static_file_that_a_page_names_is_there_and_may_be_kept(client: TestClient) -> None:
    html = client.get("/sites/fen").text
    names = set(re.findall(r'"(/static/[^"]+)"', html))
    assert len(names) == 7
    for name in names:
        answer = client.get(name)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]


@pytest.mark.parametrize("name", ["page.css", "page.0123456789ab.css", "..%2Fpages.py", "vega.js", "x"])
def test_other_names_of_static_files_are_not_found(client: TestClient, name: str) -> None:
    assert client.get(f"/static/{name}").status_code == 404


# morning


def test_the_morning_tells_cases_in_their_order(client: TestClient) -> None:
    text = page(client, "/").text
    places = [text.index(f"What {rule} found") for rule in ("not_shed", "chatter", "missed_window", "silent")]
    assert places == sorted(places)
    assert "Tuesday 10 March 2026" in text
    assert "1 of 3 sites judged" in text
    assert "3 new" in text
    assert "5 go on" in text
    assert "no life figures for the contactor" in text


def test_a_case_says_what_since_when_and_what_next(client: TestClient) -> None:
    text = page(client, "/?rule=short_cycling").text
    assert "What short_cycling found & measured." in text
    assert "Next What to do about short_cycling." in text
    assert "since 2 Mar 2026" in text
    assert "9 days, 3 with a finding" in text
    assert "7 EUR a year" in text


def test_the_strip_speaks(client: TestClient) -> None:
    labels = [
        given.get("aria-label", "")
        for tag, given in page(client, "/?rule=short_cycling").elements
        if tag == "svg"
    ]
    assert (
        "Last 14 days to 10 Mar 2026: 3 with a finding, 6 clean, 1 not judged; "
        "findings on 3 Mar, 9 Mar, 10 Mar" in labels
    )


def test_choices_stand_in_the_form_and_in_the_csv_link(client: TestClient) -> None:
    seen = page(client, "/?severity=service&state=back&cleared=1")
    chosen = [g["value"] for tag, g in seen.elements if tag == "option" and "selected" in g]
    assert chosen == ["service", "back"]
    csv = next(link for link in seen.links if link.startswith("/api/cases.csv"))
    assert csv == "/api/cases.csv?severity=service&state=back&include_cleared=true"
    assert client.get(csv).status_code == 200


def test_where_nothing_fits_the_page_says_so(client: TestClient) -> None:
    assert "No open case fits these choices. Show all 9 open cases" in page(client, "/?area=Nowhere").text


@pytest.mark.parametrize("path", ["/", "/sites/fen", "/sites/ridge", "/sites/mill", "/sites/fen/callout"])
def test_who_sends_somebody_says_what_can_kill(client: TestClient, path: str) -> None:
    text = page(client, path).text
    assert [said for said in CAUTIONS if said not in text] == []


def test_what_the_registry_says_is_text_and_never_markup(client: TestClient) -> None:
    for path in ("/", "/sites/fen", "/loads"):
        assert "<House>" not in client.get(path).text
        assert "<b>x</b>" not in client.get(path).text
    assert "Fen <House>" in page(client, "/").text
    assert "<b>x</b>" in page(client, "/loads").text


# one site


def test_an_unknown_site_is_a_page_too(client: TestClient) -> None:
    seen = page(client, "/sites/%3Cscript%3E", 404)
    assert seen.faults == []
    assert "The registry has no site of that name" in seen.text


def test_the_site_says_who_what_and_since_when(client: TestClient) -> None:
    text = page(client, "/sites/fen").text
    for said in (
        "Times on this page are local: America/Denver",
        "2-pole 40 A",  # what to bring
        "24 V",
        "least run time [s] 900 1800",  # the settings as they were changed
        "Inspected dry",
        "withdrawn: a later log took its findings away",
        "missed 1",
    ):
        assert said in text


def test_findings_without_a_case_are_shown_with_their_reason(client: TestClient) -> None:
    text = page(client, "/sites/fen").text
    assert "1 finding of the last 14 days that opens no case" in text
    assert "explained by: Short cycling" in text


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("from=noon&to=later", "cannot be read"),
        ("from=2026-03-10T20:00&to=2026-03-10T18:00", "ends before it begins"),
        ("from=2020-01-01T00:00&to=2026-03-10T18:00", "longer than a year"),
        ("from=2026-03-10T20:00Z&to=2026-03-10T21:00", "cannot be read"),
        ("from=0001-01-01T00:00&to=0001-01-02T00:00", "cannot be read"),
        ("days=x", ""),
    ],
)
def test_a_range_that_cannot_be_shown_is_replaced_and_said(client: TestClient, asked: str, said: str) -> None:
    assert said in page(client, f"/sites/fen?{asked}").text


# loads


def test_loads_tell_why_a_file_failed_and_a_row_is_held(client: TestClient) -> None:
    text = page(client, "/loads").text
    for said in (
        "failed: gzip ends early",
        "columns kept out: phase",
        "time cannot be read",
        "noon,fen-a",
        "12 rows read",
        "11 Mar 2026 08:30, in 0.2 s",
    ):
        assert said in text


def test_the_morning_says_by_rule_what_was_not_judged(client: TestClient) -> None:
    text = Page(client.get("/").text).text
    assert "no life figures for the contactor Contactor near its rated life 1 1" in text
    assert "no log at all every rule 1 1" in text  # of a silent site nothing is judged


# what browsers and readers save


def test_a_page_that_has_not_changed_is_not_sent_again(client: TestClient) -> None:
    first = client.get("/")
    again = client.get("/", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert client.get("/?rule=silent").headers["etag"] != first.headers["etag"]


def test_pages_are_packed_for_whoever_takes_it(client: TestClient) -> None:
    plain = client.get("/", headers={"Accept-Encoding": "identity"})
    packed = client.get("/", headers={"Accept-Encoding": "gzip"})
    assert packed.headers["content-encoding"] == "gzip"
    assert "content-encoding" not in plain.headers
    assert packed.text == plain.text
    assert int(packed.headers["content-length"]) < len(gzip.compress(plain.content)) * 1.2


def test_pages_forbid_scripts_from_text_and_from_elsewhere(client: TestClient) -> None:
    policy = client.get("/sites/fen").headers["content-security-policy"]
    assert "script-src 'self';" in policy
    assert "unsafe" not in policy
