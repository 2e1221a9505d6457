"""Whole tables as files."""

from __future__ import annotations

import tempfile
from pathlib import Path as FilePath
from typing import Annotated, Literal

from coilbook.api.problems import ProblemError, described
from coilbook.api.service import ServiceDep
from coilbook.ingest.schema import EXPORTS
from fastapi import APIRouter, Path, Query
from fastapi.responses import FileResponse, Response
from starlette.background import BackgroundTask

router = APIRouter(prefix="/api/exports", tags=["exports"])

MEDIA = {
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
    "ndjson": "application/x-ndjson",
    "parquet": "application/vnd.apache.parquet",
}
REGISTRY = "registry"
KNOWN = (*sorted(EXPORTS), REGISTRY)
ROWS_HEADER = "X-Coilbook-Rows"


@router.get(
    "/{table}",
    summary="Export a table",
    response_class=Response,
    responses={
        200: {
            "description": "The table as a file",
            "content": {media.partition(";")[0]: {} for media in MEDIA.values()},
        },
        **described(404, 422),
    },
)
def export(
    service: ServiceDep,
    table: Annotated[str, Path(description="name of the table", examples=["finding"], max_length=100)],
    form: Annotated[
        Literal["csv", "json", "ndjson", "parquet"] | None,
        Query(description="format of the file: json for the registry, csv, ndjson or parquet for a table"),
    ] = None,
) -> FileResponse:
    """A fact, `finding`, `case`, `ledger` or `quarantine`, as CSV unless asked otherwise; or the registry.

    The registry is one JSON object of four arrays, ready to be loaded again. Instants are RFC 3339 in UTC.
    """
    if table not in KNOWN:
        raise ProblemError(404, f"no table {table!r} to export; expected one of {', '.join(KNOWN)}")
    form = form or ("json" if table == REGISTRY else "csv")
    if (form == "json") != (table == REGISTRY):
        raise ProblemError(422, "json is the format of the registry, and of no other table")
    folder = tempfile.TemporaryDirectory(prefix="coilbook-export-")
    try:
        target = FilePath(folder.name) / f"{table}.{form}"
        rows = service.operations.export(table, target)
        return FileResponse(
            target,
            media_type=MEDIA[form],
            filename=target.name,
            headers={ROWS_HEADER: str(rows)},
            background=BackgroundTask(folder.cleanup),
        )
    except BaseException:
        folder.cleanup()
        raise
