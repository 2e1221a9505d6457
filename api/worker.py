"""One thread that does the long work, loads and reviews, in turn; readers go on meanwhile."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from coilbook.ingest.errors import CoilbookError

T = TypeVar("T")
ROOM_LOOK_S = 0.2
"""How often a waiting thread looks whether the worker is to stop [s]."""

log = logging.getLogger(__name__)


class Busy(CoilbookError):
    """Too much work waits already, or the server is stopping; ask again later."""


class Stopped(CoilbookError):
    """The work was given up because the server stops; its transaction was rolled back."""


class Worker:
    """A queue of at most `limit` waiting pieces of work, and the thread that does them one after another."""

    def __init__(self, limit: int) -> None:
        self._waiting: queue.Queue[tuple[Future[Any], Callable[[], Any]]] = queue.Queue(limit)
        self._stopping = threading.Event()
        self._hurried = threading.Event()
        self._thread = threading.Thread(target=self._run, name="worker", daemon=True)
        self._thread.start()

    def do(self, work: Callable[[], T], *, patient: bool = False) -> T:
        """Do `work` when its turn comes, and return its result.

        Raises `Busy` once the worker stops, and where the queue is full; the `patient` wait for room in it.
        """
        future: Future[T] = Future()
        while True:
            if self._stopping.is_set():
                raise Busy("the server is stopping")
            try:
                self._waiting.put((future, work), block=patient, timeout=ROOM_LOOK_S)
                break
            except queue.Full:
                if not patient:
                    raise Busy(f"{self._waiting.maxsize} loads or reviews wait already") from None
        if self._stopping.is_set():
            self._refuse_waiting()
        return future.result()

    def waiting(self) -> int:
        """How much work waits for its turn."""
        return self._waiting.qsize()

    def check(self, *_: object, **__: object) -> None:
        """Called by long work between its transactions: raises `Stopped` once the server is to stop."""
        if self._stopping.is_set():
            raise Stopped("given up: the server is stopping")

    def ask_to_stop(self, *, hurry: bool = False) -> None:
        """Take no more work, refuse what waits, and have what runs give up at its next `check`.

        With `hurry` a later `stop` does not wait for what runs.
        """
        self._stopping.set()
        if hurry:
            self._hurried.set()
        self._refuse_waiting()

    def stop(self, wait_s: float) -> bool:
        """Refuse what waits, wait up to `wait_s` for what runs. True if nothing runs any more."""
        self.ask_to_stop()
        until = time.monotonic() + wait_s
        while self._thread.is_alive() and time.monotonic() < until and not self._hurried.is_set():
            self._thread.join(ROOM_LOOK_S)
        if self._thread.is_alive():
            log.warning("work still runs; its transaction will be rolled back")
        return not self._thread.is_alive()

    def _refuse_waiting(self) -> None:
        while True:
            try:
                future, _ = self._waiting.get_nowait()
            except queue.Empty:
                return
            future.set_exception(Busy("the server is stopping"))

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                future, work = self._waiting.get(timeout=ROOM_LOOK_S)
            except queue.Empty:
                continue
            if not future.set_running_or_notify_cancel():
                continue
            try:
                future.set_result(work())
            except BaseException as exc:
                future.set_exception(exc)
