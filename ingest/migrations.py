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

STEPS: tuple[Step, ...] = (
    Step("0001-foundation", _foundation()),
    Step("0002-settings-of-reviews", _KEEP_SETTINGS),
    Step("0003-surplus-under-a-hold", _HELD_SURPLUS),
)
