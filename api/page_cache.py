"""Answers kept in memory, so that many readers cost one rendering."""

from __future__ import annotations

import gzip
import hashlib
import os
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from dataclasses import dataclass

MOST_BYTES = 64_000_000
"""Most that the answers kept may take together [bytes, packed]: some thousand pages or charts."""

AT_ONCE = os.cpu_count() or 1
"""Answers rendered at the same time, so that a long one lets the others by and many do not share a core."""


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

    def __init__(self, most_bytes: int = MOST_BYTES, at_once: int = AT_ONCE) -> None:
        self._most = most_bytes
        self._held = 0
        self._pages: OrderedDict[Hashable, KeptPage] = OrderedDict()
        self._lock = threading.Lock()
        self._rendered: dict[Hashable, Future[KeptPage]] = {}
        self._at_once = threading.Semaphore(at_once)

    def page(self, key: Hashable, render: Callable[[], str]) -> KeptPage:
        """The answer kept under `key`, else rendered now; of several that ask for it at once, one renders.

        Raises what `render` raises, to all who asked.
        """
        with self._lock:
            if key in self._pages:
                self._pages.move_to_end(key)
                return self._pages[key]
            mine = key not in self._rendered
            made = self._rendered.setdefault(key, Future())
        if mine:
            self._render(key, render, made)
        return made.result()

    def _render(self, key: Hashable, render: Callable[[], str], made: Future[KeptPage]) -> None:
        try:
            with self._at_once:
                page = KeptPage.of(render())
        except BaseException as exc:  # whatever it is, those who wait are told
            with self._lock:
                del self._rendered[key]
            made.set_exception(exc)
            return
        with self._lock:
            del self._rendered[key]
            self._keep(key, page)
        made.set_result(page)

    def _keep(self, key: Hashable, made: KeptPage) -> None:
        self._pages[key] = made
        self._held += len(made.packed)
        while self._held > self._most:
            _, dropped = self._pages.popitem(last=False)
            self._held -= len(dropped.packed)
