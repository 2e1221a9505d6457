"""Writing whole files: beside the target first, then into its place in one step."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from coilbook.ingest.errors import InputError


@contextmanager
def replacing(target: Path, *, overwrite: bool = True) -> Iterator[Path]:
    """A path to write to; what stands there at the end becomes `target`, whole or not at all.

    `InputError` where the file cannot be written, or where it exists and must not be overwritten.
    """
    if not overwrite and target.exists():
        raise InputError(f"{target} exists already; name another file")
    beside = target.with_name(f".{target.name}.{secrets.token_hex(4)}")
    try:
        yield beside
        if overwrite:
            os.replace(beside, target)
        else:
            os.link(beside, target)
    except FileExistsError as exc:
        raise InputError(f"{target} exists already; name another file") from exc
    except OSError as exc:
        raise InputError(f"{target} cannot be written: {exc.strerror or exc}") from exc
    finally:
        beside.unlink(missing_ok=True)
