"""Reads ahead: runs an iterator in a thread of its own, a few items before whoever takes them."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Generic, TypeVar

T = TypeVar("T")


class _End(Generic[T]):
    def __init__(self, error: BaseException | None) -> None:
        self.error = error


@contextmanager
def ahead(items: Iterator[T], depth: int) -> Iterator[Iterator[T]]:
    """The same items in the same order, up to `depth` of them ready; errors come up where the item would."""
    ready: queue.Queue[T | _End[T]] = queue.Queue(depth)
    stopped = threading.Event()

    def give(item: T | _End[T]) -> bool:
        while not stopped.is_set():
            with contextlib.suppress(queue.Full):
                ready.put(item, timeout=0.1)
                return True
        return False

    def run() -> None:
        error: BaseException | None = None
        try:
            for item in items:
                if not give(item):
                    return
        except BaseException as exc:  # handed to the taker, who raises it
            error = exc
        give(_End(error))

    def taken() -> Iterator[T]:
        while True:
            item = ready.get()
            if isinstance(item, _End):
                if item.error:
                    raise item.error
                return
            yield item

    thread = threading.Thread(target=run, name="reading ahead", daemon=True)
    thread.start()
    try:
        yield taken()
    finally:
        stopped.set()
        thread.join()
