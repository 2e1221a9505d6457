"""The ledger of loads, and the rows held in quarantine."""

from __future__ import annotations

from typing import Annotated, Literal

from coilbook.analytics.queries import loads
from coilbook.api.fields import utc_now
from coilbook.api.models import HeldRow, LedgerEntry
from coilbook.api.problems import ProblemError, described
from coilbook.api.routes.bodies import JsonOnly
from coilbook.api.routes.parameters import Limit
from coilbook.api.service import ServiceDep
from coilbook.ingest.quarantine import release, release_rows
from coilbook.ingest.store import Store
from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, ConfigDict, Field

router = APIRouter(prefix="/api", tags=["loading"])

MOST = 2**63 - 1
Offset = Annotated[int, Query(ge=0, le=MOST, description="rows to pass over")]
LoadId = Annotated[int | None, Query(ge=0, le=MOST, description="only this load")]


class ReleaseRequest(BaseModel):
    """Which held rows to try again."""

    model_config = ConfigDict(extra="forbid")

    quarantine_ids: list[Annotated[int, Field(ge=0, le=MOST)]] | None = Field(
        None,
        max_length=10_000,
        description="numbers of the rows; empty = every row that can be released by now",
    )


class Released(BaseModel):
    """What a release did."""

    released: int = Field(description="rows that entered the store after all")
    still_held: int = Field(description="rows that stay in quarantine")


@router.get("/ledger", summary="List loads", responses=described(422))
def ledger(
    service: ServiceDep,
    load_id: LoadId = None,
    outcome: Annotated[
        Literal["loaded", "failed"] | None, Query(description="only loads that ended so")
    ] = None,
    limit: Limit = 200,
    offset: Offset = 0,
) -> list[LedgerEntry]:
    """Every file loaded, newest first, with what became of its rows."""
    with service.store.reading() as session:
        frame = loads.ledger(session, load_id=load_id, outcome=outcome, limit=limit, offset=offset)
    return [LedgerEntry.model_validate(row) for row in frame.to_dicts()]


@router.get("/ledger/{load_id}", summary="One load", responses=described(404, 422))
def one_load(
    service: ServiceDep, load_id: Annotated[int, Path(ge=0, le=MOST, description="number of the load")]
) -> LedgerEntry:
    """What became of one file."""
    with service.store.reading() as session:
        rows = loads.ledger(session, load_id=load_id).to_dicts()
    if not rows:
        raise ProblemError(404, f"no load {load_id}")
    return LedgerEntry.model_validate(rows[0])


@router.get("/quarantine", summary="List held rows", responses=described(422))
def quarantine(
    service: ServiceDep,
    state: Annotated[Literal["held", "released", "any"], Query(description="rows in this state")] = "held",
    reason: Annotated[str | None, Query(description="only this reason code", max_length=100)] = None,
    load_id: LoadId = None,
    limit: Limit = 200,
    offset: Offset = 0,
) -> list[HeldRow]:
    """Rows held back, newest first, each with its raw text, its line and the reason."""
    with service.store.reading() as session:
        frame = loads.quarantine(
            session,
            state=None if state == "any" else state,
            reason=reason,
            load_id=load_id,
            limit=limit,
            offset=offset,
        )
    return [HeldRow.model_validate(row) for row in frame.to_dicts()]


@router.post(
    "/quarantine/release",
    summary="Release held rows",
    dependencies=[JsonOnly],
    responses=described(415, 422, 503),
)
def release_held(service: ServiceDep, wanted: ReleaseRequest | None = None) -> Released:
    """Try held rows again; those that the registry or settings explain by now enter the store."""
    ids = wanted.quarantine_ids if wanted else None
    return service.worker.do(lambda: _release(service.store, ids))


def _release(store: Store, ids: list[int] | None) -> Released:
    before = _held(store)
    if ids is None:
        release(store, utc_now())
    else:
        release_rows(store, ids, utc_now())
    after = _held(store)
    return Released(released=before - after, still_held=after)


def _held(store: Store) -> int:
    with store.reading() as session:
        found = session.one("SELECT count(*) FROM quarantine WHERE state = 'held'")
    assert found is not None
    return int(found[0])
