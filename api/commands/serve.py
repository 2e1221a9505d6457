"""`coilbook serve`: API, pages and nightly jobs in one process."""

from __future__ import annotations

from typing import Annotated

import typer
from coilbook.api.commands.options import RulesOption, StoreOption
from coilbook.api.settings import read_settings


def serve(
    host: Annotated[
        str | None, typer.Option("--host", help="Address to listen on.", show_default=False)
    ] = None,
    port: Annotated[
        int | None,
        typer.Option("--port", min=0, max=65535, help="Port; 0 = any free one.", show_default=False),
    ] = None,
    rules: RulesOption = None,
    store: StoreOption = None,
) -> None:
    """Serve the API and the pages, and run the nightly jobs, until stopped."""
    from coilbook.api.serving import serve as serve_store  # late: other commands need no web server

    serve_store(read_settings(host=host, port=port, rules=rules, store=store))
