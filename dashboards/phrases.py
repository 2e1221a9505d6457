"""Text put together from columns, for charts and pages.

`pl.format` dies with a panic where a column's first chunk is empty (Polars 2.1, polars issue 25339);
`pl.concat_str` does not. `ingest/phrases.py` says the same for the rest of the project, which this folder
must not import.
"""

from __future__ import annotations

from itertools import zip_longest

import polars as pl


def phrase(template: str, *parts: pl.Expr | str) -> pl.Expr:
    """`template` with each `{}` filled by an expression or a column's name; null where a part is null."""
    columns = [pl.col(part) if isinstance(part, str) else part for part in parts]
    literals = [pl.lit(piece) for piece in template.split("{}")]
    woven = [one for pair in zip_longest(literals, columns) for one in pair if one is not None]
    return pl.concat_str([one.cast(pl.String) for one in woven])
