"""The command line as a person runs it: a process of its own with real files, its exit code and what it says.

Python's own start and the loading of packages take longer than most of what is tested. Where the system can, a process
that has loaded them, and done nothing else, is kept for a run of the tests, and each command runs in a fork of it.
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOADED = ["tests.command", "digitize.cli.app", "digitize.cli.work", "digitize.pipeline", "digitize.writers"]


def boutline(*words: str | Path, cwd: Path = ROOT, timeout: float = 240.0) -> subprocess.CompletedProcess[str]:
    """Return what the command ``boutline`` with some words came to.

    Raises:
        subprocess.TimeoutExpired: it took longer than ``timeout`` seconds.
    """
    call = [str(word) for word in words]
    if "forkserver" not in multiprocessing.get_all_start_methods():
        whole = [sys.executable, "-m", "digitize.cli", *call]
        return subprocess.run(whole, capture_output=True, text=True, check=False, cwd=cwd, timeout=timeout)
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
    sys.argv = ["boutline", *words]
    from digitize.cli.app import main

    main()
