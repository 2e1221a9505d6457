"""Records as CSV text (RFC 4180) that is safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import datetime

from pydantic import BaseModel

STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def records_csv(kind: type[BaseModel], records: Iterable[BaseModel]) -> str:
    """Records of one kind, a column a field, in the order of its fields."""
    names = list(kind.model_fields)
    return csv_text(names, ([getattr(record, name) for name in names] for record in records))


def csv_text(names: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A head line and rows; instants as RFC 3339."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(names)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue()


def _cell(value: object) -> object:
    """Text that a spreadsheet would run as a formula gets an apostrophe before it."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    return f"'{value}" if isinstance(value, str) and value.startswith(STARTS_FORMULA) else value
