"""Pages for every reader and every line: axe's checks, weight, and that nothing jumps."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Response
from seen import Seen, opened

pytestmark = pytest.mark.browser

PATHS = ["/", "/?group=area", "/fleet", "/loads", "/sites/{site}", "/sites/{site}/callout", "/?act={case}"]
FIRST_VISIT = 1_300_000
"""Most that a first visit may carry, the charts' script included [bytes, compressed]."""
LATER_VISIT = 60_000
"""Most that a visit may carry whose files the browser keeps already [bytes, compressed]."""
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]}}
SHIFTS = """() => new Promise((done) => {
  let sum = 0;
  new PerformanceObserver((list) => {
    for (const entry of list.getEntries()) if (!entry.hadRecentInput) sum += entry.value;
  }).observe({ type: "layout-shift", buffered: true });
  setTimeout(() => done(sum), 300);
})"""


def told(path: str, seen: Seen) -> str:
    """The path with a site and case of this fleet."""
    case = str(seen.page.locator("article.case").first.get_attribute("id")).removeprefix("case-")
    site = str(seen.page.locator("article.case .who a").first.get_attribute("href")).rpartition("/")[2]
    return path.format(site=site, case=case)


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
@pytest.mark.parametrize("path", PATHS)
def test_axe_finds_nothing_serious(browser: Browser, fleet: str, path: str, width: int, scheme: str) -> None:
    with opened(browser, fleet, "/", width, color_scheme=scheme) as seen:
        seen.go(told(path, seen))
        seen.charts()
        found = Axe().run(seen.page, options=RULES).response["violations"]
        bad = [
            (one["id"], one["impact"], [node["html"][:120] for node in one["nodes"][:3]])
            for one in found
            if one["impact"] in ("serious", "critical", "moderate")
        ]
        assert bad == []


@pytest.mark.parametrize("path", PATHS)
def test_pages_are_light(browser: Browser, fleet: str, path: str) -> None:
    """Body bytes on the wire: of the first visit with an empty cache, and of the next one."""
    with opened(browser, fleet, "/") as seen:
        address = told(path, seen)
    with opened(browser, fleet, "/healthz") as seen:
        answers: list[Response] = []
        seen.page.on("response", lambda answer: answers.append(answer))
        seen.go(address)
        seen.charts()
        first = sum(_wire_bytes(answer) for answer in answers)
        answers.clear()
        seen.go("/healthz")
        answers.clear()
        seen.go(address)
        seen.charts()
        later = sum(_wire_bytes(answer) for answer in answers)
        assert 0 < first < FIRST_VISIT
        assert later < LATER_VISIT


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("path", PATHS)
def test_nothing_jumps_while_a_page_loads(browser: Browser, fleet: str, path: str, width: int) -> None:
    with opened(browser, fleet, "/", width) as seen:
        seen.go(told(path, seen))
        seen.charts()
        assert seen.page.evaluate(SHIFTS) < 0.01


def _wire_bytes(answer: Response) -> int:
    """Bytes of the body as they came over the wire; nothing of what the browser kept."""
    return int(answer.request.sizes()["responseBodySize"])
