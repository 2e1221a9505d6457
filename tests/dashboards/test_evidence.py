"""From a finding to the minutes of the timeline that it rests on."""

from __future__ import annotations

from datetime import date, datetime
from urllib.parse import parse_qs, urlsplit

import pytest
from coilbook.dashboards.evidence import evidence_address, evidence_of
from coilbook.dashboards.ranges import MOST_MARKS
from page_reader import Page
from starlette.testclient import TestClient

ON = date(2026, 3, 8)
BURST = (
    '{"starts": 6, "burst_starts": ["2026-03-08T15:00:32Z", "2026-03-08T15:00:38Z", '
    '"2026-03-08T15:00:44.5Z"], "burst_end": "2026-03-08T15:00:44.5Z", "since": "2026-02-16"}'
)


def wall(text: str) -> datetime:
    return datetime.fromisoformat(text)


def test_instants_become_wall_time_each_once_with_a_quarter_of_an_hour_on_either_side() -> None:
    seen = evidence_of("chatter", "c", ON, "said", BURST, "America/Denver")
    # 15:00 UTC is 09:00 in Denver from the change to daylight saving time of that morning on
    assert seen.marks == (
        wall("2026-03-08T09:00:32"),
        wall("2026-03-08T09:00:38"),
        wall("2026-03-08T09:00:44"),
    )
    assert (seen.begin, seen.stop) == (wall("2026-03-08T08:45"), wall("2026-03-08T09:15"))
    assert seen.said == "8 Mar 2026 09:00:32, 09:00:38, 09:00:44"


def test_long_evidence_keeps_its_first_and_newest_minutes_and_at_most_a_week() -> None:
    told = [f'"2026-03-{n:02d}T{hour:02d}:00:00Z"' for n in range(1, 21) for hour in (6, 12)]
    seen = evidence_of("clock_offset", "k", date(2026, 3, 20), "said", ",".join(told), "UTC")
    assert len(seen.marks) == MOST_MARKS
    assert seen.marks[0] == wall("2026-03-14T06:00")
    assert seen.marks[-1] == wall("2026-03-20T12:00")
    assert seen.begin < seen.marks[0] < seen.marks[-1] < seen.stop


@pytest.mark.parametrize("told", [None, "{}", '{"since": "2026-02-16", "ops": 3}'])
def test_without_an_instant_the_local_day_is_shown(told: str | None) -> None:
    seen = evidence_of("lost_events", "k", ON, "said", told, "UTC")
    assert (seen.begin, seen.stop) == (wall("2026-03-08T00:00"), wall("2026-03-09T00:00"))
    assert (seen.marks, seen.said) == ((), "")


def test_what_is_no_minute_is_shown_where_it_stands() -> None:
    assert evidence_address("a/b", "settings", "a-1", ON) == "/sites/a%2Fb#settings"
    assert evidence_address("fen", "contactor_wear", "fen-a", ON) == "/sites/fen#wear"
    address = urlsplit(evidence_address("fen", "chatter", "fen & a", ON))
    assert (address.path, address.fragment) == ("/sites/fen", "timeline")
    assert parse_qs(address.query) == {"rule": ["chatter"], "subject": ["fen & a"], "on": ["2026-03-08"]}


def test_the_page_opens_at_a_finding_and_says_it(client: TestClient) -> None:
    page = Page(client.get(evidence_address("fen", "short_cycling", "fen-a", date(2026, 3, 9))).text)
    assert page.faults == []
    assert "Started 9 times on 9 March." in page.text
    fields = {given.get("name"): given.get("value") for tag, given in page.elements if tag == "input"}
    assert (fields["from"], fields["to"]) == ("2026-03-09T00:00", "2026-03-10T00:00")


@pytest.mark.parametrize("asked", ["rule=x&subject=fen-a&on=2026-03-09", "rule=short_cycling&subject=a&on=x"])
def test_a_finding_that_there_is_not_leaves_the_page_as_it_is(client: TestClient, asked: str) -> None:
    assert client.get(f"/sites/fen?{asked}").text == client.get("/sites/fen").text


def test_marks_are_drawn_and_other_text_in_the_address_is_left_out(client: TestClient) -> None:
    address = "/sites/fen/charts/timeline.json?from=2026-03-10T12:00&to=2026-03-10T14:00"
    plain = client.get(address).json()
    marked = client.get(f"{address}&at=2026-03-10T13:10:05&at=noon&at=2026-03-10T13:00%2B02:00").json()
    assert _rules(plain) == []
    # Through each of the two lanes, and through the power.
    assert _rules(marked) == ["evidence, 10 Mar 2026 13:10:05"] * 3


def _rules(spec: dict[str, object]) -> list[str]:
    found = []
    for panel in spec["vconcat"]:  # type: ignore[attr-defined]
        for layer in panel["layer"]:
            if layer["mark"]["type"] == "rule":
                found += [row["what"] for row in layer["data"]["values"]]
    return found
