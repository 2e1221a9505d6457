"""Errors as RFC 9457 problem details: one shape for every answer that is not a success."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from coilbook.api.headers import HEADERS
from coilbook.api.worker import Busy, Stopped
from coilbook.ingest.errors import InputError
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import Response

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_S = 10

log = logging.getLogger(__name__)


class FieldFault(BaseModel):
    """One parameter or field that cannot be used."""

    where: str = Field(description="place of the value, outermost first", examples=["query.limit"])
    message: str = Field(
        description="what was expected", examples=["Input should be less than or equal to 500"]
    )


class Problem(BaseModel):
    """RFC 9457 problem details. `type` is always `about:blank`: the status says the kind of problem."""

    type: str = Field("about:blank", description="kind of problem [URI]")
    title: str = Field(description="the status in words", examples=["Not Found"])
    status: int = Field(description="HTTP status", examples=[404])
    detail: str = Field(description="what was wrong, and what to do", examples=["no site 'fen-9'"])
    instance: str = Field(description="path that was asked for", examples=["/api/sites/fen-9"])
    errors: list[FieldFault] = Field([], description="with status 422, each value that cannot be used")


class ProblemError(Exception):
    """Raised by routes to answer with a problem."""

    def __init__(self, status: int, detail: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.headers = dict(headers or {})


def problem_response(
    status: int,
    detail: str,
    instance: str,
    *,
    errors: list[FieldFault] | None = None,
    headers: Mapping[str, str] | None = None,
) -> JSONResponse:
    """The answer for one problem."""
    body = Problem(
        type="about:blank",
        title=HTTPStatus(status).phrase,
        status=status,
        detail=detail,
        instance=instance,
        errors=errors or [],
    )
    return JSONResponse(body.model_dump(), status, dict(headers or {}), MEDIA_TYPE)


def described(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """`responses=` of a route: the problems it can answer with."""
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    return {status: {"description": HTTPStatus(status).phrase, "content": content} for status in statuses}


def add_problem_handlers(app: FastAPI) -> None:
    """Answer every error of `app` with a problem."""
    app.add_exception_handler(ProblemError, _on_problem)
    app.add_exception_handler(HTTPException, _on_http)
    app.add_exception_handler(RequestValidationError, _on_validation)
    app.add_exception_handler(InputError, _on_input)
    app.add_exception_handler(Busy, _on_busy)
    app.add_exception_handler(Stopped, _on_busy)
    app.add_exception_handler(Exception, _on_fault)


async def _on_problem(request: Request, exc: Exception) -> Response:
    assert isinstance(exc, ProblemError)
    return problem_response(exc.status, exc.detail, request.url.path, headers=exc.headers)


async def _on_http(request: Request, exc: Exception) -> Response:
    assert isinstance(exc, HTTPException)
    details = {
        404: f"nothing at {request.url.path}",
        405: f"{request.method} is not allowed here; see the Allow header",
    }
    said = exc.detail if exc.detail != HTTPStatus(exc.status_code).phrase else ""
    detail = said or details.get(exc.status_code) or HTTPStatus(exc.status_code).description
    return problem_response(exc.status_code, detail, request.url.path, headers=exc.headers)


async def _on_validation(request: Request, exc: Exception) -> Response:
    assert isinstance(exc, RequestValidationError)
    faults = [
        FieldFault(where=".".join(str(part) for part in fault["loc"]), message=fault["msg"])
        for fault in exc.errors()
    ]
    named = "; ".join(f"{fault.where}: {fault.message}" for fault in faults)
    return problem_response(422, named or "the request cannot be used", request.url.path, errors=faults)


async def _on_input(request: Request, exc: Exception) -> Response:
    return problem_response(422, str(exc), request.url.path)


async def _on_busy(request: Request, exc: Exception) -> Response:
    headers = {"Retry-After": str(RETRY_AFTER_S)}
    return problem_response(503, f"{exc}; ask again later", request.url.path, headers=headers)


async def _on_fault(request: Request, exc: Exception) -> Response:
    """A fault of ours: the caller learns that, and nothing of the inside. The server logs the traceback."""
    detail = "the server failed on this request; its log says why"
    return problem_response(500, detail, request.url.path, headers=HEADERS)  # made outside all middleware
