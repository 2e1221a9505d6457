"""The application: one store, one worker, the routes and the nightly jobs.

Nothing happens at import. `create_app(settings)` opens the store; when the server stops, the running work is
finished or rolled back and the store is closed.
"""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from coilbook.api import pages, site_charts, tune_pages
from coilbook.api.head import HeadAsGet
from coilbook.api.jobs import Jobs
from coilbook.api.operations import DirectOperations
from coilbook.api.problems import Problem, add_problem_handlers
from coilbook.api.routes import (
    acts,
    cases,
    charts,
    exceptions,
    exports,
    fleet,
    health,
    jobs,
    ledger,
    local,
    reviews,
    sites,
    tune,
    uploads,
)
from coilbook.api.security import Guard
from coilbook.api.service import Service
from coilbook.api.settings import Settings
from coilbook.api.tune_running import THREADS, Tunings
from coilbook.api.version import program_version
from coilbook.api.worker import Worker
from coilbook.ingest.store import Store
from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

ROUTERS = (
    exceptions.router,
    cases.router,
    acts.router,
    fleet.router,
    charts.router,
    sites.router,  # after longer addresses of a site, whose id may hold slashes
    uploads.router,
    ledger.router,
    reviews.router,
    jobs.router,
    exports.router,
    tune.router,
    tune_pages.router,
    health.router,
    local.router,
    pages.router,
)

ABOUT = """Switching logs of installed load controllers in, exceptions and cases out.

Instants are RFC 3339 in UTC; local dates are those of the site's own zone. Every error is an RFC 9457 problem
(`application/problem+json`). Loads and reviews are done one at a time; reading goes on meanwhile.
"""

TAGS = [
    {"name": "sites", "description": "Homes under care, their circuits and record"},
    {"name": "exceptions", "description": "Findings: one rule's verdict on one subject for one local day"},
    {"name": "cases", "description": "The morning list: runs of findings that somebody has to look after"},
    {"name": "fleet", "description": "The fleet over time: cases, rules, circuits, contactors, firmware"},
    {"name": "charts", "description": "Chart specifications (Vega-Lite)"},
    {"name": "loading", "description": "Uploads, the ledger of loads, and the rows held in quarantine"},
    {"name": "review", "description": "Bringing facts, findings and cases up to date"},
    {"name": "tuning", "description": "The fleet's logs replayed under settings that were never tried"},
    {"name": "jobs", "description": "The nightly jobs and their record"},
    {"name": "exports", "description": "Whole tables as files"},
    {"name": "health", "description": "Whether the process lives and the store answers"},
]


def create_app(settings: Settings, *, token: str = "") -> FastAPI:
    """The application on the store named in `settings`. `token` lets this machine's command line in.

    Raises what `Store.open` raises. The store is closed when the application's lifespan ends.
    """
    store = Store.open(settings.store, memory_limit=settings.memory_limit, threads=settings.threads)
    worker = Worker(settings.queue_limit)
    operations = DirectOperations(store, rules=settings.rules)
    tunings = Tunings(store, THREADS)
    service = Service(settings, store, operations, worker, Jobs(settings, operations, worker), tunings, token)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        charts = threading.Thread(target=site_charts.prepare, name="charts")
        charts.start()
        try:
            service.jobs.start()
            service.tunings.begin_serving()
            yield
        finally:
            charts.join()
            service.jobs.stop()
            service.tunings.stop(settings.stop_wait_s)
            if worker.stop(settings.stop_wait_s):
                service.jobs.close()
            store.close()

    app = FastAPI(
        title="coilbook",
        version=program_version(),
        summary="Which sites need somebody, why, and what to do",
        description=ABOUT,
        openapi_tags=TAGS,
        openapi_url="/api/openapi.json",
        docs_url=None,  # its scripts would come from another host
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.service = service
    add_problem_handlers(app)
    app.add_middleware(HeadAsGet)
    app.add_middleware(Guard, settings=settings)
    for router in ROUTERS:
        app.include_router(router)
    _describe_problems(app)
    return app


def _describe_problems(app: FastAPI) -> None:
    """Put the `Problem` schema into the OpenAPI document in place of the framework's own error models."""

    def document() -> dict[str, object]:
        if app.openapi_schema is None:
            found = get_openapi(
                title=app.title,
                version=app.version,
                summary=app.summary,
                description=app.description,
                tags=app.openapi_tags,
                routes=app.routes,
            )
            # An id may hold a slash; the document names the parameter alone, as its standard asks.
            found["paths"] = {path.replace(":path}", "}"): told for path, told in found["paths"].items()}
            schemas = found.setdefault("components", {}).setdefault("schemas", {})
            for name in ("HTTPValidationError", "ValidationError"):
                schemas.pop(name, None)
            problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
            schemas.update(problem.pop("$defs", {}))
            schemas["Problem"] = problem
            app.openapi_schema = found
        return app.openapi_schema

    app.openapi = document  # type: ignore[method-assign]
