"""What the routes of one server share, and how a route asks for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from coilbook.api.jobs import Jobs
from coilbook.api.operations import DirectOperations
from coilbook.api.settings import Settings
from coilbook.api.tune_running import Tunings
from coilbook.api.worker import Worker
from coilbook.ingest.store import Store
from fastapi import Depends, Request


@dataclass(frozen=True)
class Service:
    """One server: its settings, the store it holds, and the worker that writes to it.

    `token` is what the command line of this machine shows to be let in; empty = it is not let in.
    """

    settings: Settings
    store: Store
    operations: DirectOperations
    worker: Worker
    jobs: Jobs
    tunings: Tunings
    token: str = ""


def service_of(request: Request) -> Service:
    """The service that answers `request`."""
    service = request.app.state.service
    assert isinstance(service, Service)
    return service


ServiceDep = Annotated[Service, Depends(service_of)]
