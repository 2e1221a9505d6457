"""What to check on a visit and what to bring, derived from a site's open cases.

`CHECKS` is the one ordered list of checks; `ASKS` names those that each rule asks for. A sheet holds what its
cases ask for, each check once, in the order of the list: first what needs no journey, then what needs no
open enclosure, then work inside, then what is done with the covers on again.

The checks are common practice. They stand beside the local code and the makers' instructions, which override
them; work inside an enclosure is for licensed people.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import polars as pl

Stage = Literal["desk", "outside", "inside", "after"]
STAGES: tuple[Stage, ...] = ("desk", "outside", "inside", "after")


@dataclass(frozen=True)
class Check:
    """One thing to check: its name, when in the visit, and what to do."""

    name: str
    stage: Stage
    text: str


CHECKS: tuple[Check, ...] = (
    Check("link_by_phone", "desk", "Ask the owner whether controller and internet link have power."),
    Check("hold_by_phone", "desk", "Ask the owner whether the hold by hand is still wanted."),
    Check("missing_files", "desk", "Look under Loads for log files of this site that never came or failed."),
    Check(
        "registry", "desk", "Compare the registry with the last job sheet: contactor, life figures, windows."
    ),
    Check(
        "windows",
        "desk",
        "Compare run windows and lockouts in the controller with those on this sheet's page.",
    ),
    Check(
        "levels", "desk", "Compare least run, least rest and on and off levels; try a setting before a visit."
    ),
    Check("signs", "desk", "Check sign, phase and scale of each meter in the source profile."),
    Check(
        "take_off",
        "outside",
        "Put the circuit out of automatic control, tell the owner, and note what the controller shows.",
    ),
    Check("clock", "outside", "Note the controller's clock and zone against your own, to the minute."),
    Check("mode", "outside", "Note the controller's mode, and what last changed it."),
    Check("breaker", "outside", "See whether the circuit's breaker or fuse is on, and whether it tripped."),
    Check(
        "own_control",
        "outside",
        "See what the appliance's own control asks for: thermostat, float, pressure.",
    ),
    Check(
        "falls",
        "outside",
        "With the circuit open, see whether the house meter falls by the appliance's power.",
    ),
    Check(
        "island_signal",
        "outside",
        "See whether the controller is told that the home runs apart from the grid.",
    ),
    Check("link", "outside", "See power, link and signal at the controller, and its store of unsent events."),
    Check("displays", "outside", "Compare each meter's own display with the log at the same minute."),
    Check(
        "dead",
        "inside",
        "Isolate every source, lock, tag, wait for capacitors; prove dead at line, load and coil terminals.",
    ),
    Check(
        "label",
        "inside",
        "Read the contactor's label: maker, poles, current, coil, life; note it for the registry.",
    ),
    Check("contacts", "inside", "With the coil released, measure across each pole: a closed pole is welded."),
    Check("coil", "inside", "Measure the coil's resistance against its data sheet; pull on every coil wire."),
    Check("terminals", "inside", "Line and load terminals: look for heat, tighten to the maker's torque."),
    Check(
        "load_wire",
        "inside",
        "Measure the load side through to the appliance: no open wire, no tripped cut-out.",
    ),
    Check(
        "shed_wire", "inside", "Follow the shed signal's wire from the islanding switch to the controller."
    ),
    Check(
        "clamps", "inside", "Current clamps: direction, phase, closed all round, the right conductor inside."
    ),
    Check("replace", "inside", "Change the contactor for the part listed; keep the old one's label."),
    Check(
        "sag",
        "after",
        "Coil voltage as the load starts: live work under the local code, or at a point outside the covers.",
    ),
    Check(
        "once",
        "after",
        "Covers on, sources back: close once from the controller, see one closing and one opening.",
    ),
    Check("put_back", "after", "Put the circuit back under automatic control and tell the owner."),
    Check("log", "after", "Write a changed contactor or setting into the service log with today's date."),
)

BY_NAME: dict[str, Check] = {check.name: check for check in CHECKS}

ASKS: dict[str, tuple[str, ...]] = {
    "silent": ("link_by_phone", "link"),
    "stuck_closed": (
        *("take_off", "falls", "dead", "label", "contacts", "coil", "terminals", "replace"),
        *("once", "put_back", "log"),
    ),
    "not_shed": (
        "registry",
        "take_off",
        "island_signal",
        "dead",
        "contacts",
        "shed_wire",
        "once",
        "put_back",
    ),
    "chatter": (
        *("take_off", "dead", "label", "contacts", "coil", "terminals", "replace", "sag"),
        *("once", "put_back", "log"),
    ),
    "missed_window": ("windows", "clock", "mode", "breaker", "own_control"),
    "no_load_on_close": (
        *("take_off", "breaker", "own_control", "falls", "dead", "label", "contacts", "coil", "terminals"),
        "load_wire",
        *("once", "put_back", "log"),
    ),
    "clock_offset": ("windows", "clock", "log"),
    "held_by_hand": ("hold_by_phone", "mode", "put_back"),
    "ran_in_lockout": ("windows", "clock", "mode"),
    "cloud_starts": ("levels", "log"),
    "missed_surplus": ("levels", "windows", "mode", "breaker", "log"),
    "short_cycling": ("levels", "own_control", "log"),
    "contactor_wear": (
        "take_off",
        "dead",
        "label",
        "contacts",
        "terminals",
        "replace",
        "once",
        "put_back",
        "log",
    ),
    "wearing_fast": ("levels", "own_control", "log"),
    "lost_events": ("missing_files", "link"),
    "meter_doubt": ("signs", "displays", "dead", "clamps"),
    "settings": ("registry", "log"),
}
"""Checks that each rule asks for. What asks for work inside asks for `dead` too."""

CONTACTOR = ("stuck_closed", "chatter", "no_load_on_close", "contactor_wear")
"""Rules whose case may need a new contactor."""

ALWAYS = ("lock and tag kit for every source", "voltage tester with its proving unit")
KIT: dict[str, tuple[str, ...]] = {
    "no_load_on_close": ("continuity tester",),
    "chatter": ("resistance meter for the coil", "torque screwdriver"),
    "stuck_closed": ("resistance meter for the contacts", "torque screwdriver"),
    "contactor_wear": ("torque screwdriver",),
    "not_shed": ("continuity tester",),
    "meter_doubt": ("clamp meter", "spare current clamp"),
    "silent": ("spare network cable", "spare power supply of the controller"),
    "lost_events": ("spare network cable",),
    "missed_window": ("clock set by network or radio",),
    "clock_offset": ("clock set by network or radio",),
    "ran_in_lockout": ("clock set by network or radio",),
}
"""What to bring besides parts."""

SHEET: dict[str, Any] = {
    "number": pl.Int64,
    "stage": pl.String,
    "check": pl.String,
    "text": pl.String,
    "rules": pl.List(pl.String),
    "subjects": pl.List(pl.String),
}


def callout_checks(cases: pl.DataFrame) -> pl.DataFrame:
    """The checks that `cases` (rule, subject; in their order) ask for: columns of `SHEET`, in their order.

    `rules` and `subjects` are those of the cases that ask. A rule that `ASKS` does not know asks for nothing.
    """
    asked: dict[str, list[tuple[str, str]]] = {}
    for rule, subject in cases.select("rule", "subject").iter_rows():
        for name in ASKS.get(rule, ()):
            asked.setdefault(name, []).append((rule, subject))
    rows = [
        (number, check.stage, check.name, check.text, *_both(asked[check.name]))
        for number, check in enumerate((c for c in CHECKS if c.name in asked), 1)
    ]
    return pl.DataFrame(rows, schema=SHEET, orient="row")


def callout_parts(cases: pl.DataFrame, circuits: pl.DataFrame) -> pl.DataFrame:
    """Rows of `circuits` (`queries.site.circuits`) whose contactor `cases` may need changed, with `rules`."""
    wanted = (
        cases.filter(pl.col("rule").is_in(CONTACTOR))
        .group_by("subject", maintain_order=True)
        .agg(rules=pl.col("rule").unique(maintain_order=True))
    )
    return circuits.join(wanted, left_on="circuit_id", right_on="subject", how="inner", maintain_order="left")


def callout_kit(cases: pl.DataFrame) -> list[str]:
    """What to bring besides parts, each thing once."""
    opens = any("dead" in ASKS.get(rule, ()) for rule in cases["rule"])
    things = [*(ALWAYS if opens else ()), *(thing for rule in cases["rule"] for thing in KIT.get(rule, ()))]
    return list(dict.fromkeys(things))


def _both(pairs: list[tuple[str, str]]) -> tuple[list[str], list[str]]:
    return list(dict.fromkeys(rule for rule, _ in pairs)), list(
        dict.fromkeys(subject for _, subject in pairs)
    )


def _known(asks: Mapping[str, tuple[str, ...]]) -> None:
    unknown = sorted({name for names in asks.values() for name in names} - set(BY_NAME))
    if unknown:
        raise ValueError(f"unknown checks: {', '.join(unknown)}")


_known(ASKS)
