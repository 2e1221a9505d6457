"""What the command line of this machine asks of the server that holds its store.

Let in are requests from loopback that show the token of the side file. These routes read and write local
files as the server's user, so they are no part of the public API.
"""

from __future__ import annotations

import ipaddress
import os
import secrets
from pathlib import Path

from coilbook.api.fields import Instant
from coilbook.api.models import LedgerEntry, ReviewDone, SiteHistory
from coilbook.api.problems import ProblemError
from coilbook.api.remote import TOKEN_HEADER
from coilbook.api.service import ServiceDep
from fastapi import APIRouter, Depends, Request
from pydantic import BaseModel


def _let_in(request: Request, service: ServiceDep) -> None:
    shown = request.headers.get(TOKEN_HEADER, "")
    known = service.token and secrets.compare_digest(shown.encode(), service.token.encode())
    if not (known and _from_here(request)):
        raise ProblemError(403, "only the command line of this machine is let in here")


def _from_here(request: Request) -> bool:
    try:
        return request.client is not None and ipaddress.ip_address(request.client.host).is_loopback
    except ValueError:
        return False


router = APIRouter(prefix="/local", dependencies=[Depends(_let_in)], include_in_schema=False)


class LoadOrder(BaseModel):
    """Files and folders to load, by absolute path."""

    paths: list[Path]
    profile: Path | None = None


class ReviewOrder(BaseModel):
    """A review to do."""

    as_of: Instant | None = None
    rules: Path | None = None


class ExportOrder(BaseModel):
    """A table, and the file it is to go to."""

    table: str
    target: Path


class BackupOrder(BaseModel):
    """Where a copy of the store is to go."""

    target: Path


@router.get("/hello")
def hello() -> dict[str, int]:
    """Say which process this is."""
    return {"pid": os.getpid()}


@router.post("/load")
def load(order: LoadOrder, service: ServiceDep) -> list[LedgerEntry]:
    """Load local files in turn with other work."""
    return service.worker.do(
        lambda: service.operations.load(order.paths, profile=order.profile, progress=service.worker.check)
    )


@router.post("/review")
def review(order: ReviewOrder, service: ServiceDep) -> ReviewDone:
    """Review in turn with other work."""
    return service.worker.do(
        lambda: service.operations.review(as_of=order.as_of, rules=order.rules, progress=service.worker.check)
    )


@router.get("/site")
def site(service: ServiceDep, site_id: str, days: int) -> SiteHistory:
    """One site's history, whatever signs its id holds."""
    return service.operations.site(site_id, days=days)


@router.post("/export")
def export(order: ExportOrder, service: ServiceDep) -> dict[str, int]:
    """Write a table to a local file."""
    return {"rows": service.operations.export(order.table, order.target)}


@router.post("/backup")
def backup(order: BackupOrder, service: ServiceDep) -> dict[str, str]:
    """Write a copy of the store to a local file."""
    service.worker.do(lambda: service.operations.backup(order.target))
    return {"target": str(order.target)}
