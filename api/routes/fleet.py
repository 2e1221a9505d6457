"""The fleet over time."""

from __future__ import annotations

from typing import Annotated

from coilbook.analytics.queries import contactors, firmware, fleet
from coilbook.api.fleet_models import CasesOfWeek, ContactorsDue, FirmwareRate, RulePrecision, WorstCircuit
from coilbook.api.problems import described
from coilbook.api.routes.parameters import Limit
from coilbook.api.service import ServiceDep
from fastapi import APIRouter, Query

router = APIRouter(prefix="/api/fleet", tags=["fleet"])

Order = Annotated[fleet.Order, Query(description="what counts most")]


@router.get("/cases", summary="Cases by week", responses=described(422))
def cases(
    service: ServiceDep,
    weeks: Annotated[int, Query(ge=1, le=260, description="weeks up to the newest log")] = 26,
) -> list[CasesOfWeek]:
    """Cases by rule and area for each week; combinations without any are left out."""
    with service.store.reading() as session:
        frame = fleet.cases_by_week(session, weeks=weeks)
    return [CasesOfWeek.model_validate(row) for row in frame.to_dicts()]


@router.get("/precision", summary="Measured precision of the rules", responses=described(422))
def precision(service: ServiceDep) -> list[RulePrecision]:
    """How often each rule was right where somebody went to see, for the rules with a closed case."""
    with service.store.reading() as session:
        frame = fleet.measured_precision(session)
    return [RulePrecision.model_validate(row) for row in frame.to_dicts()]


@router.get("/circuits", summary="Worst circuits", responses=described(422))
def circuits(
    service: ServiceDep,
    days: Annotated[int, Query(ge=1, le=366, description="days up to the newest log")] = 28,
    order: Order = "cases",
    limit: Limit = 20,
) -> list[WorstCircuit]:
    """The circuits with most cases, highest yearly cost, or most starts."""
    with service.store.reading() as session:
        frame = fleet.worst_circuits(session, days=days, order=order, limit=limit)
    return [WorstCircuit.model_validate(row) for row in frame.to_dicts()]


@router.get("/contactors", summary="Contactors due, with a parts list", responses=described(422))
def contactors_due(
    service: ServiceDep,
    quarters: Annotated[int, Query(ge=1, le=80, description="quarters from the current one on")] = 8,
) -> ContactorsDue:
    """Contactors by the quarter in which 80 % of their life is expected to be used."""
    with service.store.reading() as session:
        plan = contactors.contactor_plan(session, quarters=quarters)
    told = {**vars(plan), "due": plan.due.to_dicts(), "parts": plan.parts.to_dicts()}
    return ContactorsDue.model_validate(told)


@router.get("/firmware", summary="Before and after a firmware version", responses=described(422))
def firmware_cohorts(
    service: ServiceDep,
    days: Annotated[int, Query(ge=1, le=91, description="days on either side of the change")] = 28,
    within: Annotated[int, Query(ge=1, le=366, description="how long ago a version may have come [d]")] = 182,
) -> list[FirmwareRate]:
    """Starts, short runs and findings per circuit-week of the same circuits before and after a version came.

    The season goes on meanwhile, so that a difference is a question and not an answer.
    """
    with service.store.reading() as session:
        frame = firmware.firmware_cohorts(session, days=days, within=within)
    return [FirmwareRate.model_validate(row) for row in frame.to_dicts()]
