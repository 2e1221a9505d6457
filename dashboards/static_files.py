"""Files that pages ask for, named by their content so that browsers may keep them for good.

The chart library comes whole from the vl-convert wheel, which puts it together in some seconds: it is named
by the wheel's version, and made once, ahead of its first use if `warm` was called.
"""

from __future__ import annotations

import gzip
import hashlib
import threading
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path

import vl_convert

FOLDER = Path(__file__).parent / "static"
TYPES = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}
BUNDLE = "vega.js"
EXPOSED = "window.vegaEmbed = vegaEmbed;"
_BUNDLING = threading.Lock()


@dataclass(frozen=True)
class StaticFile:
    """One file as served; `packed` is its body in gzip."""

    public_name: str
    content_type: str
    body: bytes
    packed: bytes


@lru_cache(maxsize=32)
def public_name(name: str) -> str:
    """`name` with 12 digits of the SHA-256 of its content; `KeyError` where there is no such file."""
    if name not in names():
        raise KeyError(name)
    told = version("vl-convert-python").encode() if name == BUNDLE else (FOLDER / name).read_bytes()
    stem, dot, ending = name.rpartition(".")
    return f"{stem}.{hashlib.sha256(told).hexdigest()[:12]}{dot}{ending}"


def static_file(name: str) -> StaticFile:
    """The file called `name`; `KeyError` where there is none."""
    with _BUNDLING:
        return _read(name)


@lru_cache(maxsize=32)
def _read(name: str) -> StaticFile:
    body = vl_convert.javascript_bundle(EXPOSED).encode() if name == BUNDLE else (FOLDER / name).read_bytes()
    kind = TYPES[name[name.rindex(".") :]]
    return StaticFile(public_name(name), kind, body, gzip.compress(body, 6, mtime=0))


def warm() -> None:
    """Begin to put the chart library together in the background."""
    threading.Thread(target=static_file, args=(BUNDLE,), name="chart-library", daemon=True).start()


@lru_cache(maxsize=1)
def names() -> tuple[str, ...]:
    """The files there are."""
    return (BUNDLE, *sorted(path.name for path in FOLDER.iterdir() if path.suffix in TYPES))


def by_public_name(asked: str) -> StaticFile | None:
    """The file that a page asked for by its public name, if its content is still that."""
    stem, _, rest = asked.partition(".")
    name = f"{stem}.{rest.rpartition('.')[2]}"
    if name not in names() or public_name(name) != asked:
        return None
    return static_file(name)


def href(name: str) -> str:
    """Where a page finds `name`."""
    return f"/static/{public_name(name)}"
