"""Routes that read ids from the address as it was sent."""

from __future__ import annotations

from urllib.parse import unquote

from fastapi.routing import APIRoute
from starlette.routing import Match
from starlette.types import Scope


class QuotedRoute(APIRoute):
    """A route matched against the address before it is unquoted; its parameters are unquoted one by one.

    An id may hold slashes and end in what another address ends in, such as `barn/callout`. Sent quoted, as
    every page does, it is one part of the path and cannot be taken for two.
    """

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        """As in `APIRoute`; the path of a matched scope stays quoted, so that two ids never share one."""
        if "raw_path" not in scope:
            return super().matches(scope)
        raw = scope["raw_path"].partition(b"?")[0].decode("latin-1")
        match, child = super().matches({**scope, "path": raw})
        if match is Match.NONE:
            return match, child
        found = {name: unquote(value) for name, value in child["path_params"].items()}
        return match, {**child, "path_params": found, "path": raw}
