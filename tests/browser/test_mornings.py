"""Each person's morning, told in a real browser on a small simulated fleet."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect
from seen import Seen, opened

pytestmark = pytest.mark.browser


def named(seen: Seen, name: str) -> None:
    """Give a name, once."""
    me = seen.page.locator("details.me")
    me.locator("summary").click()
    me.get_by_label("Your name").fill(name)
    me.get_by_role("button", name="Keep").click()
    expect(seen.page.get_by_text(f"You act as {name}")).to_be_visible()


def entry(page: Page, case_id: str) -> Locator:
    return page.locator(f'article[id="{case_id}"]')


def ids(page: Page) -> list[str]:
    return [str(case.get_attribute("id")) for case in page.locator("article.case").all()]


def act_on(page: Page, case_id: str) -> Locator:
    """The panel of a case, opened in place."""
    case = entry(page, case_id)
    case.get_by_role("link", name=re.compile("^Act on")).click()
    panel = case.locator("[data-panel]")
    expect(panel).to_be_visible()
    return panel


def take_back(page: Page, case_id: str) -> None:
    """Undo the newest act of a case from the line or entry that stands in its place."""
    with page.expect_response("**/acts"):
        entry(page, case_id).get_by_role("button", name="Undo").click()


def in_days(days: int) -> str:
    return (datetime.now(UTC).date() + timedelta(days=days)).isoformat()


# the service manager


def test_the_service_manager_assigns_and_snoozes_without_losing_the_place(
    browser: Browser, fleet: str
) -> None:
    with opened(browser, fleet, "/") as seen:
        page = seen.page
        named(seen, "Ana Ruiz")
        before = ids(page)
        first, other = before[0], next(c for c in before if "case-danger" not in _style(page, c))
        panel = act_on(page, first)
        half = act_on(page, before[-1])
        half.get_by_label("Note", exact=True).fill("half a thought")
        panel.get_by_label("Assign to").fill("Ben Ortega")
        panel.get_by_role("button", name="Assign").click()
        expect(entry(page, first)).to_contain_text("Assigned to Ben Ortega")
        assert "act=" not in page.url
        expect(half.get_by_label("Note", exact=True)).to_have_value("half a thought")

        panel = act_on(page, other)
        top = _top(page, other)
        panel.get_by_label("Snooze until").fill(in_days(30))
        panel.get_by_label("Why").fill("Owner away")
        panel.get_by_role("button", name="Snooze").click()
        expect(entry(page, other)).to_contain_text("snoozed until")
        assert abs(_top(page, other) - top) < 900  # still on the screen it was on
        expect(page.locator("[data-live=aside]")).to_contain_text("1 snoozed")
        assert ids(page) == before

        page.reload()
        assert ids(page) == [c for c in before if c != other]
        page.get_by_role("link", name="1 snoozed").click()
        assert ids(page) == [other]
        expect(entry(page, other)).to_contain_text("Owner away")
        act_on(page, other).get_by_role("button", name="Put back on the list").click()
        expect(entry(page, other)).to_contain_text("Last: Ana Ruiz put it back on the list.")
        seen.go("/")
        assert ids(page) == before
        assert (seen.said, seen.outside) == ([], [])


def test_an_act_can_be_taken_back_in_its_place(browser: Browser, fleet: str) -> None:
    with opened(browser, fleet, "/") as seen:
        page = seen.page
        named(seen, "Ana Ruiz")
        case = ids(page)[-1]
        panel = act_on(page, case)
        panel.get_by_label("Outcome").select_option("not_found")
        panel.get_by_role("button", name="Close").click()
        expect(entry(page, case)).to_contain_text("closed as not found")
        take_back(page, case)
        expect(entry(page, case).locator(".sentence")).to_be_visible()
        page.reload()
        expect(entry(page, case).locator(".sentence")).to_be_visible()


def test_two_people_at_once_see_each_other_and_lose_no_text(browser: Browser, fleet: str) -> None:
    with opened(browser, fleet, "/") as one, opened(browser, fleet, "/") as two:
        named(one, "Ana Ruiz")
        named(two, "Cleo Park")
        case = ids(one.page)[1]
        first, second = act_on(one.page, case), act_on(two.page, case)
        second.get_by_label("Outcome").select_option("confirmed")
        second.get_by_label("What was found and done").fill("Coil wire was loose")
        first.get_by_label("Note", exact=True).fill("I am on my way")
        first.get_by_role("button", name="Add note").click()
        expect(entry(one.page, case)).to_contain_text("I am on my way")

        second.get_by_role("button", name="Close").click()
        told = entry(two.page, case)
        expect(told.get_by_role("alert")).to_contain_text("Somebody acted on this case meanwhile")
        expect(told.get_by_role("alert")).to_contain_text("Ana Ruiz noted")
        expect(told.get_by_label("What was found and done")).to_have_value("Coil wire was loose")
        expect(told.get_by_label("Outcome")).to_have_value("confirmed")
        told.get_by_role("button", name="Close").click()
        expect(entry(two.page, case)).to_contain_text("closed as confirmed")
        take_back(two.page, case)
        conflict = [line for line in two.said if "409" not in line]
        assert (one.said, conflict) == ([], [])


def test_where_the_server_is_gone_the_text_stays(browser: Browser, fleet: str) -> None:
    with opened(browser, fleet, "/") as seen:
        named(seen, "Ana Ruiz")
        case = ids(seen.page)[0]
        panel = act_on(seen.page, case)
        panel.get_by_label("Note", exact=True).fill("typed in a cellar")
        seen.page.context.set_offline(True)
        panel.get_by_role("button", name="Add note").click()
        expect(entry(seen.page, case).get_by_role("alert")).to_contain_text("What you typed is still here")
        expect(panel.get_by_label("Note", exact=True)).to_have_value("typed in a cellar")


def test_the_keys_open_and_shut_the_forms_and_leave_typing_alone(browser: Browser, fleet: str) -> None:
    with opened(browser, fleet, "/") as seen:
        page = seen.page
        named(seen, "Ana Ruiz")
        page.keyboard.press("j")
        page.keyboard.press("a")
        case = ids(page)[0]
        panel = entry(page, case).locator("[data-panel]")
        expect(panel).to_be_visible()
        note = panel.get_by_label("Note", exact=True)
        note.focus()
        page.keyboard.type("jack o'lantern / a")
        expect(note).to_have_value("jack o'lantern / a")
        page.keyboard.press("Escape")
        expect(panel).to_be_hidden()
        page.get_by_role("button", name="Turn keys off").click()
        entry(page, case).focus()
        page.keyboard.press("j")
        assert page.evaluate("() => document.activeElement.id") == case


def test_all_of_it_works_without_scripts(browser: Browser, fleet: str) -> None:
    with opened(browser, fleet, "/", java_script_enabled=False) as seen:
        page = seen.page
        named(seen, "Ana Ruiz")
        case = ids(page)[-1]
        panel = act_on(page, case)
        panel.get_by_label("Note", exact=True).fill("by a plain form")
        panel.get_by_role("button", name="Add note").click()
        expect(entry(page, case)).to_contain_text("by a plain form")
        take_back(page, case)
        expect(entry(page, case)).not_to_contain_text("by a plain form")


# the technician


def test_the_evidence_of_a_case_opens_the_timeline_at_its_minutes(browser: Browser, fleet: str) -> None:
    with opened(browser, fleet, "/?severity=danger") as seen:
        page = seen.page
        page.locator("article.case").first.get_by_role("link", name="Evidence of").click()
        page.wait_for_url("**/sites/*rule=*")
        told = page.get_by_role("note")
        marked = re.search(r"Marked by broken lines: (\d+ \w+ \d{4} \d\d:\d\d):\d\d", told.inner_text())
        assert marked is not None
        first = datetime.strptime(marked[1], "%d %b %Y %H:%M").replace(tzinfo=UTC)
        begin, stop = (
            datetime.fromisoformat(page.get_by_label(name, exact=True).input_value()).replace(tzinfo=UTC)
            for name in ("From", "To")
        )
        assert timedelta(minutes=14) <= first - begin <= timedelta(days=1)
        assert first < stop
        assert set(seen.charts()) == {"light"}
        spec = page.request.get(
            fleet + str(page.locator("#chart-timeline").get_attribute("data-spec"))
        ).json()
        rules = [
            layer for panel in spec["vconcat"] for layer in panel["layer"] if layer["mark"]["type"] == "rule"
        ]
        assert len(rules) == 2  # through the lanes and through the power
        assert (seen.said, seen.outside) == ([], [])


def test_the_technician_reads_the_sheet_on_a_phone_and_closes_the_case(browser: Browser, fleet: str) -> None:
    with opened(browser, fleet, "/", 390, has_touch=True) as seen:
        page = seen.page
        page.get_by_role("link", name="Callout sheet").first.click()
        page.wait_for_url("**/callout")
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        heads = [h.inner_text() for h in page.locator("h2").all()]
        assert heads[0] == "Before anyone opens an enclosure"
        assert heads.index("What to bring") < heads.index("What to check, in this order")
        form = page.locator("article.close form").first
        case = str(page.locator("article.close").first.get_attribute("id"))
        form.get_by_label("Your name").fill("Ben Ortega")
        form.get_by_text("Confirmed", exact=True).click()
        form.get_by_label("What was found and done").fill("Welded, changed")
        button = form.get_by_role("button", name="Close this case")
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= 44  # a finger in a glove
        button.click()
        expect(entry(page, case)).to_contain_text("closed as confirmed")
        take_back(page, case)
        assert (seen.said, seen.outside) == ([], [])


@pytest.mark.parametrize(("paper", "width", "height"), [("A4", 8.27, 11.69), ("Letter", 8.5, 11.0)])
def test_the_sheet_prints_on_one_or_two_pages_of_either_paper(
    browser: Browser, fleet: str, paper: str, width: float, height: float
) -> None:
    with opened(browser, fleet, "/") as seen:
        page = seen.page
        page.get_by_role("link", name="Callout sheet").first.click()
        page.wait_for_url("**/callout")
        page.emulate_media(media="print")
        expect(page.locator(".cautions")).to_be_visible()
        expect(page.locator("form").first).to_be_hidden()
        expect(page.locator(".paper .boxes").first).to_be_visible()
        printed = page.pdf(format=paper)
        sizes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed)
        assert 1 <= len(sizes) <= 2
        assert abs(float(sizes[0][0]) / 72 - width) < 0.02
        assert abs(float(sizes[0][1]) / 72 - height) < 0.02


# the engineer


def test_the_engineer_looks_at_the_fleet(browser: Browser, fleet: str) -> None:
    with opened(browser, fleet, "/fleet") as seen:
        page = seen.page
        drawn = seen.charts()
        assert drawn
        assert set(drawn) == {"light"}
        area = page.locator("select[name=area]").locator("option").nth(1).get_attribute("value")
        page.locator("select[name=area]").select_option(area)
        page.get_by_role("button", name="Show").click()
        assert "area=" in page.url
        table = page.get_by_role("region", name="Cases by area")
        expect(table.locator("tbody tr")).to_have_count(1)
        page.get_by_role("link", name="most starts").click()
        expect(page.get_by_role("region", name="Worst circuits", exact=True)).to_contain_text(
            "Circuits, most starts first"
        )
        assert "area=" in page.url
        with page.expect_download() as rows:
            page.locator("#chart-by-rule").get_by_role("link", name="Data as CSV").click()
        assert rows.value.path().read_text().startswith("panel,week,")
        assert (seen.said, seen.outside) == ([], [])


# whoever loads


def test_files_are_dropped_told_and_released(browser: Browser, fleet: str, tmp_path: Path) -> None:
    good = tmp_path / "switch.csv"
    good.write_text("circuit_id,ts,state\nstranger-a,2026-03-01T10:00:00Z,on\nstranger-a,noon,off\n")
    bad = tmp_path / "notes.csv"
    bad.write_bytes(b"\x00\x01 not a log")
    with opened(browser, fleet, "/loads") as seen:
        page = seen.page
        dropped = page.evaluate_handle(
            """text => {
                const held = new DataTransfer();
                held.items.add(new File([text], "switch.csv"));
                return held;
            }""",
            good.read_text(),
        )
        page.locator("form.drop").dispatch_event("drop", {"dataTransfer": dropped})
        lines = page.locator("[data-uploads] p")
        expect(lines).to_have_count(1)
        expect(lines.first).to_contain_text("2 rows read: 0 new, 0 duplicate, 0 replaced, 2 held back")
        page.locator("input[name=files]").set_input_files([str(good), str(bad)])
        page.get_by_role("button", name="Load").click()
        expect(lines).to_have_count(3)
        expect(lines.last).to_contain_text("failed:")
        held = page.get_by_role("region", name="Rows held back, newest first")
        expect(held).to_contain_text("stranger-a,noon,off")
        held.get_by_role("checkbox").first.check()
        page.get_by_role("button", name="Release the rows ticked").click()
        expect(page.get_by_role("status")).to_contain_text("0 rows of 1 entered the store")
        assert (seen.said, seen.outside) == ([], [])


def test_files_are_loaded_without_scripts(browser: Browser, fleet: str, tmp_path: Path) -> None:
    file = tmp_path / "plain.csv"
    file.write_text("circuit_id,ts,state\nstranger-b,2026-03-01T10:00:00Z,on\n")
    with opened(browser, fleet, "/loads", java_script_enabled=False) as seen:
        seen.page.locator("input[name=files]").set_input_files(str(file))
        seen.page.get_by_role("button", name="Load").click()
        expect(seen.page.get_by_text("1 file has just been loaded")).to_be_visible()
        expect(seen.page.get_by_role("region", name="Files loaded, newest first")).to_contain_text(
            "plain.csv"
        )


def _style(page: Page, case_id: str) -> str:
    return str(entry(page, case_id).get_attribute("class"))


def _top(page: Page, case_id: str) -> float:
    box = entry(page, case_id).bounding_box()
    assert box is not None
    return float(box["y"])
