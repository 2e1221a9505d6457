"""One JSON object as one row of text, by RFC 8259: no NaN, no name twice, no value inside a value."""

from __future__ import annotations

import json
from collections.abc import Container
from typing import Any


class NotARow(ValueError):
    """The JSON text is no row; the message says why."""


class _Constant(str):
    """NaN or Infinity, which Python reads and RFC 8259 forbids."""


class _Literal(str):
    """A number as it stood."""


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        found["\x00twice"] = _Constant("a name twice")
    return found


DECODER = json.JSONDecoder(
    object_pairs_hook=_pairs, parse_float=_Literal, parse_int=_Literal, parse_constant=_Constant
)


class Everything:
    """A container of every name."""

    def __contains__(self, name: object) -> bool:
        return True


EVERYTHING = Everything()


def flat(value: Any, wanted: Container[str] = EVERYTHING) -> dict[str, str | None]:
    """The members of a decoded object as text, null and empty text as None; `NotARow` where it is none.

    Only `wanted` members must be plain values; others are kept out anyway.
    """
    if not isinstance(value, dict):
        raise NotARow("not a JSON object")
    row: dict[str, str | None] = {}
    for name, member in value.items():
        if isinstance(member, _Constant):
            raise NotARow(f"holds {member}, which JSON has not (RFC 8259)")
        if isinstance(member, (dict, list)) and name in wanted:
            raise NotARow(f"{name} holds a value inside a value")
        if isinstance(member, bool):
            row[name] = "true" if member else "false"
        else:
            row[name] = str(member) if member else None
    return row


def parse(text: str, wanted: Container[str] = EVERYTHING) -> dict[str, str | None]:
    """The row in a text that holds one object and nothing else; `NotARow` otherwise."""
    try:
        value = DECODER.decode(text)
    except json.JSONDecodeError as exc:
        raise NotARow(f"not JSON: {exc.msg} at character {exc.pos + 1}") from None
    except RecursionError:
        raise NotARow("not a row: too many values inside values") from None
    return flat(value, wanted)
