"""One case, and what people do to it."""

from __future__ import annotations

from typing import Annotated, Any

from coilbook.analytics.people import ConflictError, UnknownCase, Wanted, act
from coilbook.api.case_detail import case_acts, case_detail
from coilbook.api.case_models import ActBody, Acted, CaseDetail, ConflictProblem
from coilbook.api.fields import utc_now
from coilbook.api.problems import MEDIA_TYPE, ProblemError, described
from coilbook.api.routes.bodies import JsonOnly
from coilbook.api.routes.conditional import conditional
from coilbook.api.service import Service, ServiceDep
from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import JSONResponse

router = APIRouter(prefix="/api/cases", tags=["cases"])

CaseId = Annotated[
    str, Path(description="the case's id", examples=["chatter:dale-017-c1:2026-03-02"], max_length=600)
]
REFERENCE = "#/components/schemas/{model}"


def _conflict_schema() -> dict[str, Any]:
    """The schema of a 409; what it refers to is described with the routes' own answers."""
    schema = ConflictProblem.model_json_schema(ref_template=REFERENCE)
    schema.pop("$defs", None)
    return schema


CONFLICT: dict[int | str, dict[str, Any]] = {
    409: {
        "description": "Somebody acted on the case meanwhile",
        "content": {MEDIA_TYPE: {"schema": _conflict_schema()}},
    }
}


@router.get("/{case_id:path}", summary="One case", response_model=CaseDetail, responses=described(404, 422))
def case(request: Request, case_id: CaseId, service: ServiceDep) -> Response:
    """The case as it stands, what people did about it, and the evidence behind it; past cases too."""
    with service.store.reading() as session:
        found = case_detail(session, case_id, utc_now())
    if found is None:
        raise ProblemError(404, f"no case {case_id!r}")
    return conditional(request, found)


@router.post(
    "/{case_id:path}/acts",
    summary="Act on a case",
    status_code=201,
    response_model=Acted,
    dependencies=[JsonOnly],
    responses={**described(400, 404, 415, 422), **CONFLICT},
)
def act_on_case(request: Request, case_id: CaseId, wanted: ActBody, service: ServiceDep) -> Any:
    """Assign, snooze, note, close, reopen or undo. Send the `version` of the case as you saw it.

    If somebody acted since, the answer is 409 with what they did, and nothing is written. The same holds
    for a request sent twice: the second finds the first.
    """
    try:
        return _act(service, case_id, wanted)
    except UnknownCase as exc:
        raise ProblemError(404, str(exc)) from exc
    except ConflictError as exc:
        problem = ConflictProblem(
            type="about:blank",
            title="Conflict",
            status=409,
            detail=str(exc),
            instance=request.url.path,
            errors=[],
            version=exc.version,
            newer=case_acts(exc.newer),
        )
        return JSONResponse(problem.model_dump(mode="json"), 409, media_type=MEDIA_TYPE)


def _act(service: Service, case_id: str, wanted: ActBody) -> Acted:
    now = utc_now()
    with service.store.noting() as session:
        act_id = act(session, case_id, Wanted(**wanted.model_dump()), now)
        found = case_detail(session, case_id, now)
    assert found is not None
    made = next(done for done in found.acts if done.act_id == act_id)
    return Acted(act=made, case=found.case)
