"""Reads a page as a browser's parser would be told it, and lists what is wrong with it."""

from __future__ import annotations

import re
from html.parser import HTMLParser

VOID = {"meta", "link", "input", "br", "hr", "img", "path", "rect", "circle"}
"""Elements without an end tag, those of inline SVG written `<x/>` included."""

MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d{1,3})?)?Z")
"""A global date and time as HTML takes it (HTML Living Standard, 2.3.5.7)."""


class Page(HTMLParser):
    """One page: its text by element, and its faults."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self.open: list[tuple[str, dict[str, str]]] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.headings: list[int] = []
        self.tables: list[dict[str, int]] = []
        self.texts: list[str] = []
        self.elements: list[tuple[str, dict[str, str]]] = []
        if not html.startswith("<!doctype html>"):
            self.faults.append("no doctype")
        self.feed(html)
        self.close()
        if self.open:
            self.faults.append(f"never closed: {[tag for tag, _ in self.open]}")
        self._look_back()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if len(given) != len(attrs):
            self.faults.append(f"attribute twice: {tag} {attrs}")
        self.elements.append((tag, given))
        if "id" in given:
            self.ids.append(given["id"])
        if "href" in given:
            self.links.append(given["href"])
        if len(tag) == 2 and tag[0] == "h" and tag[1].isdigit():
            self.headings.append(int(tag[1]))
        self._look_at(tag, given)
        if tag not in VOID:
            self.open.append((tag, given))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.faults.append(f"<{tag}/> is no void element")
        self.handle_starttag(tag, attrs)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1][0] != tag:
            self.faults.append(f"</{tag}> closes {self.open[-1][0] if self.open else 'nothing'}")
            return
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if data.strip() and not (self.open and self.open[-1][0] in ("script", "style")):
            self.texts.append(data.strip())
        elif data.strip():
            self.faults.append(f"inline {self.open[-1][0]}: {data[:40]}")

    @property
    def text(self) -> str:
        """All text, blanks of any kind as one."""
        return " ".join(" ".join(self.texts).split())

    def _look_at(self, tag: str, given: dict[str, str]) -> None:
        if "style" in given or any(name.startswith("on") for name in given):
            self.faults.append(f"inline style or handler: {tag} {given}")
        if tag == "table":
            self.tables.append({"caption": 0, "th": 0})
        if tag in ("caption", "th") and self.tables:
            self.tables[-1][tag] += 1
        if tag == "th" and given.get("scope") not in ("col", "row"):
            self.faults.append(f"th without scope: {given}")
        parents = [name for name, _ in self.open]
        if (
            tag in ("input", "select", "textarea")
            and given.get("type") != "hidden"
            and "label" not in parents
        ):
            self.faults.append(f"no label: {tag} {given}")
        if tag == "time" and not MOMENT.fullmatch(given.get("datetime", "")):
            self.faults.append(f"no valid datetime: {given}")
        if tag == "svg" and not (given.get("aria-hidden") == "true" or given.get("aria-label")):
            self.faults.append("svg that says nothing and is not hidden")

    def _look_back(self) -> None:
        html = [given for tag, given in self.elements if tag == "html"]
        if [given.get("lang") for given in html] != ["en"]:
            self.faults.append("no lang")
        if self.headings.count(1) != 1:
            self.faults.append(f"h1: {self.headings.count(1)}")
        if any(b - a > 1 for a, b in zip(self.headings, self.headings[1:], strict=False)):
            self.faults.append(f"headings skip a level: {self.headings}")
        if len(set(self.ids)) != len(self.ids):
            self.faults.append(f"id twice: {sorted(i for i in self.ids if self.ids.count(i) > 1)}")
        for link in self.links:
            if link.startswith("#") and link[1:] not in self.ids:
                self.faults.append(f"link to nowhere: {link}")
        for table in self.tables:
            if not table["caption"] or not table["th"]:
                self.faults.append(f"table without caption or heads: {table}")
