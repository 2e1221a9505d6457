"""Uploaded files: streamed to a folder of their own under names of ours, loaded, and removed.

The name a client gives stands in the ledger and is never used as a path; the content tells the format.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import AsyncGenerator
from dataclasses import dataclass
from pathlib import Path

from coilbook.api.problems import ProblemError
from coilbook.api.routes.bodies import media_type
from fastapi import Request
from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser

MOST_FILES = 1000
FIELD = "files"
PROFILE = "profile"


@dataclass(frozen=True)
class Upload:
    """What a request brought: each file's path here with the name the client gave, and the profile if any."""

    files: list[tuple[Path, str]]
    profile: Path | None


async def receive(request: Request, folder: Path, limit_bytes: int) -> Upload:
    """Write the files of a multipart request to `folder`. Raises `ProblemError` 413, 415 or 422."""
    if media_type(request) != "multipart/form-data":
        raise ProblemError(
            415, "expected a body of type multipart/form-data", {"Accept": "multipart/form-data"}
        )
    declared = request.headers.get("content-length", "")
    if declared.isdigit() and int(declared) > limit_bytes:
        raise _too_large(limit_bytes)
    parser = MultiPartParser(
        request.headers, _limited(request, limit_bytes), max_files=MOST_FILES, max_fields=MOST_FILES
    )
    try:
        form = await parser.parse()
    except (MultiPartException, KeyError, ValueError) as exc:
        reason = getattr(exc, "message", "") or "it cannot be taken apart"
        raise ProblemError(422, f"multipart body: {reason}") from exc
    try:
        files: list[tuple[Path, str]] = []
        profile = None
        for field, value in form.multi_items():
            if not isinstance(value, UploadFile) or field not in (FIELD, PROFILE):
                raise ProblemError(
                    422, f"field {field!r}: expected files in {FIELD!r}, and a profile in {PROFILE!r}"
                )
            if not value.filename and not value.size:
                continue  # what browsers send for a field in which no file was chosen
            number = len(files) + 1
            place = folder / f"{number:04d}"
            if field == PROFILE:
                place = profile = folder / "profile.toml"
            else:
                files.append((place, shown_name(value.filename or "", number)))
            await run_in_threadpool(_copy, value, place)
    finally:
        await form.close()
    if not files:
        raise ProblemError(422, f"no file in field {FIELD!r}")
    return Upload(files, profile)


def _copy(upload: UploadFile, place: Path) -> None:
    with place.open("wb") as target:
        shutil.copyfileobj(upload.file, target)


async def _limited(request: Request, limit_bytes: int) -> AsyncGenerator[bytes, None]:
    """The body, cut off with 413 once it is too large, whatever its headers said."""
    taken = 0
    async for chunk in request.stream():
        taken += len(chunk)
        if taken > limit_bytes:
            raise _too_large(limit_bytes)
        yield chunk


def _too_large(limit_bytes: int) -> ProblemError:
    return ProblemError(
        413, f"an upload may hold {limit_bytes / 1e6:g} MB; load larger ones by the command line"
    )


def shown_name(name: str, number: int) -> str:
    """The client's name as it stands in the ledger: its last part, printable, not too long."""
    last = re.split(r"[/\\]", name)[-1]
    clean = "".join(letter for letter in last if letter.isprintable())[-200:]
    return clean or f"file-{number}"
