"""What keeps a browser from being turned against the service: Host and Origin checks, and response headers.

There are no identities here yet: whoever reaches the address may read and act. So the server answers only
under names it knows (a foreign page cannot reach it through a rebound DNS name), refuses state changes that
come from another origin, and tells browsers to run no script but its own.
"""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

from coilbook.api.headers import HEADERS
from coilbook.api.problems import problem_response
from coilbook.api.settings import Settings, is_wildcard
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})


class Guard:
    """ASGI middleware: refuses foreign hosts and foreign origins, adds the headers to every response."""

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self.app = app
        self._names = settings.answers_to()
        self._any_address = is_wildcard(settings.host)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request and pass it on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        headers = Headers(scope=scope)
        refusal = self._refusal(scope["method"], scope["scheme"], headers)
        if refusal is None:
            await self.app(scope, receive, send_guarded)
        else:
            status, detail = refusal
            await problem_response(status, detail, scope["path"])(scope, receive, send_guarded)

    def _refusal(self, method: str, scheme: str, headers: Headers) -> tuple[int, str] | None:
        host = headers.get("host", "")
        if not self._known(host):
            return 421, "this server does not answer to that host name; name it in COILBOOK_HOSTS"
        if method in SAFE_METHODS:
            return None
        origin = headers.get("origin")
        foreign = origin is not None and _netloc(origin, scheme) != host.lower()
        if foreign or headers.get("sec-fetch-site", "none") in ("cross-site", "same-site"):
            return 403, "changes are taken from this server's own pages only, not from another origin"
        return None

    def _known(self, host: str) -> bool:
        name = host_name(host)
        if name in self._names:
            return True
        return self._any_address and _is_address(name)


def host_name(host: str) -> str:
    """The name in a Host header, lower case, without its port."""
    if host.startswith("["):
        return host.partition("]")[0].lower() + "]"
    return host.partition(":")[0].lower()


def _is_address(name: str) -> bool:
    """True for an IP address: no DNS name, so it cannot have been rebound."""
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


def _netloc(origin: str, scheme: str) -> str:
    """Host and port of an Origin of the same scheme; '' for any other, `null` included."""
    parts = urlsplit(origin)
    return parts.netloc.lower() if parts.scheme == scheme else ""
