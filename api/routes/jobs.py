"""The nightly jobs: their record, and running one now."""

from __future__ import annotations

from typing import Annotated, Literal

from coilbook.api import job_records
from coilbook.api.fields import Instant
from coilbook.api.models import JobRun
from coilbook.api.problems import ProblemError, described
from coilbook.api.routes.parameters import Limit
from coilbook.api.service import ServiceDep
from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, Field

router = APIRouter(prefix="/api/jobs", tags=["jobs"])


class JobList(BaseModel):
    """The jobs of this server, and what became of them."""

    jobs: list[str] = Field(
        description="jobs of a night, in order", examples=[["inbox", "review", "morning"]]
    )
    next_due: Instant | None = Field(
        description="when the next night begins; empty = nights are switched off"
    )
    failing: list[JobRun] = Field(description="jobs whose newest run failed or was interrupted")
    runs: list[JobRun] = Field(description="runs, newest first")


@router.get("", summary="List jobs and their runs", responses=described(422))
def jobs(
    service: ServiceDep,
    job: Annotated[str | None, Query(description="only runs of this job", max_length=100)] = None,
    outcome: Annotated[
        Literal["running", "done", "failed", "interrupted"] | None,
        Query(description="only runs that ended so"),
    ] = None,
    limit: Limit = 100,
) -> JobList:
    """What runs at night, when next, and every run on record. `serve` is the server's own run."""
    with service.store.reading() as session:
        return JobList(
            jobs=list(service.jobs.names()),
            next_due=service.jobs.next_due(),
            failing=job_records.last_failures(session),
            runs=job_records.runs(session, job=job, outcome=outcome, limit=limit),
        )


@router.post("/{job}/runs", summary="Run a job now", responses=described(404, 422, 503))
def run_now(
    service: ServiceDep,
    job: Annotated[str, Path(description="name of the job", examples=["review"], max_length=100)],
) -> JobRun:
    """Do one job now, in turn with other work. Answers with its record once it ended, however it did."""
    if job not in service.jobs.names():
        raise ProblemError(404, f"no job {job!r} on this server; it has {', '.join(service.jobs.names())}")
    return service.jobs.run_now(job)
