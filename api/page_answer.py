"""How pages are sent: packed, with an ETag, and kept in memory where many ask for the same."""

from __future__ import annotations

from contextlib import suppress
from functools import lru_cache

from coilbook.analytics.rule_settings import RuleSettings, read_settings
from coilbook.api.page_cache import KeptPage, PageCache
from coilbook.api.service import Service
from coilbook.dashboards.render import render
from fastapi import Request
from fastapi.responses import Response

HTML = "text/html; charset=utf-8"


def cache(service: Service) -> PageCache:
    """The pages kept for one server."""
    return _cache_of(id(service))


@lru_cache(maxsize=8)
def _cache_of(_: int) -> PageCache:
    return PageCache()


def rules(service: Service) -> RuleSettings:
    """The rule settings in force."""
    return _read_rules(service.settings.rules)


_read_rules = lru_cache(maxsize=4)(read_settings)


def whole(text: str, otherwise: int) -> int:
    """A whole number of at least 1 from the address, or `otherwise`."""
    with suppress(ValueError):
        return min(max(1, int(text)), 1_000_000_000)
    return otherwise


def missing(title: str, said: str) -> Response:
    """A page that says what is not there, with status 404."""
    return Response(render("missing.html", title=title, said=said), 404, media_type=HTML)


def answer(request: Request, page: KeptPage, status: int = 200) -> Response:
    """The page, or 304 where the browser holds it already."""
    headers = {"ETag": page.etag, "Cache-Control": "private, no-cache", "Vary": "Accept-Encoding, Cookie"}
    if status == 200 and page.etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return packed(request, page.body, page.packed, HTML, headers, status)


def packed(
    request: Request,
    body: bytes,
    packed_body: bytes,
    media_type: str,
    headers: dict[str, str],
    status: int = 200,
) -> Response:
    """`body`, or `packed_body` where the browser takes gzip."""
    if "gzip" in request.headers.get("accept-encoding", ""):
        headers = {**headers, "Content-Encoding": "gzip"}
        return Response(packed_body, status, headers=headers, media_type=media_type)
    return Response(body, status, headers=headers, media_type=media_type)
