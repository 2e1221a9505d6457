"""Pages in a real browser against a real server: quiet, self-contained, fit for desk and phone."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, expect
from seen import DRAWN, opened

pytestmark = pytest.mark.browser

PATHS = ["/sites/fen", "/sites/ridge", "/sites/mill"]
"""A site in full, one whose log has stopped, one without any; other pages are looked at on the demo fleet."""
CANVAS = "() => document.querySelector('#chart-timeline canvas').toDataURL()"


@pytest.mark.parametrize(("width", "scheme"), [(1280, "dark"), (390, "light")])
@pytest.mark.parametrize("path", PATHS)
def test_pages_are_quiet_and_fit(browser: Browser, base: str, path: str, width: int, scheme: str) -> None:
    with opened(browser, base, path, width, color_scheme=scheme) as seen:
        assert set(seen.charts()) <= {scheme}
        assert seen.page.evaluate("document.documentElement.scrollWidth") == width
        assert (seen.said, seen.outside) == ([], [])


def test_the_page_of_a_site_draws_all_its_charts(browser: Browser, base: str) -> None:
    with opened(browser, base, "/sites/fen") as seen:
        assert seen.charts() == ["light"] * 5


def test_charts_do_not_depend_on_the_zone_of_the_browser(browser: Browser, base: str) -> None:
    drawn = []
    for zone in ("Asia/Tokyo", "America/Los_Angeles"):
        with opened(browser, base, "/sites/fen", timezone_id=zone) as seen:
            seen.charts()
            drawn.append(seen.page.evaluate(CANVAS))
    assert drawn[0] == drawn[1]


def test_the_reader_s_choice_of_paper_is_kept(browser: Browser, base: str) -> None:
    with opened(browser, base, "/sites/fen", color_scheme="light") as seen:
        seen.charts()
        seen.page.get_by_role("button", name="Dark page").click()
        seen.until(lambda: set(seen.page.evaluate(DRAWN)) == {"dark"})
        seen.page.goto(base + "/")
        expect(seen.page.get_by_role("button", name="Light page")).to_be_visible()
        paper = seen.page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert paper == "rgb(23, 24, 22)"


def test_the_list_can_be_walked_by_keyboard(browser: Browser, base: str) -> None:
    with opened(browser, base, "/") as seen:
        here = "() => document.activeElement.id"
        seen.page.keyboard.press("j")
        assert seen.page.evaluate(here).startswith("case-not_shed")
        seen.page.keyboard.press("j")
        assert seen.page.evaluate(here).startswith("case-chatter")
        seen.page.keyboard.press("k")
        assert seen.page.evaluate(here).startswith("case-not_shed")
        seen.page.keyboard.press("o")
        seen.page.wait_for_url("**/sites/fen")


def test_the_first_tab_leads_to_the_content(browser: Browser, base: str) -> None:
    with opened(browser, base, "/") as seen:
        seen.page.keyboard.press("Tab")
        seen.page.keyboard.press("Enter")
        assert seen.page.evaluate("() => document.activeElement.id") == "main"


def test_choices_go_into_the_address(browser: Browser, base: str) -> None:
    with opened(browser, base, "/", java_script_enabled=False) as seen:
        seen.page.locator("select[name=severity]").select_option("danger")
        seen.page.get_by_role("button", name="Show").click()
        assert "severity=danger" in seen.page.url
        expect(seen.page.locator("article.case")).to_have_count(2)


def test_without_scripts_all_but_the_charts_is_there(browser: Browser, base: str) -> None:
    with opened(browser, base, "/sites/fen", java_script_enabled=False) as seen:
        expect(seen.page.get_by_text("A script draws this chart").first).to_be_visible()
        seen.page.get_by_text("Runs in this range as a table").click()
        expect(seen.page.get_by_role("cell", name="by hand").first).to_be_visible()
        expect(seen.page.get_by_role("button", name="Dark page")).to_be_hidden()


def test_a_range_marked_on_the_timeline_can_be_shown(browser: Browser, base: str) -> None:
    with opened(browser, base, "/sites/fen?from=2026-03-10T00:00&to=2026-03-11T00:00") as seen:
        seen.charts()
        canvas = seen.page.locator("#chart-timeline canvas")
        canvas.scroll_into_view_if_needed()
        box = canvas.bounding_box()
        assert box is not None
        y = box["y"] + box["height"] - 100
        seen.page.mouse.move(box["x"] + box["width"] * 0.4, y)
        seen.page.mouse.down()
        seen.page.mouse.move(box["x"] + box["width"] * 0.6, y, steps=8)
        seen.page.mouse.up()
        link = seen.page.locator("[data-range-link]")
        expect(link).to_be_visible()
        link.click()
        seen.page.wait_for_load_state()
        begin = seen.page.get_by_label("From").input_value()
        assert "2026-03-10T08:00" < begin < "2026-03-10T10:30"  # 40 % of the day is about 09:00
        assert seen.said == []


def test_a_chart_can_be_saved(browser: Browser, base: str) -> None:
    with opened(browser, base, "/sites/fen") as seen:
        seen.charts()
        figure = seen.page.locator("#chart-starts")
        with seen.page.expect_download() as picture:
            figure.get_by_role("button", name="Save as PNG").click()
        assert picture.value.suggested_filename == "fen-starts.png"
        assert picture.value.path().read_bytes().startswith(b"\x89PNG")
        with seen.page.expect_download() as drawing:
            figure.get_by_role("button", name="Save as SVG").click()
        assert drawing.value.suggested_filename == "fen-starts.svg"
        assert drawing.value.path().read_text().startswith("<svg")
        with seen.page.expect_download() as rows:
            figure.get_by_role("link", name="Data as CSV").click()
        text = rows.value.path().read_text()
        assert text.startswith("circuit,local_date,starts,")
        assert "Pool pump fen-a,2026-03-10,3,3,6.0,False" in text
        assert seen.said == []


def test_a_finger_on_the_timeline_is_told_what_is_there(browser: Browser, base: str) -> None:
    with opened(browser, base, "/sites/fen?from=2026-03-10T12:00&to=2026-03-10T14:00") as seen:
        seen.charts()
        canvas = seen.page.locator("#chart-timeline canvas")
        canvas.scroll_into_view_if_needed()
        box = canvas.bounding_box()
        assert box is not None
        seen.page.mouse.move(box["x"] + box["width"] * 0.9, box["y"] + box["height"] - 100)
        tip = seen.page.locator("#vg-tooltip-element")
        expect(tip).to_be_visible()
        expect(tip).to_contain_text("PV [kW]")
        expect(tip).to_contain_text("10 Mar 2026 13:")


def test_on_paper_there_is_the_list_and_no_machinery(browser: Browser, base: str) -> None:
    with opened(browser, base, "/") as seen:
        seen.page.emulate_media(media="print")
        expect(seen.page.locator("form.filters")).to_be_hidden()
        expect(seen.page.get_by_role("navigation", name="Pages")).to_be_hidden()
        expect(seen.page.locator("article.case").first).to_be_visible()
        expect(seen.page.locator(".cautions")).to_be_visible()


def test_on_paper_it_is_said_what_was_not_judged(browser: Browser, base: str) -> None:
    with opened(browser, base, "/") as seen:
        reason = seen.page.get_by_text("no life figures for the contactor")
        expect(reason).to_be_hidden()
        seen.page.emulate_media(media="print")
        expect(reason).to_be_visible()


def test_on_paper_the_strip_leaves_room_for_the_sentence(browser: Browser, base: str) -> None:
    with opened(browser, base, "/", 688) as seen:
        seen.page.emulate_media(media="print")
        strip = seen.page.locator("article.case .strip").first.bounding_box()
        body = seen.page.locator("article.case .body").first.bounding_box()
        assert strip is not None
        assert body is not None
        assert strip["x"] + strip["width"] + 8 <= body["x"]


def test_letters_on_paper_follow_the_size_of_the_page(browser: Browser, base: str) -> None:
    with opened(browser, base, "/sites/fen/callout") as seen:
        seen.page.emulate_media(media="print")
        sizes = [
            float(
                seen.page.evaluate(f"parseFloat(getComputedStyle(document.querySelector('{of}')).fontSize)")
            )
            for of in (".evidence", "body")
        ]
        assert sizes[0] < sizes[1]


def test_a_name_given_once_stands_in_the_other_forms(browser: Browser, base: str) -> None:
    with opened(browser, base, "/sites/fen/callout", 390) as seen:
        forms = seen.page.locator("article.close form")
        forms.nth(0).get_by_label("Your name").fill("Cleo Marsh")
        forms.nth(0).get_by_role("radio").nth(2).check()
        other = forms.nth(1).get_by_label("Your name")
        expect(other).to_have_value("")
        forms.nth(0).get_by_role("button", name="Close this case").click()
        done = seen.page.locator("article.done")
        expect(done).to_contain_text("closed as no access")
        names = seen.page.get_by_label("Your name")
        assert {one.input_value() for one in names.all()} == {"Cleo Marsh"}
        done.get_by_role("button", name="Undo").click()
        expect(done).to_have_count(0)
        assert seen.said == []


def test_an_unknown_site_is_a_readable_page(browser: Browser, base: str) -> None:
    with opened(browser, base, "/sites/nowhere", 390) as seen:
        expect(seen.page.get_by_role("heading", name="No site nowhere")).to_be_visible()
        assert seen.outside == []
