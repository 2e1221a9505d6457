"""Reviews: start one, list them."""

from __future__ import annotations

from coilbook.api.fields import Instant
from coilbook.api.models import ReviewDone
from coilbook.api.problems import described
from coilbook.api.routes.bodies import JsonOnly
from coilbook.api.routes.parameters import Limit
from coilbook.api.service import ServiceDep
from fastapi import APIRouter
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

router = APIRouter(prefix="/api/reviews", tags=["review"])


class ReviewRequest(BaseModel):
    """How to review."""

    model_config = ConfigDict(extra="forbid")

    as_of: AwareDatetime | None = Field(
        None, description="leave out logs from this instant on [RFC 3339]", examples=["2026-03-20T06:00:00Z"]
    )


@router.post("", summary="Review now", dependencies=[JsonOnly], responses=described(415, 422, 503))
def review(service: ServiceDep, wanted: ReviewRequest | None = None) -> ReviewDone:
    """Bring facts, findings and cases up to date. Answers when that is done; 503 when too much work waits."""
    as_of: Instant | None = wanted.as_of if wanted else None
    return service.worker.do(lambda: service.operations.review(as_of=as_of, progress=service.worker.check))


@router.get("", summary="List reviews", responses=described(422))
def reviews(service: ServiceDep, limit: Limit = 50) -> list[ReviewDone]:
    """Reviews done, newest first."""
    with service.store.reading() as session:
        frame = session.frame("FROM review ORDER BY review_id DESC LIMIT ?", [limit])
    return [ReviewDone.model_validate(row) for row in frame.to_dicts()]
