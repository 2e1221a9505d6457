"""The rules, one file each, in the order in which they are judged and shown."""

from __future__ import annotations

from typing import Any

from coilbook.analytics.rules import (
    chatter,
    cloud_starts,
    contactor_wear,
    held_by_hand,
    lost_events,
    meter_doubt,
    missed_window,
    ran_in_lockout,
    settings,
    short_cycling,
    silent,
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
    chatter.RULE,
    missed_window.RULE,
    held_by_hand.RULE,
    ran_in_lockout.RULE,
    cloud_starts.RULE,
    short_cycling.RULE,
    contactor_wear.RULE,
    wearing_fast.RULE,
    lost_events.RULE,
    meter_doubt.RULE,
    settings.RULE,
)
BY_NAME: dict[str, Rule[Any]] = {rule.name: rule for rule in RULES}
