"""How pages are sent: packed, with an ETag, and kept in memory where many ask for the same."""

from __future__ import annotations

from collections.abc import Hashable
from contextlib import suppress
from datetime import datetime
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


def answer(request: Request, page: KeptPage, media_type: str = HTML) -> Response:
    """The page, or 304 where the browser holds it already."""
    headers = {"ETag": page.etag, "Cache-Control": "private, no-cache", "Vary": "Accept-Encoding, Cookie"}
    if page.etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    if takes_gzip(request):
        headers["Content-Encoding"] = "gzip"
        return Response(page.packed, headers=headers, media_type=media_type)
    return Response(page.body, headers=headers, media_type=media_type)


def takes_gzip(request: Request) -> bool:
    """True where the client says that it unpacks gzip."""
    return "gzip" in request.headers.get("accept-encoding", "")


def as_it_stands(request: Request, service: Service, *more: Hashable) -> tuple[Hashable, ...]:
    """The key of an answer that holds until anything in the store changes; `more` is the rest of it."""
    return (service.store.version, request.url.path, request.url.query, *more)


def this_hour(now: datetime) -> datetime:
    """The hour begun: whatever hangs on the clock, such as the end of a snooze, is looked at once an hour."""
    return now.replace(minute=0, second=0, microsecond=0)


def as_the_logs_stand(request: Request, service: Service) -> tuple[Hashable, ...]:
    """The key of an answer that does not hang on what people do: it holds until the next load or review."""
    return ("logs", service.store.logs_version, request.url.path, request.url.query)
