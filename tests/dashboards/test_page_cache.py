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


def test_all_who_asked_are_told_of_a_failure() -> None:
    cache, begun, told = PageCache(), threading.Event(), []

    def fail() -> str:
        begun.wait(5)
        raise ValueError("no")

    def ask() -> None:
        try:
            cache.page("key", fail)
        except ValueError as exc:
            told.append(str(exc))

    readers = [threading.Thread(target=ask) for _ in range(3)]
    for reader in readers:
        reader.start()
    begun.set()
    for reader in readers:
        reader.join()
    assert told == ["no"] * 3


def test_a_long_rendering_lets_another_page_by() -> None:
    cache, other_done = PageCache(at_once=2), threading.Event()

    def long() -> str:
        assert other_done.wait(10)
        return "long"

    reader = threading.Thread(target=cache.page, args=("long", long))
    reader.start()
    assert cache.page("short", lambda: "short").body == b"short"
    other_done.set()
    reader.join()
    assert cache.page("long", lambda: "again").body == b"long"
