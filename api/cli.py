"""The command line. Every error is one line on stderr; what a command prints on stdout is data."""

from __future__ import annotations

import logging
import os
import signal
import sys
import threading
from types import FrameType
from typing import Annotated

import typer
from coilbook.api.commands import backup, cases, demo, export, load, review, serve, site, tune
from coilbook.api.settings import PREFIX
from coilbook.api.version import program_version
from coilbook.ingest.errors import CoilbookError, InputError

COMMANDS = (
    demo.demo,
    load.load,
    review.review,
    cases.cases,
    site.site,
    tune.tune,
    export.export,
    serve.serve,
    backup.backup,
    backup.restore,
)
"""The commands in the order of the help."""

DONE, FAILED, WRONG_USE, INTERRUPTED = 0, 1, 2, 130

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for command in COMMANDS:
    app.command()(command)


def _show_version(wanted: bool) -> None:
    if wanted:
        print(f"coilbook {program_version()}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def options(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", help="Show the version.", is_eager=True, callback=_show_version)
    ] = False,
) -> None:
    """Reads the switching logs of installed load controllers and says which sites need somebody, and why."""
    if context.invoked_subcommand is None:
        print(context.get_help())
        raise typer.Exit(WRONG_USE)


def main() -> int:
    """Run the command line; returns the exit code: 0 done, 1 failed, 2 wrong use, 130 interrupted."""
    stopped = threading.Event()

    def stop(number: int, frame: FrameType | None) -> None:
        stopped.set()
        raise KeyboardInterrupt

    # The database turns an interrupt into an error of its own; so Ctrl-C is remembered where it arrives.
    signal.signal(signal.SIGINT, stop)
    try:
        code = _run(stopped)
        sys.stdout.flush()
    except BrokenPipeError:  # the reader of a pipe has gone; nothing is left to say to it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    return code


def _run(stopped: threading.Event) -> int:
    try:
        found = app(prog_name="coilbook", standalone_mode=False)
    except (typer.Abort, KeyboardInterrupt):
        return INTERRUPTED
    except InputError as exc:
        return _failed(exc, WRONG_USE)
    except CoilbookError as exc:
        return INTERRUPTED if stopped.is_set() else _failed(exc, FAILED)
    except BrokenPipeError:
        raise
    except OSError as exc:
        return _failed(exc, FAILED)
    except Exception as exc:
        if stopped.is_set():
            return INTERRUPTED
        usage = getattr(exc, "format_message", None)
        if usage is not None and getattr(exc, "exit_code", None) == WRONG_USE:
            return _failed(str(usage()), WRONG_USE)
        return _failed(
            f"unexpected {type(exc).__name__}: {exc} (set {PREFIX}LOG_LEVEL=debug for more)", FAILED
        )
    return found if isinstance(found, int) else DONE


def _failed(what: object, code: int) -> int:
    line = " ".join(str(what).split())
    print(f"coilbook: {line}", file=sys.stderr)
    if os.environ.get(f"{PREFIX}LOG_LEVEL", "").lower() == "debug":
        logging.getLogger(__name__).error("traceback", exc_info=True)
    return code


if __name__ == "__main__":
    sys.exit(main())
