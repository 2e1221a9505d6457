"""Many readers, one rendering."""

from __future__ import annotations

import threading
import time

import pytest
from coilbook.api.page_cache import KeptPage, PageCache


def test_readers_who_ask_at_once_share_one_rendering() -> None:
    cache, made = PageCache(), []

    def render() -> str:
        made.append(1)
        time.sleep(0.05)
        return "page"

    readers = [threading.Thread(target=cache.page, args=("key", render)) for _ in range(8)]
    for reader in readers:
        reader.start()
    for reader in readers:
        reader.join()
    assert len(made) == 1
    assert cache.page("key", lambda: "other").body == b"page"


def test_the_page_unused_longest_goes_first() -> None:
    size = len(KeptPage.of("first a").packed)
    cache = PageCache(most_bytes=2 * size)
    for key in ("a", "b", "a", "c"):
        cache.page(key, lambda key=key: f"first {key}")  # type: ignore[misc]
    assert cache.page("a", lambda: "again").body == b"first a"
    assert cache.page("b", lambda: "again").body == b"again"


def test_a_rendering_that_fails_is_not_kept() -> None:
    cache = PageCache()

    def fail() -> str:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        cache.page("key", fail)
    assert cache.page("key", lambda: "page").body == b"page"
