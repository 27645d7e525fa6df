"""Standard output kept for the product, whatever a library prints meanwhile, and whoever has closed it."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import TextIOWrapper
from typing import TextIO

import typer

STANDARD = (0, 1, 2)


def open_streams() -> None:
    """Open standard streams that were closed, to nowhere, and let them take any name of a file.

    Else the next file opened would become standard output, and a library's words would go into it.
    """
    for number in STANDARD:
        try:
            os.fstat(number)
        except OSError:
            null = os.open(os.devnull, os.O_RDWR)
            if null != number:
                os.dup2(null, number)
                os.close(null)
    sys.stdout = sys.stdout or _to_nowhere()
    sys.stderr = sys.stderr or _to_nowhere()
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")


def _to_nowhere() -> TextIO:
    return open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123 - it stays open as long as the process


def say(text: str, *, err: bool = False) -> None:
    """Print a line; where nobody takes it, the results are as good as before, and so is the exit code."""
    stream = sys.stderr if err else sys.stdout
    try:
        typer.echo(text, err=err)
    except BrokenPipeError:  # whoever read it has read enough
        _silence(stream)
    except (OSError, ValueError) as fault:
        _silence(stream)
        if not err:
            why = fault.strerror if isinstance(fault, OSError) else str(fault)
            say(f"note: what was to be printed could not be written: {why}", err=True)


def _silence(stream: TextIO) -> None:
    """Send a stream to nowhere with what waits in it, or it would fail once more as the process ends."""
    with suppress(OSError, ValueError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, stream.fileno())
        os.close(null)
        stream.flush()


@contextmanager
def stdout_to_stderr() -> Iterator[None]:
    """Send file descriptor 1 to 2 for a while, so that native libraries are caught as well as Python."""
    sys.stdout.flush()
    kept = os.dup(1)
    os.dup2(2, 1)
    try:
        yield
    finally:
        try:
            sys.stdout.flush()
        except OSError:  # standard error takes nothing; a library's words are not worth a fault
            _silence(sys.stdout)
        os.dup2(kept, 1)
        os.close(kept)
