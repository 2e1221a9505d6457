"""One colour for one meaning, on every chart and page.

The hues are the eight of Okabe and Ito, "Color Universal Design" (2008), which colour-blind readers can tell
apart. No meaning rests on a hue alone: severities also have a word and a shape, verdicts a letter.
"""

from __future__ import annotations

ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"
BLACK = "#000000"
GREY = "#8A8A86"
"""Not of the set: for what is not known, and nothing else."""

SEVERITY = {"danger": VERMILLION, "service": BLUE, "cost": ORANGE, "wear": PURPLE, "data": GREY}
CAUSE = {"surplus": GREEN, "clock": BLUE, "hand": PURPLE, "shed": YELLOW, "unknown": GREY}
POWER = {"pv": ORANGE, "house": None, "surplus": GREEN}
"""Lines of power; the house has none of the hues, it is drawn in the page's ink."""

BEHIND = {"run window": SKY, "lockout": VERMILLION, "islanded": YELLOW, "no log": GREY}
DIP = ORANGE
VERDICT = {
    "met": GREEN,
    "kept": GREEN,
    "excused": SKY,
    "hand": PURPLE,
    "unknown": GREY,
    "short": YELLOW,
    "late": ORANGE,
    "cut_short": ORANGE,
    "missed": VERMILLION,
    "ran": VERMILLION,
}
WITHIN = SKY
BEYOND = VERMILLION
LIMIT = VERMILLION
"""A line that should not be crossed."""
