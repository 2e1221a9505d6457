"""Runs the server: one process, one worker, the side file for this machine's command line."""

from __future__ import annotations

import logging
import signal
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

import uvicorn
from coilbook.analytics.rule_settings import read_settings
from coilbook.api.app import create_app
from coilbook.api.settings import Settings, bracketed, is_wildcard
from coilbook.api.side_file import ServerPlace, remove_side_file, write_side_file
from coilbook.api.worker import Worker
from coilbook.ingest.errors import InputError

LOOPBACK = ("127.0.0.1", "::1", "localhost")


class _Server(uvicorn.Server):
    """Says where it listens once it does, and leaves the side file."""

    def __init__(
        self, config: uvicorn.Config, settings: Settings, worker: Worker, place: ServerPlace, address: str
    ) -> None:
        super().__init__(config)
        self._settings = settings
        self._worker = worker
        self._place = place
        self._address = address

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Have running work give up at its next step, so that the requests that wait for it end."""
        self._worker.ask_to_stop(hurry=self.should_exit)
        super().handle_exit(sig, frame)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """As ever, but the application ends in order also where a second signal cut the waiting short."""
        await super().shutdown(sockets)
        if self.force_exit:
            await self.lifespan.shutdown()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            write_side_file(self._settings.store, self._place)
            print(f"coilbook serves {self._settings.store} at {self._address}", flush=True)


def serve(settings: Settings) -> None:
    """Serve until told to stop by SIGINT or SIGTERM. Raises `InputError` where the address cannot be had."""
    logging.basicConfig(
        level=settings.log_level.upper(),
        stream=sys.stderr,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
    )
    logging.getLogger("apscheduler").setLevel(logging.ERROR)  # a look missed while a night runs is no news
    read_settings(settings.rules)  # a fault in that file is told now, not at night
    public = listen(settings.host, settings.port)
    sockets = [public]
    host, port = settings.host, public.getsockname()[1]
    if settings.host in LOOPBACK or is_wildcard(settings.host):
        near = (public.getsockname()[0] if not is_wildcard(settings.host) else _loopback_of(public), port)
    else:  # the command line of this machine is let in by loopback only
        sockets.append(listen("127.0.0.1", 0))
        near = ("127.0.0.1", sockets[1].getsockname()[1])
    place = ServerPlace.here(*near)
    app = create_app(settings, token=place.token)
    config = uvicorn.Config(
        app,
        workers=1,
        log_config=None,
        log_level=settings.log_level,
        access_log=settings.log_level == "debug",
        server_header=False,
        timeout_graceful_shutdown=max(1, round(settings.stop_wait_s)),
    )
    shown = "localhost" if is_wildcard(host) else host
    server = _Server(config, settings, app.state.service.worker, place, f"http://{bracketed(shown)}:{port}/")
    try:
        with _signals_end_well():
            server.run(sockets=sockets)
    except KeyboardInterrupt:
        pass
    finally:
        remove_side_file(settings.store, place)


def listen(host: str, port: int) -> socket.socket:
    """A socket bound to the address. `InputError` where it cannot be had."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listener = socket.socket(family, kind, protocol)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
    except OSError as exc:
        raise InputError(
            f"cannot listen on {host} port {port}: {exc.strerror or exc}; name another with --port"
        ) from exc
    listener.set_inheritable(True)
    return listener


def _loopback_of(listener: socket.socket) -> str:
    return "::1" if listener.family == socket.AF_INET6 else "127.0.0.1"


@contextmanager
def _signals_end_well() -> Iterator[None]:
    """uvicorn raises the signal that stopped it once more at its end; a server told to stop has done well."""
    wanted = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(number, lambda *_: None) for number in wanted]
    try:
        yield
    finally:
        for number, handler in zip(wanted, before, strict=True):
            signal.signal(number, handler)
