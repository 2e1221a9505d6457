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


STEPS: tuple[Step, ...] = (Step("0001-foundation", _foundation()),)
