"""Page templates with escaping on, and the words they may use."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

import jinja2
from coilbook.dashboards import palette, shapes, static_files, words
from coilbook.dashboards.evidence import evidence_address

FOLDER = Path(__file__).parent / "templates"


def render(template: str, **seen: Any) -> str:
    """The page `template` with what it is given. A name that a template misses is an error, not a blank."""
    return _environment().get_template(template).render(**seen)


def _rows_address(spec: str) -> str:
    """The address of a chart's rows from that of its spec."""
    path, mark, query = spec.partition("?")
    return f"{path.removesuffix('.json')}.csv{mark}{query}"


def _quoted(text: str) -> str:
    """The text as one part of a path: its slashes, too, are quoted."""
    return quote(text, safe="")


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(FOLDER),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.globals.update(
        words=words,
        palette=palette,
        href=static_files.href,
        shape=shapes.severity_shape,
        strip=shapes.strip,
        strip_key=shapes.strip_key,
        evidence_address=evidence_address,
    )
    environment.filters.update(bound=words.bound, quoted=_quoted, rows_address=_rows_address)
    return environment
