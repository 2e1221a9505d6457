"""Which planted strengths a technician would call a fault, and how soon each rule ought to find one.

Everything planted counts as a fault unless it stands in `WEAK`; weak ones are scored apart.
"""

from __future__ import annotations

WEAK: dict[tuple[str, str], str] = {
    ("missed_window", "10 min"): "10 min of a 4 h window: the owner does not notice",
    ("stuck_closed", "20 min"): "the sign asked for is a load that stays on for 30 min",
    (
        "stuck_closed",
        "110 min, beside a circuit of the same hours",
    ): "both switch in the same minute: no step can be told apart, and a guess would be worth nothing",
    (
        "no_load_on_close",
        "every closing, beside a circuit of the same hours",
    ): "both switch in the same minute: no step can be told apart",
    ("no_load_on_close", "half its power"): "a load that draws half is worn, not gone",
    ("clock_offset", "+30 min"): "the limit itself; a coil acts some seconds late",
    ("clock_offset", "-30 min"): "the limit itself; a coil acts some seconds late, so the start is under it",
    ("silent", "1 h a day"): "a day of which 23 h are seen can be judged",
    ("silent", "3 h a day"): "a day of which 21 h are seen can be judged",
    ("lost_events", "2 rows on 1 day in 8"): "under 3 days in 14: an odd lost row is no failing link",
    ("chatter", "at 1 of 7 closings"): "some days have none",
    ("ran_in_lockout", "3 min a day"): "a minute over what clocks may differ by",
    ("contactor_wear", "60-70 % of life"): "a third of its life is left",
    ("contactor_wear", "81-83 % of life"): "at the limit",
    ("wearing_fast", "11 starts a day"): "at the limit of 10 a day",
    ("held_by_hand", "30 h"): "a day and a bit; the next morning it is over",
    ("not_shed", "outages of 3 min"): "a few samples, of which the first and last count for nothing",
    ("meter_doubt", "PV -20 %"): "off by a fifth only while the sun shines",
    ("meter_doubt", "PV -10 %"): "within what two cheap meters differ by for much of the day",
    ("meter_doubt", "PV -5 %"): "within the tolerance of the balance",
    ("meter_doubt", "clock +30 min"): "the limit itself",
}  # fmt: skip
"""(rule, strength) to the reason why it is not held against the rule that it finds less of these."""

UNSEEN: dict[tuple[str, str, int], str] = {
    ("stuck_closed", "20 min, metered", 900): "the meter's samples of 15 min hold no two whole ones of it",
    ("stuck_closed", "40 min", 900): "the house's samples of 15 min cannot tell it",
}
"""(rule, strength, interval [s]) to the reason why samples so long cannot show it."""

DAILY_WITHIN, SLOW_WITHIN = 2, 7  # days to detection
SLOW = frozenset({
    "no_load_on_close", "clock_offset", "cloud_starts", "missed_surplus", "short_cycling", "lost_events",
    "contactor_wear", "wearing_fast", "meter_doubt",
})  # fmt: skip
"""Rules that rest on several days, or whose case opens on several days with findings."""

WAITING = frozenset({
    "cloud_starts", "missed_surplus", "held_by_hand", "short_cycling", "not_shed", "lost_events",
})  # fmt: skip
"""Rules whose fault shows when weather, the grid or chance bring it out, or has stood for a day: delay counts
from the first such day."""

NEIGHBOURS = dict.fromkeys(SLOW - {"short_cycling", "cloud_starts", "lost_events"}, 1)
"""Days before or after on which a verdict of a rule that needs several days is right too."""


WHY_SHORT: dict[str, str] = {
    "cloud_starts": (
        "a broken day has a few spoiled starts and the limit is three, so a start more or less "
        "decides; samples of 5 and 15 min average shadows of 3 to 9 min away. The case waits for three"
        " such days in 14, as it should: one day of broken sky is weather."
    ),
    "missed_surplus": (
        "the case asks for 5 days in 14 with an hour of surplus to spare, so cloudy days put it off; the "
        "days themselves are found."
    ),
    "lost_events": ("the case asks for 3 days in 14, and rows are lost on one day in four here."),
    "meter_doubt": (
        "all that is missed is the logger's clock: it needs three smooth days since the change and a "
        "steady noon before it, so cloudy weeks delay it; wrong signs and scales are found the same "
        "day."
    ),
    "not_shed": ("an outage of few samples has none that lies wholly in it."),
    "stuck_closed": (
        "what is doubted is not raised: power that moved as the contactor opened, a restless house, a hole "
        "in the log, samples of 15 min. Contacts welded for good show at one opening only."
    ),
    "no_load_on_close": (
        "closings that a noisy house hides are not counted, so the five that the rule asks for take "
        "longer to come by."
    ),
    "clock_offset": ("starts that are late by another amount each day can by chance lie together."),
}
"""Rule to the reason why it misses a target, shown where it does."""


COINCIDENCE = (
    "False danger: `stuck_closed` told by the house's power. A load of the circuit's own size came on within "
    "seconds of the opening and stayed for half an hour or more; house power alone cannot tell the two apart."
    " A meter on the circuit can."
)
HOLIDAYS = (
    "False cases of severity data on healthy sites: chargers, spas and heaters that drew nothing for three "
    "days and more while the owners were on holiday (one home in five is, for one to two weeks of the four) "
    "or did without: the finding is true, and asks the owner. A home counts once for each sample length."
)


def counts(rule: str, strength: str, interval_s: int = 60) -> bool:
    """Whether a technician would call this a fault, and samples so long can show it."""
    return (rule, strength) not in WEAK and (rule, strength, interval_s) not in UNSEEN


def within(rule: str) -> int:
    """Days within which a fault ought to be found."""
    return SLOW_WITHIN if rule in SLOW else DAILY_WITHIN
