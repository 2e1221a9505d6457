"""Files that pages ask for, named by their content so that browsers may keep them for good.

The chart library comes whole from the vl-convert wheel, which puts it together in some seconds during which
no other thread runs: that is done once, in a process of its own, ahead of the first use if `warm` was called.
Its name carries the wheel's version.
"""

from __future__ import annotations

import gzip
import hashlib
import subprocess
import sys
import threading
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path

FOLDER = Path(__file__).parent / "static"
TYPES = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}
BUNDLE = "vega.js"
BUNDLER = "import sys, vl_convert as v; sys.stdout.buffer.write(v.javascript_bundle(sys.argv[1]).encode())"
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
    if name != BUNDLE:
        return _read(name)
    with _BUNDLING:  # so that it is made once, and no other file waits for it
        return _read(name)


@lru_cache(maxsize=32)
def _read(name: str) -> StaticFile:
    body = _bundle() if name == BUNDLE else (FOLDER / name).read_bytes()
    kind = TYPES[name[name.rindex(".") :]]
    return StaticFile(public_name(name), kind, body, gzip.compress(body, 6, mtime=0))


def _bundle() -> bytes:
    made = subprocess.run([sys.executable, "-c", BUNDLER, EXPOSED], capture_output=True, check=True)
    return made.stdout


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
