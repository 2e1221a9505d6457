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

STEPS: tuple[Step, ...] = (
    Step("0001-foundation", _foundation()),
    Step("0002-settings-of-reviews", _KEEP_SETTINGS),
)
