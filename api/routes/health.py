"""Whether the process lives, and whether it can do its work."""

from __future__ import annotations

from coilbook.api.problems import ProblemError, described
from coilbook.api.service import ServiceDep
from coilbook.api.version import program_version
from coilbook.ingest.errors import StoreError
from coilbook.ingest.migrations import STEPS
from fastapi import APIRouter
from pydantic import BaseModel, Field

router = APIRouter(tags=["health"])


class Health(BaseModel):
    """The process lives."""

    status: str = Field(description="always `ok`", examples=["ok"])
    version: str = Field(description="version of the program", examples=["0.1.0"])


@router.get("/healthz", summary="Process lives")
async def healthz() -> Health:
    """Answers as long as the process does, whatever the store does."""
    return Health(status="ok", version=program_version())


@router.get("/readyz", summary="Store answers", responses=described(503))
def readyz(service: ServiceDep) -> Health:
    """Answers once the store does and has every migration; 503 otherwise."""
    try:
        with service.store.reading() as session:
            applied = {row[0] for row in session.rows("SELECT name FROM schema_step")}
    except StoreError as exc:
        raise ProblemError(503, "the store does not answer") from exc
    missing = [step.name for step in STEPS if step.name not in applied]
    if missing:
        raise ProblemError(503, f"the store lacks the migrations {', '.join(missing)}")
    return Health(status="ok", version=program_version())
