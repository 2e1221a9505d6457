"""Pages for people and the files they need. No page asks any other host for anything."""

from __future__ import annotations

from coilbook.api import page_acts, page_callout, page_fleet, page_loads, page_morning, page_site
from coilbook.api.page_answer import missing, takes_gzip
from coilbook.dashboards import static_files
from fastapi import APIRouter, Request
from fastapi.responses import Response

router = APIRouter(include_in_schema=False)


@router.get("/static/{name}")
def static(request: Request, name: str) -> Response:
    """A file under its public name, which changes with its content: it may be kept for good."""
    found = static_files.by_public_name(name)
    if found is None:
        return missing("No such file", "Reload the page that asked for it; the file has changed since.")
    headers = {"Cache-Control": "public, max-age=31536000, immutable", "Vary": "Accept-Encoding"}
    if takes_gzip(request):
        headers["Content-Encoding"] = "gzip"
        return Response(found.packed, headers=headers, media_type=found.content_type)
    return Response(found.body, headers=headers, media_type=found.content_type)


# A site's id may hold slashes, so that its page takes what no longer address has taken before.
for part in (page_morning, page_acts, page_callout, page_site, page_fleet, page_loads):
    router.include_router(part.router)
