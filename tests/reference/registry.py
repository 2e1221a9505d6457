"""Which registry row holds on a local date."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Protocol, TypeVar


class Dated(Protocol):
    """A row with a span of local dates."""

    @property
    def valid_from(self) -> date | None: ...
    @property
    def valid_to(self) -> date | None: ...


Row = TypeVar("Row", bound=Dated)


def holding(rows: Sequence[Row], day: date) -> list[Row]:
    """Of the rows of one circuit, site or tariff, those that hold on `day`.

    `valid_to` is the last day, unless a row of a later version begins on that very day.
    """
    found = []
    for row in rows:
        if row.valid_from is not None and day < row.valid_from:
            continue
        if row.valid_to is not None and day > row.valid_to:
            continue
        followed = any(
            other.valid_from == row.valid_to and other.valid_from != row.valid_from for other in rows
        )
        if row.valid_to is not None and day == row.valid_to and followed:
            continue
        found.append(row)
    return found


def newest(rows: Sequence[Row]) -> Row | None:
    """The row with the latest `valid_from`; an empty one is earlier than any date."""
    return max(rows, key=lambda row: row.valid_from or date.min, default=None)


def settings_on(rows: Sequence[Row], day: date) -> Row | None:
    """The one row that counts on `day`, None outside every row."""
    return newest(holding(rows, day))
