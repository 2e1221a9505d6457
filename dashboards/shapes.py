"""Small drawings that the server writes into pages: a shape for each severity, and the strip of 14 days."""

from __future__ import annotations

from datetime import date, timedelta

from coilbook.dashboards import words
from coilbook.dashboards.palette import SEVERITY
from markupsafe import Markup

# Drawn in a square of 16: a contact bridged shut, a half-kept promise, a coin, a worn face, a missing tile.
_OUTLINES = {
    "danger": '<path d="M8 .8 15.2 8 8 15.2 .8 8Z"/><path class="cut" d="M4.6 8h6.8"/>',
    "service": '<circle class="open" cx="8" cy="8" r="6.6"/><path d="M8 1.4a6.6 6.6 0 0 1 0 13.2Z"/>',
    "cost": '<circle cx="8" cy="8" r="6.6"/><circle class="hole" cx="8" cy="8" r="2.4"/>',
    "wear": '<path d="M1.5 14.5V2.5h4v12Z"/><path d="M6.2 14.5V6.5h4v8Z"/><path d="M10.9 14.5v-4h4v4Z"/>',
    "data": '<path class="open dashed" d="M2 2h12v12H2Z"/>',
}
_CELL, _GAP, _HEIGHT = 7, 2, 14
STRIP = {"f": "with a finding", "e": "explained by another case", "c": "clean", "n": "not judged"}
"""What the letters of a strip mean, of which none stands for no day of the site."""


def severity_shape(severity: str) -> Markup:
    """The shape of a severity; its word stands beside it, so it is hidden from screen readers."""
    if severity not in _OUTLINES:
        return Markup("")
    return Markup(
        '<svg class="shape shape-{}" viewBox="0 0 16 16" width="16" height="16" aria-hidden="true" '
        'focusable="false" fill="{}">{}</svg>'
    ).format(severity, SEVERITY[severity], Markup(_OUTLINES[severity]))


def strip(letters: list[str] | None, last_day: date | None) -> Markup:
    """The last local days of a case, oldest first.

    Bar = finding, hollow bar = finding that another case explains, low line = clean, low broken box = not
    judged.
    """
    if not letters:
        return Markup("")
    cells = Markup("").join(_cell(place, letter) for place, letter in enumerate(letters))
    return Markup(
        '<svg class="strip" viewBox="0 0 {w} {h}" width="{w}" height="{h}" role="img" aria-label="{label}">'
        "{cells}</svg>"
    ).format(
        w=len(letters) * (_CELL + _GAP) - _GAP, h=_HEIGHT, label=strip_words(letters, last_day), cells=cells
    )


def strip_key() -> list[tuple[Markup, str]]:
    """Each mark of a strip as a small drawing, with what it means."""
    drawn = Markup(
        '<svg class="mark" viewBox="0 0 {w} {h}" width="{w}" height="{h}" aria-hidden="true">{cell}</svg>'
    )
    return [(drawn.format(w=_CELL, h=_HEIGHT, cell=_cell(0, letter)), said) for letter, said in STRIP.items()]


def strip_words(letters: list[str], last_day: date | None) -> str:
    """The strip as a sentence: `Last 14 days to 2 Mar 2026: 3 with a finding, 9 clean, 2 not judged`."""
    until = f" to {words.day(last_day)}" if last_day else ""
    kinds = [(letters.count(letter), kind) for letter, kind in STRIP.items()]
    told = ", ".join(f"{number} {kind}" for number, kind in kinds if number) or "no day of the site"
    said = f"Last {len(letters)} days{until}: {told}"
    days = ""
    if last_day and "f" in letters:
        first = last_day - timedelta(days=len(letters) - 1)
        hit = [first + timedelta(days=place) for place, letter in enumerate(letters) if letter == "f"]
        days = "; findings on " + ", ".join(words.day(d).rpartition(" ")[0] for d in hit)
    return said + days


def _cell(place: int, letter: str) -> Markup:
    x = place * (_CELL + _GAP)
    if letter == "f":
        return Markup('<rect class="day-f" x="{}" y="0" width="{}" height="{}"/>').format(x, _CELL, _HEIGHT)
    if letter == "e":
        return Markup('<rect class="day-e" x="{}" y=".5" width="{}" height="{}"/>').format(
            x + 0.5, _CELL - 1, _HEIGHT - 1
        )
    if letter == "c":
        return Markup('<rect class="day-c" x="{}" y="{}" width="{}" height="3"/>').format(
            x, _HEIGHT - 3, _CELL
        )
    if letter == "n":
        return Markup('<rect class="day-n" x="{}" y="{}" width="{}" height="{}"/>').format(
            x + 0.5, 4.5, _CELL - 1, _HEIGHT - 5
        )
    return Markup("")
