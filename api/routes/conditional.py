"""Answers that a client may keep: strong ETag, and 304 where it holds the same already (RFC 9110, 13.1.2)."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from fastapi import Request
from fastapi.responses import Response
from pydantic import BaseModel


def conditional(request: Request, body: BaseModel, headers: Mapping[str, str] | None = None) -> Response:
    """`body` as JSON with its ETag, or 304 where `If-None-Match` names it."""
    text = body.model_dump_json().encode()
    etag = f'"{hashlib.sha256(text).hexdigest()[:32]}"'
    told = {**(headers or {}), "ETag": etag, "Cache-Control": "private, no-cache"}
    if _holds(request.headers.get("if-none-match", ""), etag):
        return Response(status_code=304, headers=told)
    return Response(text, headers=told, media_type="application/json")


def _holds(if_none_match: str, etag: str) -> bool:
    """Weak comparison, as the standard asks for this header."""
    given = [tag.strip().removeprefix("W/") for tag in if_none_match.split(",")]
    return "*" in given or etag in given
