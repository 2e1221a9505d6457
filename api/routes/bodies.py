"""Which bodies a route takes: anything else is refused with 415 (RFC 9110, 15.5.16)."""

from __future__ import annotations

from coilbook.api.problems import ProblemError
from fastapi import Depends, Request


def media_type(request: Request) -> str:
    """The body's media type, lower case and without parameters; '' where none is named."""
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


async def _json_only(request: Request) -> None:
    has_body = request.headers.get("content-length", "0") != "0" or "transfer-encoding" in request.headers
    if has_body and media_type(request) != "application/json":
        raise ProblemError(415, "expected a body of type application/json", {"Accept": "application/json"})


JsonOnly = Depends(_json_only)
"""For routes with a JSON body."""
