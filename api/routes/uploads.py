"""Uploads of logs and registry."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path

from coilbook.api.models import LedgerEntry
from coilbook.api.problems import described
from coilbook.api.service import Service, ServiceDep
from coilbook.api.uploads import FIELD, PROFILE, Upload, receive
from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool

router = APIRouter(prefix="/api/uploads", tags=["loading"])

BODY = {
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "required": [FIELD],
                    "properties": {
                        FIELD: {
                            "type": "array",
                            "minItems": 1,
                            "items": {"type": "string", "format": "binary"},
                            "description": "logs, registry: CSV, JSON, NDJSON, Parquet; plain, gzip or zstd",
                        },
                        PROFILE: {
                            "type": "string",
                            "format": "binary",
                            "description": "source profile (TOML) of these files",
                        },
                    },
                }
            }
        },
    }
}


@router.post(
    "", summary="Upload logs and registry", openapi_extra=BODY, responses=described(413, 415, 422, 503)
)
async def upload(request: Request, service: ServiceDep) -> list[LedgerEntry]:
    """Load the files of a form, in turn with other work; answers with one ledger row a file.

    Rows that cannot be used go to quarantine. A file that cannot be read at all has outcome `failed` in its
    ledger row and loads nothing; the others are loaded all the same.
    """
    limit_bytes = int(service.settings.upload_limit_mb * 1e6)
    with tempfile.TemporaryDirectory(prefix="coilbook-upload-") as folder:
        brought = await receive(request, Path(folder), limit_bytes)
        return await run_in_threadpool(service.worker.do, partial(_load, service, brought))


def _load(service: Service, brought: Upload) -> list[LedgerEntry]:
    return service.operations.load(
        [path for path, _ in brought.files],
        profile=brought.profile,
        shown_as=dict(brought.files),
        progress=service.worker.check,
    )
