"""A finding that another case explains: strip, words and lists tell the same counts, and name the cause."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from coilbook.api.app import create_app
from coilbook.api.settings import Settings
from coilbook.ingest.store import Store
from page_reader import Page
from small_store import day, fill, put
from starlette.testclient import TestClient

CASE = "/?rule=missed_window"


@pytest.fixture(scope="module")
def clock(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """The small store with the clock of `fen-k` off: windows after 4 March are explained by it."""
    path: Path = tmp_path_factory.mktemp("clock") / "store.duckdb"
    with Store.open(path) as store:
        fill(store)
        window = {"rule": "missed_window", "subject": "fen-a", "subject_kind": "circuit", "site_id": "fen"}
        window |= {"severity": "service", "evidence": "{}"}
        put(
            store,
            "finding",
            [
                window
                | {"local_date": day(n), "sentence": f"Window missed on {n} March."}
                | {"explained_by": "clock_offset" if n > 4 else None}
                for n in (3, 4, 6, 7, 8)
            ],
        )
        off = {"rule": "clock_offset", "subject": "fen-k", "subject_kind": "controller", "site_id": "fen"}
        off |= {"severity": "service", "sentence": "Its clock is 1 h fast.", "next_step": "Set it."}
        off |= {"first_finding_on": day(6), "opened_on": day(6), "last_finding_on": day(8), "days": 3}
        put(store, "service_case", [off | {"case_id": "clock_offset:fen-k", "state": "continuing"}])
        with store.writing() as session:
            session.run(
                "UPDATE service_case SET first_finding_on = ?, last_finding_on = ?, days = 2 "
                "WHERE rule = 'missed_window'",
                [day(3), day(4)],
            )
    with TestClient(create_app(Settings(store=path, nightly=False, hosts=("testserver",)))) as client:
        yield client


def read(client: TestClient, path: str) -> Page:
    seen = Page(client.get(path).text)
    assert seen.faults == []
    return seen


def test_strip_words_and_facts_of_the_case_agree(clock: TestClient) -> None:
    seen = read(clock, CASE)
    (label,) = [given["aria-label"] for tag, given in seen.elements if given.get("class") == "strip"]
    assert label == (
        "Last 14 days to 10 Mar 2026: 2 with a finding, 3 explained by another case, 5 clean; "
        "findings on 3 Mar, 4 Mar"
    )
    html = clock.get(CASE).text
    strip = html[html.index('class="strip"') :].partition("</svg>")[0]
    assert [strip.count(f"day-{letter}") for letter in "fec"] == [2, 3, 5]
    assert "2 with a finding" in seen.text
    assert "3 days of the last 14 explained by another case" in seen.text


def test_the_site_lists_what_is_explained_and_by_what(clock: TestClient) -> None:
    text = read(clock, "/sites/fen").text
    for n in (6, 7, 8):
        assert f"Window missed on {n} March. " in text
    assert text.count("explained by: Controller clock is off") == 3
    assert "Window missed on 4 March." not in text  # that one is its own case's


def test_the_sheet_puts_it_under_the_case_that_explains_it(clock: TestClient) -> None:
    text = read(clock, "/sites/fen/callout").text
    assert "Explains: Run window not met, fen-a, on 3 days of these." in text
    newest = "Newest finding : 4 Mar 2026; last 14 days to 10 Mar 2026: 2 with a finding, "
    assert f"{newest}3 explained by another case, 5 clean." in text
    assert "Window missed on 3 March." in text
    assert "Window missed on 8 March." not in text
