"""The command line as a person runs it: a process of its own with real files, its exit code and what it says.

Python's own start and the loading of packages take longer than most of what is tested. Where the system can, a process
that has loaded them, and done nothing else, is kept for a run of the tests, and each command runs in a fork of it. At
least one test of each command has a fresh process: what a command has to load by itself shows only there.
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
COMMANDS = ("ahead", "all_files", "batch", "fit", "halves", "mold", "pipeline", "print_check", "reprint", "writers")
LOADED = ["tests.command", "digitize.cli.app", "digitize.cli.work", *(f"digitize.{name}" for name in COMMANDS)]
# Usage is wrapped to the terminal's width, and nothing may depend on files that a person keeps at home.
FIXED = {"COLUMNS": "120", "HOME": "/nonexistent"}


def boutline(
    *words: str | Path, cwd: Path = ROOT, timeout: float = 240.0, fresh: bool = False
) -> subprocess.CompletedProcess[str]:
    """Return what the command ``boutline`` with some words came to, in a fresh process or a fork of the loaded one.

    Raises:
        subprocess.TimeoutExpired: it took longer than ``timeout`` seconds.
    """
    call = [str(word) for word in words]
    if fresh or "forkserver" not in multiprocessing.get_all_start_methods():
        whole = [sys.executable, "-m", "digitize.cli", *call]
        environment = {**os.environ, **FIXED, "PYTHONPATH": str(ROOT)}
        return subprocess.run(
            whole, capture_output=True, text=True, check=False, cwd=cwd, env=environment, timeout=timeout
        )
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(LOADED)
    with tempfile.TemporaryDirectory() as folder:
        out, err = Path(folder, "out"), Path(folder, "err")
        process = context.Process(target=_run, args=(call, cwd, out, err))
        process.start()
        process.join(timeout)
        if process.exitcode is None:
            process.kill()
            process.join()
            raise subprocess.TimeoutExpired(call, timeout)
        said = [part.read_text(encoding="utf-8") for part in (out, err)]
    return subprocess.CompletedProcess(call, process.exitcode, *said)


def _run(words: list[str], cwd: Path, out: Path, err: Path) -> None:
    """Be the command: in its folder, saying what it says into files."""
    for path, stream in ((out, 1), (err, 2)):
        file = os.open(path, os.O_WRONLY | os.O_CREAT)
        os.dup2(file, stream)
        os.close(file)
    os.chdir(cwd)
    os.environ.update(FIXED)
    sys.argv = ["boutline", *words]
    from digitize.cli.app import main

    main()
