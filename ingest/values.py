"""How one text becomes one value, exactly as the contract says; each raises `Bad` with a reason code.

These functions are the meaning of the contract. The column-wise path in `columns.py` takes only what these
would take, with the same value.
"""

from __future__ import annotations

import math
import re
from datetime import date, time

from coilbook.ingest.errors import InputError
from coilbook.ingest.kinds import CAUSES, Field
from coilbook.ingest.local_time import zone

NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
WHOLE = re.compile(r"[+-]?[0-9]+(\.0+)?")
NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity)", re.IGNORECASE)
DAY = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})")
WALL = re.compile(r"([0-9]{2}):([0-9]{2})(:([0-9]{2}))?")
STATES = {
    "on": True,
    "1": True,
    "true": True,
    "closed": True,
    "off": False,
    "0": False,
    "false": False,
    "open": False,
}
FLAGS = {"1": True, "true": True, "0": False, "false": False, "1.0": True, "0.0": False}
WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DAY_WORDS = ("daily", "weekdays", "weekends")
MIDNIGHT = time(0)


class Bad(Exception):
    """A row that cannot be taken: reason code, what was found and expected, the unknown subject if any."""

    def __init__(self, reason: str, detail: str, subject: str | None = None) -> None:
        super().__init__(reason, detail)
        self.reason, self.detail, self.subject = reason, detail, subject


def shown(text: str) -> str:
    """`text` for a message, cut to 60 characters."""
    return repr(text if len(text) <= 60 else text[:57] + "...")


def number(field: Field, text: str) -> float:
    """A finite decimal number within the field's bounds."""
    if not NUMBER.fullmatch(text):
        if NOT_FINITE.fullmatch(text):
            raise Bad("out_of_range", f"{field.name} is {text}; expected a finite number")
        raise Bad("bad_number", f"{field.name} is {shown(text)}; expected a number")
    value = float(text)
    if not math.isfinite(value) or not field.low <= value <= field.high:
        raise Bad("out_of_range", f"{field.name} is {text}; expected {field.low:g} to {field.high:g}")
    return value


def whole(field: Field, text: str) -> int:
    """An integer of 64 bits; a fraction of zeros is allowed, as some writers add one."""
    if not WHOLE.fullmatch(text):
        raise Bad("bad_number", f"{field.name} is {shown(text)}; expected an integer")
    digits = text.split(".")[0]
    if len(digits) > 20 or not -(2**63) <= int(digits) < 2**63 or not field.low <= int(digits) <= field.high:
        raise Bad("out_of_range", f"{field.name} is {shown(text)}; expected {field.low:g} to {field.high:g}")
    return int(digits)


def state(field: Field, text: str) -> bool:
    """True where the main contacts are commanded closed."""
    try:
        return STATES[text.lower()]
    except KeyError:
        raise Bad("bad_state", f"{field.name} is {shown(text)}; expected on or off") from None


def flag(field: Field, text: str) -> bool:
    """A yes or no, written 1 or 0."""
    try:
        return FLAGS[text.lower()]
    except KeyError:
        raise Bad("bad_state", f"{field.name} is {shown(text)}; expected 1 or 0") from None


def cause(text: str) -> tuple[str, str | None]:
    """The cause and, where it is none of ours, the word as it stood."""
    word = text.lower()
    return (word, None) if word in CAUSES else ("unknown", text)


def day(field: Field, text: str) -> date:
    """A calendar date, ISO 8601."""
    found = DAY.fullmatch(text)
    try:
        if found:
            return date(int(found[1]), int(found[2]), int(found[3]))
    except ValueError:
        pass
    raise Bad("bad_time", f"{field.name} is {shown(text)}; expected a date such as 2026-03-01")


def wall(field: Field, text: str) -> time:
    """A wall time `HH:MM` or `HH:MM:SS`; an end may be 24:00, which is midnight."""
    found = WALL.fullmatch(text)
    try:
        if found:
            if field.read == "end" and text in ("24:00", "24:00:00"):
                return MIDNIGHT
            return time(int(found[1]), int(found[2]), int(found[4] or 0))
    except ValueError:
        pass
    raise Bad("bad_time", f"{field.name} is {shown(text)}; expected a wall time such as 17:00")


def days(field: Field, text: str) -> str:
    """Days of the week as `daily`, `weekdays`, `weekends` or a list in the order of the week."""
    if text.lower() in DAY_WORDS:
        return text.lower()
    named = {part.strip().capitalize() for part in text.split(",")}
    if not named <= set(WEEK):
        raise Bad(
            "out_of_range",
            f"{field.name} is {shown(text)}; expected daily, weekdays, weekends or Mon,Tue,...",
        )
    return ",".join(name for name in WEEK if name in named)


def choice(field: Field, text: str) -> str:
    """One of the field's words."""
    if text.lower() not in field.choices:
        raise Bad("out_of_range", f"{field.name} is {shown(text)}; expected {', '.join(field.choices)}")
    return text.lower()


def zone_name(field: Field, text: str) -> str:
    """The name of an IANA zone."""
    try:
        zone(text)
    except InputError as exc:
        raise Bad("out_of_range", f"{field.name}: {exc}") from None
    return text
