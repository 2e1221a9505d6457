"""The file beside a store by which the command line finds the server that holds it.

`<store>.server` holds JSON: address, port, process id and a random token, readable by its owner alone. Who
can read it may ask the server to load local files and to write backups.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from dataclasses import asdict, dataclass
from pathlib import Path

from coilbook.ingest.errors import StoreInUse


@dataclass(frozen=True)
class ServerPlace:
    """Where a server listens for its own machine, and the token it asks for."""

    host: str
    port: int
    pid: int
    token: str

    @staticmethod
    def here(host: str, port: int) -> ServerPlace:
        """That of this process, with a fresh token."""
        return ServerPlace(host, port, os.getpid(), secrets.token_urlsafe(32))


def side_file(store: Path) -> Path:
    """Path of the side file of `store`."""
    return store.with_name(f"{store.name}.server")


def write_side_file(store: Path, place: ServerPlace) -> None:
    """Write the side file whole or not at all, mode 600."""
    target = side_file(store)
    draft = target.with_name(f"{target.name}.{place.pid}")
    draft.unlink(missing_ok=True)
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        json.dump(asdict(place), file)
    draft.replace(target)


def remove_side_file(store: Path, place: ServerPlace) -> None:
    """Remove the side file if it is still ours."""
    with contextlib.suppress(StoreInUse, OSError):
        if read_side_file(store) == place:
            side_file(store).unlink()


def read_side_file(store: Path) -> ServerPlace:
    """The server that holds `store`. Raises `StoreInUse` where no side file tells."""
    path = side_file(store)
    try:
        return ServerPlace(**json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise StoreInUse(
            f"store {store} is held by another process, and no server has left {path.name} beside it; "
            "end that process, or wait for it"
        ) from None
    except (OSError, ValueError, TypeError) as exc:
        raise StoreInUse(
            f"store {store} is held by another process, and {path} cannot be read: {exc}; "
            "the same user who started the server must ask it"
        ) from exc
