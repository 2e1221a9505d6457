"""The rules, one file each, in the order in which they are judged and shown."""

from __future__ import annotations

from typing import Any

from coilbook.analytics.rules import (
    chatter,
    clock_offset,
    cloud_starts,
    contactor_wear,
    held_by_hand,
    lost_events,
    meter_doubt,
    missed_surplus,
    missed_window,
    no_load_on_close,
    not_shed,
    ran_in_lockout,
    settings,
    short_cycling,
    silent,
    stuck_closed,
    wearing_fast,
)
from coilbook.analytics.rules.shape import Rule


def _distinct(*rules: Rule[Any]) -> tuple[Rule[Any], ...]:
    names = [rule.name for rule in rules]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"rules listed twice: {', '.join(twice)}")
    return rules


RULES: tuple[Rule[Any], ...] = _distinct(
    silent.RULE,
    stuck_closed.RULE,
    not_shed.RULE,
    chatter.RULE,
    missed_window.RULE,
    no_load_on_close.RULE,
    clock_offset.RULE,
    held_by_hand.RULE,
    ran_in_lockout.RULE,
    cloud_starts.RULE,
    missed_surplus.RULE,
    short_cycling.RULE,
    contactor_wear.RULE,
    wearing_fast.RULE,
    lost_events.RULE,
    meter_doubt.RULE,
    settings.RULE,
)
BY_NAME: dict[str, Rule[Any]] = {rule.name: rule for rule in RULES}
