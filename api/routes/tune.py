"""Tunings: ask for one, watch it, take its result."""

from __future__ import annotations

from typing import Annotated

from coilbook.analytics.queries import tune as records
from coilbook.analytics.queries.tune import Tuning
from coilbook.analytics.replay.rows import registry_csv
from coilbook.api.problems import ProblemError, described
from coilbook.api.routes.bodies import JsonOnly
from coilbook.api.routes.parameters import Limit
from coilbook.api.service import Service, ServiceDep
from coilbook.api.tune_bundle import MEDIA_TYPE, pack
from coilbook.api.tune_models import TuningDetail, TuningProgress, TuningSummary, detail, summary
from coilbook.api.tune_order import TuneOrder
from coilbook.api.tune_running import TuningRuns
from fastapi import APIRouter, Path
from fastapi.responses import Response

router = APIRouter(prefix="/api/tunings", tags=["tuning"])

Number = Annotated[int, Path(description="number of the tuning", ge=1, le=2**62)]


def found(service: Service, number: int) -> Tuning:
    """The tuning of that number, or the problem that there is none."""
    with service.store.reading() as session:
        known = records.tuning(session, number)
    if known is None:
        raise ProblemError(404, f"no tuning {number} on record")
    return known


def done(service: Service, number: int) -> Tuning:
    """The tuning of that number with its result, or the problem that it has none."""
    known = found(service, number)
    if known.state != "done":
        raise ProblemError(409, f"tuning {number} has no result: it is {known.state}")
    return known


def progress_of(service: Service, number: int) -> tuple[int, int]:
    """Sites done and sites in all of a tuning that runs."""
    at = service.tunings.running()
    return (at.sites_done, at.sites) if at is not None and at.number == number else (0, 0)


@router.post(
    "",
    summary="Begin a tuning",
    status_code=202,
    dependencies=[JsonOnly],
    responses=described(409, 415, 422),
)
def begin(service: ServiceDep, order: TuneOrder) -> TuningProgress:
    """Replay the fleet's logs under other settings. Answers at once; 409 while another tuning runs."""
    try:
        number = service.tunings.start(order)
    except TuningRuns as exc:
        raise ProblemError(409, str(exc)) from exc
    return TuningProgress.model_validate(summary(found(service, number)).model_dump())


@router.get("", summary="List tunings", responses=described(422))
def tunings(service: ServiceDep, limit: Limit = 100) -> list[TuningSummary]:
    """Tunings on record, newest first."""
    with service.store.reading() as session:
        return [summary(known) for known in records.tunings(session, limit)]


@router.get("/{number}", summary="A tuning with its result", responses=described(404, 422))
def tuning(service: ServiceDep, number: Number) -> TuningDetail:
    """What was asked, what became of it, and the result where there is one."""
    return detail(found(service, number), *progress_of(service, number))


@router.get("/{number}/progress", summary="How far a tuning is", responses=described(404, 422))
def progress(service: ServiceDep, number: Number) -> TuningProgress:
    """The tuning without its result."""
    told = summary(found(service, number)).model_dump()
    sites_done, sites = progress_of(service, number)
    return TuningProgress.model_validate({**told, "sites_done": sites_done, "sites": sites})


@router.post("/{number}/cancel", summary="Call a tuning off", responses=described(404, 409, 422))
def cancel(service: ServiceDep, number: Number) -> TuningProgress:
    """It ends soon after; 409 where it does not run any more."""
    known = found(service, number)
    if not service.tunings.cancel(number):
        raise ProblemError(409, f"tuning {number} does not run: it is {known.state}")
    return progress(service, number)


@router.delete("/{number}", summary="Drop a tuning", status_code=204, responses=described(404, 409, 422))
def drop(service: ServiceDep, number: Number) -> None:
    """Take a tuning off the record with its result; 409 while it runs."""
    if found(service, number).state == "running":
        raise ProblemError(409, f"tuning {number} runs; cancel it first")
    records.drop(service.store, number)


@router.get(
    "/{number}/registry",
    summary="The recommended settings as registry rows",
    response_class=Response,
    responses={
        200: {"description": "Rows of the circuits file", "content": {"text/csv": {}}},
        **described(404, 409, 422),
    },
)
def registry(service: ServiceDep, number: Number) -> Response:
    """CSV rows of the circuits file, ready to load; only the head line where nothing is recommended."""
    return csv_of(done(service, number))


@router.get(
    "/{number}/frames",
    summary="All frames of a result",
    response_class=Response,
    responses={
        200: {"description": "Parquet files in a ZIP archive", "content": {MEDIA_TYPE: {}}},
        **described(404, 409, 422),
    },
)
def frames(service: ServiceDep, number: Number) -> Response:
    """The record as JSON and every frame as Parquet, in a ZIP archive."""
    headers = {"Content-Disposition": f'attachment; filename="tuning-{number}.zip"'}
    return Response(pack(done(service, number)), media_type=MEDIA_TYPE, headers=headers)


def csv_of(known: Tuning) -> Response:
    """The registry rows of a result as a file to keep."""
    headers = {"Content-Disposition": f'attachment; filename="circuits-tuning-{known.tune_run_id}.csv"'}
    text = registry_csv(known.frames["registry"])
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)
