"""The page of loads: the ledger, uploads, and rows held back with their release."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path

from coilbook.analytics.queries import loads as load_queries
from coilbook.api.fields import utc_now
from coilbook.api.models import LedgerEntry
from coilbook.api.page_answer import HTML, answer, whole
from coilbook.api.page_cache import KeptPage
from coilbook.api.page_forms import read_form, see_other, whole_number
from coilbook.api.problems import ProblemError
from coilbook.api.service import Service, ServiceDep
from coilbook.api.uploads import Upload, receive
from coilbook.api.worker import Busy
from coilbook.dashboards.loads_page import HELD_SIZE, PAGE_SIZE, Choice, loads_page
from coilbook.ingest.errors import InputError
from coilbook.ingest.quarantine import release, release_rows
from coilbook.ingest.store import Session
from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

router = APIRouter(prefix="/loads")


@router.get("")
def loads(
    request: Request,
    service: ServiceDep,
    reason: str = "",
    load: str = "",
    outcome: str = "",
    page: str = "",
    held: str = "",
    since: str = "",
    released: str = "",
    tried: str = "",
) -> Response:
    """The ledger and what was held back.

    `since`: the load before those just done. `released` of `tried`: what a release just did.
    """
    choice = Choice(
        reason=reason,
        load=whole(load, 0) or None,
        outcome=outcome if outcome in ("loaded", "failed") else "",
        page=whole(page, 1),
        held=whole(held, 1),
        since=_count(since),
        released=_count(released),
        tried=_count(tried) or 0,
    )
    with service.store.reading() as session:
        html = _page(session, choice, service.settings.upload_limit_mb)
    return answer(request, KeptPage.of(html))


@router.post("/upload")
async def upload(request: Request, service: ServiceDep) -> Response:
    """Load the files of the form and go to their lines in the ledger."""
    folder = ""
    try:
        with tempfile.TemporaryDirectory(prefix="coilbook-upload-") as folder:
            limit_bytes = int(service.settings.upload_limit_mb * 1e6)
            brought = await receive(request, Path(folder), limit_bytes)
            done = await run_in_threadpool(service.worker.do, partial(_load, service, brought))
    except ProblemError as exc:
        return await run_in_threadpool(_refused, service, exc.status, exc.detail)
    except Busy as exc:
        return await run_in_threadpool(_refused, service, 503, f"{exc}; try again in a minute")
    except InputError as exc:
        return await run_in_threadpool(_refused, service, 422, str(exc).replace(f"{folder}/", ""))
    first = min((entry.load_id for entry in done), default=1)
    return see_other(f"/loads?since={first - 1}#ledger")


@router.post("/release")
async def release_held(request: Request, service: ServiceDep) -> Response:
    """Try the rows chosen, or all that the registry explains by now, and say what came of it."""
    form = await read_form(request)
    ids = [whole_number(text, "row") for text in form.all("row")]
    if not ids and form.get("what") != "all":
        return await run_in_threadpool(_refused, service, 422, "no row was chosen; tick those to try again")
    wanted = None if form.get("what") == "all" else ids
    try:
        freed, tried = await run_in_threadpool(service.worker.do, partial(_release, service, wanted))
    except Busy as exc:
        return await run_in_threadpool(_refused, service, 503, f"{exc}; try again in a minute")
    except InputError as exc:
        return await run_in_threadpool(_refused, service, 422, str(exc))
    return see_other(f"/loads?released={freed}&tried={tried}#held")


def _count(text: str) -> int | None:
    """A number from 0 on of the address, or None."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else None


def _load(service: Service, brought: Upload) -> list[LedgerEntry]:
    return service.operations.load(
        [path for path, _ in brought.files],
        profile=brought.profile,
        shown_as=dict(brought.files),
        progress=service.worker.check,
    )


def _release(service: Service, ids: list[int] | None) -> tuple[int, int]:
    """Rows that entered the store, and rows that were tried."""
    before = _held(service)
    if ids is None:
        release(service.store, utc_now())
    else:
        release_rows(service.store, ids, utc_now())
    return before - _held(service), before if ids is None else len(ids)


def _held(service: Service) -> int:
    with service.store.reading() as session:
        found = session.one("SELECT count(*) FROM quarantine WHERE state = 'held'")
    return int(found[0]) if found else 0


def _refused(service: Service, status: int, said: str) -> Response:
    with service.store.reading() as session:
        html = _page(session, Choice(error=said), service.settings.upload_limit_mb)
    return Response(html, status, media_type=HTML)


def _page(session: Session, choice: Choice, limit_mb: float) -> str:
    return loads_page(
        load_queries.totals(session),
        load_queries.ledger(
            session,
            outcome=choice.outcome or None,
            limit=PAGE_SIZE,
            offset=(choice.page - 1) * PAGE_SIZE,
        ),
        load_queries.held_by_reason(session),
        load_queries.quarantine(
            session,
            reason=choice.reason or None,
            load_id=choice.load,
            limit=HELD_SIZE + 1,
            offset=(choice.held - 1) * HELD_SIZE,
        ),
        choice,
        limit_mb,
    )
