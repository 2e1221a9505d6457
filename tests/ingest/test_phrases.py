"""Text from columns, on the frame that breaks Polars' own formatting."""

from __future__ import annotations

import polars as pl
import pytest
from coilbook.ingest.phrases import phrase


def test_a_phrase_survives_an_empty_first_chunk() -> None:
    wide = pl.DataFrame({"a": range(300)}).with_columns(**{f"n{i}": None for i in range(9)})
    joined = wide.join(pl.DataFrame({"a": range(1000), "b": range(1000)}), on="a").filter(pl.col("b") > 290)
    assert joined.select(phrase("{} min", "b")).to_series().to_list()[:2] == ["291 min", "292 min"]


def test_null_in_a_part_gives_null_and_text_stays() -> None:
    frame = pl.DataFrame({"n": [1, None], "t": ["x", "y"]})
    assert frame.select(phrase("a{}b{}", "n", pl.col("t"))).to_series().to_list() == ["a1bx", None]


def test_places_and_parts_must_agree() -> None:
    with pytest.raises(ValueError, match="1 places for 2 parts"):
        phrase("{}", "a", "b")
