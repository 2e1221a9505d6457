"""Pages kept in memory, so that many readers cost one rendering."""

from __future__ import annotations

import gzip
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass


@dataclass(frozen=True)
class KeptPage:
    """A page as sent: plain and in gzip, with its weak ETag."""

    body: bytes
    packed: bytes
    etag: str

    @classmethod
    def of(cls, html: str) -> KeptPage:
        """The page of a text."""
        body = html.encode()
        digest = hashlib.sha256(body).hexdigest()[:32]
        return cls(body, gzip.compress(body, 5, mtime=0), f'W/"{digest}"')


class PageCache:
    """The pages last asked for, the one unused longest dropped first. Safe between threads."""

    def __init__(self, most: int = 64) -> None:
        self._most = most
        self._pages: OrderedDict[Hashable, KeptPage] = OrderedDict()
        self._lock = threading.Lock()
        self._rendering = threading.Lock()

    def page(self, key: Hashable, render: Callable[[], str]) -> KeptPage:
        """The page kept under `key`, else rendered now; of several that ask at once, one renders."""
        found = self._find(key)
        if found is not None:
            return found
        with self._rendering:
            found = self._find(key)
            if found is not None:
                return found
            made = KeptPage.of(render())
            with self._lock:
                self._pages[key] = made
                while len(self._pages) > self._most:
                    self._pages.popitem(last=False)
            return made

    def _find(self, key: Hashable) -> KeptPage | None:
        with self._lock:
            if key in self._pages:
                self._pages.move_to_end(key)
            return self._pages.get(key)
