"""Cursors: a page begins after the last row of the page before, so rows that come in meanwhile shift nothing.

A cursor names the row's sort keys, the direction, and a digest of the filter and order it belongs to; it is
opaque to clients and good for that list only.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal
from urllib.parse import urlencode

from coilbook.ingest.errors import InputError

Direction = Literal["next", "prev"]


@dataclass(frozen=True)
class Cursor:
    """Where a page begins: beyond the row with these `keys`, forward or back."""

    direction: Direction
    keys: tuple[Any, ...]


def list_digest(asked: Mapping[str, object]) -> str:
    """A digest of a list's filter and order."""
    text = json.dumps(asked, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def encode(cursor: Cursor, digest: str) -> str:
    """The cursor as text for a URL."""
    text = json.dumps([cursor.direction, digest, *cursor.keys], separators=(",", ":"))
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def decode(text: str, digest: str, kinds: Sequence[type]) -> Cursor:
    """The cursor of `text`, its keys of `kinds`. `InputError` for one that is damaged or of another list."""
    try:
        raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
        direction, of, *keys = json.loads(raw)
        sound = direction in ("next", "prev") and len(keys) == len(kinds)
        sound = sound and all(_is_of(key, kind) for key, kind in zip(keys, kinds, strict=True))
    except (ValueError, TypeError, RecursionError):
        sound = False
    if not sound:
        raise InputError("cursor: not one that this service gave; ask for the first page again")
    if of != digest:
        raise InputError("cursor: belongs to another filter or order; ask for the first page again")
    return Cursor(direction, tuple(keys))


def _is_of(key: object, kind: type) -> bool:
    if kind is float:
        return isinstance(key, int | float) and not isinstance(key, bool) and abs(key) < float("inf")
    if kind is int:
        return isinstance(key, int) and not isinstance(key, bool) and abs(key) < 2**31
    return isinstance(key, kind)


def link_header(path: str, asked: Mapping[str, object], cursors: Mapping[str, str | None]) -> str:
    """RFC 8288 links to other pages of a list; a relation without cursor is the list's first page."""
    given = {name: value for name, value in asked.items() if value is not None}
    links = []
    for relation, cursor in cursors.items():
        query = urlencode({**given, "cursor": cursor} if cursor else given)
        links.append(f'<{path}{"?" if query else ""}{query}>; rel="{relation}"')
    return ", ".join(links)
