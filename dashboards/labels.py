"""Words of `words.py` as columns of a frame."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl
from coilbook.dashboards import words
from coilbook.dashboards.phrases import phrase


def said(column: str, book: Mapping[str, str]) -> pl.Expr:
    """The column's words by `book`; a word that the book lacks stays as it is."""
    return pl.col(column).replace_strict(dict(book), default=pl.col(column), return_dtype=pl.String)


def circuit_name() -> pl.Expr:
    """`Pool pump D001-c1` of a frame with `appliance` and `circuit_id`."""
    return phrase("{} {}", said("appliance", words.APPLIANCE).fill_null("Circuit"), "circuit_id")
