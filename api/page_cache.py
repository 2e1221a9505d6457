"""Answers kept in memory, so that many readers cost one rendering."""

from __future__ import annotations

import gzip
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass

MOST_BYTES = 64_000_000
"""Most that the answers kept may take together [bytes, packed]: some thousand pages or charts."""


@dataclass(frozen=True)
class KeptPage:
    """A page or a chart as sent: in gzip, with its weak ETag."""

    packed: bytes
    etag: str

    @classmethod
    def of(cls, text: str) -> KeptPage:
        """The answer of a text."""
        body = text.encode()
        digest = hashlib.sha256(body).hexdigest()[:32]
        return cls(gzip.compress(body, 5, mtime=0), f'W/"{digest}"')

    @property
    def body(self) -> bytes:
        """The same unpacked, for the few that take no gzip."""
        return gzip.decompress(self.packed)


class PageCache:
    """The answers last asked for, the one unused longest dropped first. Safe between threads."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most = most_bytes
        self._held = 0
        self._pages: OrderedDict[Hashable, KeptPage] = OrderedDict()
        self._lock = threading.Lock()
        self._rendering = threading.Lock()

    def page(self, key: Hashable, render: Callable[[], str]) -> KeptPage:
        """The answer kept under `key`, else rendered now; of several that ask at once, one renders."""
        found = self._find(key)
        if found is not None:
            return found
        with self._rendering:
            found = self._find(key)
            if found is not None:
                return found
            made = KeptPage.of(render())
            self._keep(key, made)
            return made

    def _keep(self, key: Hashable, made: KeptPage) -> None:
        with self._lock:
            self._pages[key] = made
            self._held += len(made.packed)
            while self._held > self._most:
                _, dropped = self._pages.popitem(last=False)
                self._held -= len(dropped.packed)

    def _find(self, key: Hashable) -> KeptPage | None:
        with self._lock:
            if key in self._pages:
                self._pages.move_to_end(key)
            return self._pages.get(key)
