"""Pages for every reader and every line: sound HTML, axe's checks, weight, and that nothing jumps."""

from __future__ import annotations

from collections.abc import Iterator
from html.parser import HTMLParser

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Response
from seen import Seen, opened

pytestmark = pytest.mark.browser

PATHS = [
    "/",
    "/?group=area&cleared=1",
    "/?act={case}",
    "/sites/{site}",
    "{evidence}",
    "/sites/{site}/callout",
    "/fleet",
    "/fleet/min-run",
    "/loads",
]
HEAVY = ["/", "/sites/{site}", "/fleet", "/fleet/min-run"]
READERS = [(1280, "light"), (390, "dark")]
FIRST_VISIT = 1_300_000
"""Most that a first visit may carry, the charts' script included [bytes, compressed]."""
LATER_VISIT = 60_000
"""Most that a visit may carry whose files the browser keeps already [bytes, compressed]."""
RULES = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    }
}
SHIFTS = """() => new Promise((done) => {
  let sum = 0;
  new PerformanceObserver((list) => {
    for (const entry of list.getEntries()) if (!entry.hadRecentInput) sum += entry.value;
  }).observe({ type: "layout-shift", buffered: true });
  setTimeout(() => done(sum), 300);
})"""
TREE = """(html) => {
  const told = [];
  const walk = (element, depth) => {
    told.push(`${"  ".repeat(depth)}${element.localName}`);
    for (const child of element.children) walk(child, depth + 1);
  };
  walk(new DOMParser().parseFromString(html, "text/html").documentElement, 0);
  return told;
}"""
VOID = ("meta", "link", "input", "br", "hr", "img", "path", "rect", "circle")


@pytest.fixture(scope="module")
def addresses(browser: Browser, fleet: str) -> dict[str, str]:
    """A site, a case and its evidence in this fleet."""
    with opened(browser, fleet, "/") as seen:
        first = seen.page.locator("article.case").first
        return {
            "case": str(first.get_attribute("id")).removeprefix("case-"),
            "site": str(first.locator(".who a").get_attribute("href")).rpartition("/")[2],
            "evidence": str(first.get_by_role("link", name="Evidence of").get_attribute("href")),
        }


@pytest.fixture(scope="module", params=READERS, ids=lambda reader: f"{reader[0]}-{reader[1]}")
def reader(request: pytest.FixtureRequest, browser: Browser) -> Iterator[tuple[BrowserContext, int, str]]:
    """A browser profile of one width and one taste, which keeps files as a reader's does."""
    width, scheme = request.param
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
    yield context, width, scheme
    context.close()


@pytest.mark.parametrize("path", PATHS)
def test_a_page_is_fit_for_its_reader(
    reader: tuple[BrowserContext, int, str], fleet: str, addresses: dict[str, str], path: str
) -> None:
    """Drawn in the reader's colours, no wider than the screen, nothing jumps, nothing said, axe content."""
    context, width, scheme = reader
    seen = Seen(context.new_page(), fleet)
    seen.go(path.format(**addresses))
    assert set(seen.charts()) <= {scheme}
    assert seen.page.evaluate(SHIFTS) < 0.01
    assert seen.page.evaluate("document.documentElement.scrollWidth") == width
    assert (seen.said, seen.outside) == ([], [])
    found = Axe().run(seen.page, options=RULES).response["violations"]
    bad = [
        (one["id"], one["impact"], [node["html"][:120] for node in one["nodes"][:3]])
        for one in found
        if one["impact"] in ("serious", "critical", "moderate")
    ]
    seen.page.close()
    assert bad == []


def test_the_browser_reads_the_html_as_it_is_written(
    browser: Browser, fleet: str, addresses: dict[str, str]
) -> None:
    """A parser by the standard has nothing to mend: each element stands where its tags put it."""
    with opened(browser, fleet, "/healthz") as seen:
        for path in PATHS:
            html = seen.page.request.get(fleet + path.format(**addresses)).text()
            assert seen.page.evaluate(TREE, html) == Tree(html).told, path


@pytest.mark.parametrize("path", HEAVY)
def test_pages_are_light(browser: Browser, fleet: str, addresses: dict[str, str], path: str) -> None:
    """Body bytes on the wire: of the first visit with an empty cache, and of the next one."""
    address = path.format(**addresses)
    with opened(browser, fleet, "/healthz") as seen:
        answers: list[Response] = []
        seen.page.on("response", lambda answer: answers.append(answer))
        seen.go(address)
        seen.charts()
        first = sum(_wire_bytes(answer) for answer in answers)
        seen.go("/healthz")
        answers.clear()
        seen.go(address)
        seen.charts()
        later = sum(_wire_bytes(answer) for answer in answers)
        assert 0 < first < FIRST_VISIT
        assert later < LATER_VISIT


class Tree(HTMLParser):
    """The elements of a text as its tags nest them: `told`, one line an element, indented by its depth."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.told: list[str] = []
        self._depth = 0
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.told.append(f"{'  ' * self._depth}{tag}")
        self._depth += tag not in VOID

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.told.append(f"{'  ' * self._depth}{tag}")

    def handle_endtag(self, tag: str) -> None:
        self._depth -= 1


def _wire_bytes(answer: Response) -> int:
    """Bytes of the body as they came over the wire; nothing of what the browser kept."""
    return int(answer.request.sizes()["responseBodySize"])
