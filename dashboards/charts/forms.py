"""Charts as forms: built and checked by altair once for each shape, then filled in with what is shown.

Building and checking a chart costs altair far more than the chart's rows do, and most charts of a kind differ
in rows, titles and bounds only. A form is a checked spec (`look.checked`) with slots for those.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import polars as pl

Spec = dict[str, Any]


def slot(name: str) -> str:
    """Where `name` is to be filled in; within a list, a list takes its place item by item."""
    return f"\N{LEFT-POINTING ANGLE BRACKET}{name}\N{RIGHT-POINTING ANGLE BRACKET}"


def rows_of(name: str) -> alt.NamedData:
    """Data to be filled in: as `rows` gives them."""
    return alt.NamedData(slot(name))


def rows(frame: pl.DataFrame) -> list[Spec]:
    """Rows of numbers, texts and nulls as a form takes them."""
    return frame.to_dicts()


def filled(part: Spec, **values: Any) -> Spec:
    """A copy of a form with its slots filled in. Raises `KeyError` for a value that has no slot."""
    named = {slot(name): value for name, value in values.items()}
    used: set[str] = set()
    copy = _filled(part, named, used)
    if len(used) < len(named):
        raise KeyError(f"no such slot: {sorted(named.keys() - used)}")
    assert isinstance(copy, dict)
    return copy


def stacked(panels: Sequence[Spec], **more: Any) -> Spec:
    """Filled panels one under the other; with `concat="concat"` side by side."""
    kind = more.pop("concat", "vconcat")
    plain = [{key: value for key, value in panel.items() if key != "$schema"} for panel in panels]
    return {"$schema": panels[0]["$schema"], kind: plain, **more}


def _filled(part: Any, named: Mapping[str, Any], used: set[str]) -> Any:
    if isinstance(part, dict):
        if part.keys() == {"name"} and part["name"] in named:
            used.add(part["name"])
            return {"values": named[part["name"]]}
        return {key: _filled(value, named, used) for key, value in part.items()}
    if isinstance(part, list):
        if len(part) == 1 and isinstance(part[0], str) and isinstance(named.get(part[0]), list):
            used.add(part[0])
            return named[part[0]]
        return [_filled(value, named, used) for value in part]
    if isinstance(part, str) and part in named:
        used.add(part)
        return named[part]
    return part
