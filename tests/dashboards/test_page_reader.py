"""The reader of pages finds the faults it is there to find."""

from __future__ import annotations

import pytest
from page_reader import Page

GOOD = '<!doctype html><html lang="en"><body><h1>A</h1><p id="x">b</p></body></html>'


def test_a_sound_page_has_no_fault() -> None:
    assert Page(GOOD).faults == []


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("<!doctype html>", "", "no doctype"),
        (' lang="en"', "", "no lang"),
        ("</p>", "", "</body> closes p"),
        ("<h1>A</h1>", "", "h1: 0"),
        ("<p id", "<h3>c</h3><p id", "skip a level"),
        ("<p id", '<p id="x">c</p><p id', "id twice"),
        ("<p id", '<a href="#y">c</a><p id', "link to nowhere"),
        ("<p id", "<table><tr><td>1</td></tr></table><p id", "table without"),
        ("<p id", "<table><caption>c</caption><tr><th>1</th></tr></table><p id", "th without scope"),
        ("<p id", "<select></select><p id", "no label"),
        ("<p id", "<script>run()</script><p id", "inline script"),
        ("<p id", '<p style="color:red" id', "inline style"),
        ("<p id", '<p onclick="run()" id', "inline style or handler"),
        ("<p id", "<svg></svg><p id", "svg that says nothing"),
    ],
)
def test_each_fault_is_found(old: str, new: str, fault: str) -> None:
    assert any(fault in found for found in Page(GOOD.replace(old, new, 1)).faults)
