"""A page in the browser, with what it said on the console and what it asked of other hosts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from playwright.sync_api import Browser, Page

DRAWN = "() => [...document.querySelectorAll('figure[data-spec]')].map(f => f.dataset.drawn ?? '')"


class Seen:
    """One page of one browser profile."""

    def __init__(self, page: Page, base: str) -> None:
        self.page = page
        self.base = base
        self.said: list[str] = []
        self.outside: list[str] = []
        page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.on("request", lambda request: self._look(request.url, base))

    def _look(self, url: str, base: str) -> None:
        if not url.startswith((f"{base}/", "data:", "blob:")):
            self.outside.append(url)

    def go(self, path: str) -> None:
        """Go to a page of the server."""
        self.page.goto(self.base + path)

    def until(self, ready: Callable[[], bool]) -> None:
        """Wait; the page's policy forbids the waiting that evaluates strings."""
        for _ in range(600):
            if ready():
                return
            self.page.wait_for_timeout(50)
        raise AssertionError("waited 30 s in vain")

    def charts(self) -> list[str]:
        """How each chart was drawn, once all are."""
        for figure in self.page.locator("figure[data-spec]").all():
            figure.scroll_into_view_if_needed()
            handle = figure.element_handle()
            self.until(lambda handle=handle: bool(handle and handle.get_attribute("data-drawn")))
        return list(self.page.evaluate(DRAWN))


@contextmanager
def opened(browser: Browser, base: str, path: str, width: int = 1280, **options: Any) -> Iterator[Seen]:
    """A page in a profile of its own."""
    context = browser.new_context(viewport={"width": width, "height": 900}, **options)
    try:
        seen = Seen(context.new_page(), base)
        seen.go(path)
        yield seen
    finally:
        context.close()
