"""Text put together from columns.

`pl.format` dies with a panic where a column's first chunk is empty, as joins of wide frames leave it (Polars
2.1, polars issue 25339); `pl.concat_str` does not. Hence the one helper here.
"""

from __future__ import annotations

from itertools import zip_longest

import polars as pl


def phrase(template: str, *parts: pl.Expr | str) -> pl.Expr:
    """`template` with each `{}` filled by a part, an expression or a column's name.

    Null where a part is null. ValueError where places and parts are not as many.
    """
    pieces = template.split("{}")
    if len(pieces) != len(parts) + 1:
        raise ValueError(f"{template!r} has {len(pieces) - 1} places for {len(parts)} parts")
    columns = [pl.col(part) if isinstance(part, str) else part for part in parts]
    woven = [one for pair in zip_longest(map(pl.lit, pieces), columns) for one in pair if one is not None]
    return pl.concat_str([one.cast(pl.String) for one in woven])
