"""Named steps that bring a store of any age to the schema of `schema.py`, in order, each applied once.

A new store is created whole from `schema.py` and all steps are recorded as applied. A step never changes once
released; a new column or table gets a new step.
"""

from __future__ import annotations

from dataclasses import dataclass

from coilbook.ingest.schema import TABLES


@dataclass(frozen=True)
class Step:
    """One migration: `name` is recorded in the store, `statements` run in one transaction."""

    name: str
    statements: tuple[str, ...]


def _foundation() -> tuple[str, ...]:
    statements: list[str] = []
    for table in TABLES:
        statements.append(table.ddl())
        statements.extend(table.comments())
    return tuple(statements)


# The digest of settings that stood there tells nothing of what changed: empty, so that all is judged anew.
_KEEP_SETTINGS = (
    "ALTER TABLE review RENAME COLUMN settings_sha256 TO settings",
    "UPDATE review SET settings = ''",
    "COMMENT ON COLUMN review.settings IS 'rule settings in force, as JSON'",
)

# Empty on the days that were computed before, until a review computes them anew: nothing is known of surplus
# under a hold there, and the rule `held_by_hand` reads it so.
_HELD_SURPLUS = (
    "ALTER TABLE idle_surplus ADD COLUMN held_since TIMESTAMP",
    "ALTER TABLE idle_surplus ADD COLUMN held_s DOUBLE",
    "ALTER TABLE idle_surplus ADD COLUMN held_surplus_s DOUBLE",
    "ALTER TABLE idle_surplus ADD COLUMN held_surplus_wh DOUBLE",
    "ALTER TABLE idle_surplus ADD COLUMN held_stretches BIGINT",
    "ALTER TABLE idle_surplus ADD COLUMN held_first_ts TIMESTAMP",
    "COMMENT ON COLUMN idle_surplus.held_since IS 'begin of the longest hold off by hand in the day'",
    "COMMENT ON COLUMN idle_surplus.held_s IS 'how long it had stood by its end or the day''s [s]'",
    "COMMENT ON COLUMN idle_surplus.held_surplus_s IS "
    "'the same surplus while that hold stood; empty = not computed [s]'",
    "COMMENT ON COLUMN idle_surplus.held_surplus_wh IS 'energy that the circuit could have used of it [Wh]'",
    "COMMENT ON COLUMN idle_surplus.held_stretches IS 'number of its stretches'",
    "COMMENT ON COLUMN idle_surplus.held_first_ts IS 'begin of the first of them'",
)

# Days computed before have no parts until a review computes them anew: charts read their samples instead.
_POWER_PARTS = (
    """
    CREATE TABLE IF NOT EXISTS "power_part" (
        "site_id" VARCHAR, "local_date" DATE, "start" TIMESTAMP, "end" TIMESTAMP, "samples" BIGINT,
        "pv_w" DOUBLE, "pv_min_w" DOUBLE, "pv_max_w" DOUBLE,
        "house_w" DOUBLE, "house_min_w" DOUBLE, "house_max_w" DOUBLE,
        "surplus_w" DOUBLE, "surplus_min_w" DOUBLE, "surplus_max_w" DOUBLE,
        "rest_s" DOUBLE, "rest_w" DOUBLE
    )
    """,
    "COMMENT ON TABLE power_part IS "
    "'power of a site in each two hours of a local day, for charts of long ranges'",
    "COMMENT ON COLUMN power_part.site_id IS 'home with one or more controllers'",
    "COMMENT ON COLUMN power_part.local_date IS 'date at the site''s zone'",
    "COMMENT ON COLUMN power_part.start IS 'first sample'",
    "COMMENT ON COLUMN power_part.\"end\" IS 'to where the last sample reaches'",
    "COMMENT ON COLUMN power_part.samples IS 'samples that begin in the part'",
    "COMMENT ON COLUMN power_part.pv_w IS 'mean generation [W]'",
    "COMMENT ON COLUMN power_part.house_w IS 'mean consumption [W]'",
    "COMMENT ON COLUMN power_part.surplus_w IS 'mean surplus of the whole site, were its circuits off [W]'",
    "COMMENT ON COLUMN power_part.rest_s IS 'time in samples that no run touches [s]'",
    "COMMENT ON COLUMN power_part.rest_w IS 'mean consumption in them [W]'",
    *(
        f"COMMENT ON COLUMN power_part.{name}_{edge}_w IS '{word} sample [W]'"
        for name in ("pv", "house", "surplus")
        for edge, word in (("min", "least"), ("max", "greatest"))
    ),
)

# A load that stayed on is told by them, so the days with one are computed anew: the first review does.
_MOVES = (
    "ALTER TABLE switch_check ADD COLUMN swing_w DOUBLE",
    "ALTER TABLE switch_check ADD COLUMN side_swing_w DOUBLE",
    "ALTER TABLE switch_check ADD COLUMN jump_w DOUBLE",
    "COMMENT ON COLUMN switch_check.swing_w IS "
    "'how far the sample of the event lies outside them, 0 = between [W]'",
    "COMMENT ON COLUMN switch_check.side_swing_w IS "
    "'how far the farthest sample beside it does; empty = not computed [W]'",
    "COMMENT ON COLUMN switch_check.jump_w IS 'first whole sample after the event less the last before [W]'",
    "INSERT INTO dirty_day SELECT DISTINCT site_id, local_date FROM stay_on WHERE kind = 'house' "
    "EXCEPT SELECT site_id, local_date FROM dirty_day",
)

# Nothing is known of the days computed before: the rule `no_load_on_close` takes it that somebody is at home.
_HOUSE_REST = (
    """
    CREATE TABLE IF NOT EXISTS "house_rest" (
        "site_id" VARCHAR, "local_date" DATE, "rest_s" DOUBLE, "rest_w" DOUBLE
    )
    """,
    "COMMENT ON TABLE house_rest IS 'what a house draws while none of its switched circuits is on'",
    "COMMENT ON COLUMN house_rest.site_id IS 'home with one or more controllers'",
    "COMMENT ON COLUMN house_rest.local_date IS 'date at the site''s zone'",
    "COMMENT ON COLUMN house_rest.rest_s IS 'time in samples that no run touches [s]'",
    "COMMENT ON COLUMN house_rest.rest_w IS 'mean consumption in them [W]'",
)

STEPS: tuple[Step, ...] = (
    Step("0001-foundation", _foundation()),
    Step("0002-settings-of-reviews", _KEEP_SETTINGS),
    Step("0003-surplus-under-a-hold", _HELD_SURPLUS),
    Step("0004-power-in-parts-of-days", _POWER_PARTS),
    Step("0005-power-moves-at-events", _MOVES),
    Step("0006-house-at-rest", _HOUSE_REST),
)
