"""What things are called on pages and charts, and how numbers, times and dates are written there."""

from __future__ import annotations

import re
from datetime import date, datetime, time

SEVERITIES = ("danger", "service", "cost", "wear", "data")
SEVERITY = {
    "danger": "Danger",
    "service": "Service",
    "cost": "Cost",
    "wear": "Wear",
    "data": "Data",
}
SEVERITY_MEANS = {
    "danger": "someone may be hurt, or a load is closed that must be open",
    "service": "the customer does not get what was promised",
    "cost": "money or solar energy is lost",
    "wear": "a contactor or an appliance wears out early",
    "data": "we cannot see",
}
RULE = {
    "short_cycling": "Short cycling",
    "chatter": "Chattering contactor",
    "missed_window": "Run window not met",
    "ran_in_lockout": "Ran in a lockout",
    "cloud_starts": "Starts that clouds cut off",
    "missed_surplus": "Surplus left unused",
    "contactor_wear": "Contactor near its rated life",
    "wearing_fast": "Wearing faster than its class",
    "no_load_on_close": "Closes without a load",
    "stuck_closed": "Draws power while open",
    "not_shed": "Not shed while islanded",
    "held_by_hand": "Held by hand",
    "clock_offset": "Controller clock is off",
    "silent": "No log",
    "lost_events": "Events lost",
    "meter_doubt": "Meter in doubt",
    "settings": "Registry in doubt",
}
STATE = {
    "new": "New",
    "continuing": "Goes on",
    "back": "Came back",
    "snoozed": "Snoozed",
    "closed": "Closed",
    "cleared": "Cleared",
    "withdrawn": "Withdrawn",
}
OUTCOME = {
    "confirmed": "confirmed",
    "not_found": "not found",
    "no_access": "no access",
    "setting_changed": "setting changed",
}
OUTCOME_MEANS = {
    "confirmed": "what the case says was seen",
    "not_found": "looked, and nothing was wrong",
    "no_access": "could not get to it",
    "setting_changed": "mended by a setting, nobody looked inside",
}
REASON = {
    "coverage": "too little of the day is in the power log",
    "unclear": "the power shows it too unclearly to tell",
    "settings": "a setting the rule needs is not in the registry",
    "life_figures": "no life figures for the contactor",
    "place": "no latitude and longitude",
    "silent": "no log at all",
    "early": "too little history yet",
    "away": "the house is so quiet that the owners seem to be away",
    "peers": "too few circuits of its kind to compare with",
}
APPLIANCE = {
    "pool_pump": "Pool pump",
    "well_pump": "Well pump",
    "water_heater": "Water heater",
    "ev_charger": "EV charger",
    "air_conditioner": "Air conditioner",
    "heat_pump": "Heat pump",
    "spa": "Spa",
    "other": "Other load",
}
CAUSE = {
    "surplus": "surplus",
    "clock": "clock",
    "hand": "by hand",
    "shed": "shed",
    "unknown": "cause not known",
}
VERDICT = {
    "met": "met",
    "unknown": "not known, hole in the log",
    "excused": "excused",
    "missed": "missed",
    "late": "began late",
    "cut_short": "cut short",
    "short": "too short",
    "kept": "kept clear",
    "ran": "ran in lockout",
    "hand": "ran by hand",
}
ACTION = {
    "contactor_replaced": "Contactor replaced",
    "inspected": "Inspected",
    "setting_changed": "Setting changed",
}
KIND = {"run": "Run window", "lockout": "Lockout"}
SETTING = {
    "appliance": "appliance",
    "rated_w": "rated power [W]",
    "voltage_v": "voltage [V]",
    "load_a": "contact current [A]",
    "contactor": "contactor",
    "poles": "poles",
    "coil_v": "coil [V]",
    "mech_life_ops": "mechanical durability [operations]",
    "elec_life_ops": "electrical durability [operations]",
    "elec_life_a": "current of electrical durability [A]",
    "fitted_on": "fitted on",
    "ops_at_fit": "operations when fitted",
    "min_run_s": "least run time [s]",
    "min_rest_s": "least rest [s]",
    "surplus_on_w": "on level [W]",
    "surplus_off_w": "off level [W]",
    "shed_when_islanded": "shed when islanded",
}
CAUTIONS = (
    ("More than one source.", "Grid, PV inverter and battery can each keep the circuit live on their own."),
    (
        "It closes without warning.",
        "The controller may pull the contactor in at any moment. Take it out of automatic control first.",
    ),
    (
        "Isolate, lock, tag, wait, prove.",
        "Isolate every source, lock and tag each one, give capacitors time to discharge, then prove dead "
        "with a tester that you prove before and again after.",
    ),
    ("A contactor that stays closed", "is isolated at its breaker, never by the controller."),
    (
        "Licensed people only.",
        "Work inside follows the local code, which overrides anything on this page.",
    ),
)
"""Cautions as a bold lead and what follows it."""
DASH = "\u2013"
THIN = "\u202f"
MINUS = "\u2212"


