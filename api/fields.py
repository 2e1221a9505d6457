"""Field types of the API's models: instants as RFC 3339 with `Z`, descriptions from the store's schema."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from coilbook.ingest.schema import BY_NAME
from pydantic import AfterValidator, Field


def _utc(value: datetime) -> datetime:
    """Instants of the store are naive UTC; those of a request carry their offset."""
    return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


Instant = Annotated[datetime, AfterValidator(_utc)]
"""An instant, shown as RFC 3339 in UTC."""


def naive(value: datetime) -> datetime:
    """An aware instant as the store keeps it: UTC without zone."""
    return value.astimezone(UTC).replace(tzinfo=None)


def utc_now() -> datetime:
    """The wall clock [naive UTC]. Only the service's edge reads it."""
    return datetime.now(UTC).replace(tzinfo=None)


def column(table: str, name: str, *, default: Any = ...) -> Any:
    """A model field that is column `name` of `table`, described as the schema describes it."""
    found = next(c for c in BY_NAME[table].columns if c.name == name)
    text = f"{found.meaning} [{found.unit}]" if found.unit else found.meaning
    return Field(default, description=text)
