"""A second process for work beside this one's: ``with Aside("module") as aside: aside.do("module:function", ...)``.

It starts loading the modules named at once, so that two processes load half of the libraries each, and then does what
it is given, in order, while this process goes on. On one core everything is done here, at once.
"""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys
from pkgutil import resolve_name
from types import TracebackType
from typing import IO, Any, Self


class Aside:
    """What is given to :meth:`do` is done when the context ends; the first fault of it is raised there."""

    def __init__(self, *modules: str) -> None:
        """Start the process, which loads ``modules`` meanwhile."""
        self._process: subprocess.Popen[bytes] | None = None
        if cores() > 1:
            call = [sys.executable, "-m", __name__, *modules]
            self._process = subprocess.Popen(call, stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def __enter__(self) -> Self:
        """Return this."""
        return self

    def do(self, function: str, *args: Any, **more: Any) -> None:
        """Have a function called, by name so that it need not be loaded here; what it returns is dropped.

        Raises:
            Exception: on one core, whatever the function raises.
        """
        if self._process is None:
            resolve_name(function)(*args, **more)
            return
        assert self._process.stdin is not None
        try:
            pickle.dump((function, args, more), self._process.stdin)
            self._process.stdin.flush()
        except BrokenPipeError:
            self.wait()

    def wait(self) -> None:
        """Wait until all that was given has been done.

        Raises:
            Exception: the first that one of the functions raised.
            RuntimeError: the process ended without a word.
        """
        process, self._process = self._process, None
        if process is None:
            return
        answer, _ = process.communicate()
        if process.returncode != 0 or not answer:
            raise RuntimeError(f"a process of this program ended with code {process.returncode}")
        fault = pickle.loads(answer)
        if fault is not None:
            raise fault

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Wait; after a fault here, end the process instead."""
        if kind is None:
            self.wait()
        elif self._process is not None:
            self._process.kill()
            self._process.communicate()


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _serve(calls: IO[bytes]) -> Exception | None:
    """Do what comes, up to the first fault; read on to the end, so that nobody writes to a closed pipe."""
    fault: Exception | None = None
    while True:
        try:
            function, args, more = pickle.load(calls)
        except EOFError:
            return fault
        if fault is None:
            try:
                resolve_name(function)(*args, **more)
            except Exception as found:
                fault = found


def _as_bytes(fault: Exception | None) -> bytes:
    try:
        return pickle.dumps(fault)
    except Exception:  # not every exception can be sent
        return pickle.dumps(RuntimeError(f"{type(fault).__name__}: {fault}"))


def main() -> None:
    """Load the modules of the command line, then do what standard input holds."""
    answer = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints is no answer
    for name in sys.argv[1:]:
        importlib.import_module(name)
    with answer:
        answer.write(_as_bytes(_serve(sys.stdin.buffer)))


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        sys.exit(130)  # the process that started this one was interrupted as well, and tells