def plain(word: str | None, book: dict[str, str]) -> str:
    """The label of `word`; of a word that no book knows, the word itself with its underscores opened."""
    if not word:
        return DASH
    return book.get(word, word.replace("_", " "))


def lower_first(text: str) -> str:
    """The text with its first letter small."""
    return text[:1].lower() + text[1:]


def number(value: float | None, digits: int = 0) -> str:
    """`12 345.6` with thin spaces between thousands and a true minus; a dash for what is not known."""
    return DASH if value is None else f"{value:z,.{digits}f}".replace(",", THIN).replace("-", MINUS)


def percent(value: float | None, digits: int = 0) -> str:
    """A share [1] in per cent."""
    return DASH if value is None else f"{number(value * 100, digits)}{THIN}%"


def money(value: float | None, currency: str | None) -> str:
    """An amount with its currency; a dash for what is not known."""
    return DASH if value is None else f"{number(value)}{THIN}{currency or ''}".rstrip(THIN)


def with_unit(value: float | None, unit: str, digits: int = 1) -> str:
    """`24 V`, `12.5 A`: whole numbers without decimals; a dash for what is not known."""
    if value is None:
        return DASH
    shown = number(value, 0 if float(value).is_integer() else digits)
    return f"{shown}{THIN}{unit}" if unit and unit != "1" else shown


def duration(seconds: float | None) -> str:
    """`45 s`, `12 min`, `3 h 05 min`, `4 d 2 h`, `240 d`."""
    if seconds is None:
        return DASH
    if 0 < seconds < 1:
        return f"under 1{THIN}s"
    if seconds < 90:
        return f"{round(seconds)}{THIN}s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes}{THIN}min"
    hours, rest = divmod(minutes, 60)
    if hours >= 14 * 24:
        return f"{round(hours / 24)}{THIN}d"
    if hours < 48:
        return f"{hours}{THIN}h {rest:02d}{THIN}min" if rest else f"{hours}{THIN}h"
    return f"{hours // 24}{THIN}d {hours % 24}{THIN}h" if hours % 24 else f"{hours // 24}{THIN}d"


def bound(sentence: str) -> str:
    """The sentence with each number held together with its unit, so that no line ends between them."""
    return _BEFORE_UNIT.sub("\u00a0", sentence)


def day(value: date | None) -> str:
    """`2 Mar 2026`, the same in every locale."""
    return DASH if value is None else f"{value.day} {_MONTHS[value.month - 1]} {value.year}"


def long_day(value: date | None) -> str:
    """`Monday 2 March 2026`."""
    if value is None:
        return DASH
    return f"{_WEEKDAYS[value.weekday()]} {value.day} {_LONG_MONTHS[value.month - 1]} {value.year}"


def moment(value: datetime | None) -> str:
    """`2 Mar 2026 06:05`, in whatever zone the value is."""
    return DASH if value is None else f"{day(value.date())} {value:%H:%M}"


def clock(value: time | None) -> str:
    """`06:05`."""
    return DASH if value is None else f"{value:%H:%M}"


def count(value: int, one: str, many: str) -> str:
    """`1 site`, `3 sites`."""
    return f"{number(value)} {one if value == 1 else many}"


_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:(?:kWh|Wh|kW|W|min|h|s|d|A|V|[A-Z]{3})\b|%))")
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_LONG_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_MONTHS = tuple(name[:3] for name in _LONG_MONTHS)
