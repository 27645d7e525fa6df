"""The server of the desk: this machine alone, one plan, until it is stopped."""

from __future__ import annotations

import contextlib
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from calibration.errors import UsageError
from digitize.desk.app import Desk, application
from digitize.desk.plan_file import PlanFile
from digitize.desk.run import Runs, check_folder
from digitize.read import read_picture

LOOPBACK = "127.0.0.1"
BACKLOG = 64
STOP_WITHIN_S = 2
TOKEN_BYTES = 24


def run_desk(
    plan: Path, out: Path | None, *, port: int, browser: bool, replace: bool, tell: Callable[[str], None]
) -> None:
    """Serve the desk of a plan until Ctrl-C; ``tell`` is given the address once it answers.

    Args:
        plan: a plan file or a picture.
        out: the folder of the results; beside the plan where None.
        port: 0 for any free one.
        browser: open it there too.
        replace: results in the folder that no desk made may be overwritten.
        tell: prints a line.

    Raises:
        UsageError: the plan, the folder or the port cannot be used.
        Refusal: the picture cannot be read.
    """
    plan_file = PlanFile(plan)
    folder = out or plan_file.path.with_name(f"{plan_file.path.stem}-desk")
    check_folder(folder, replace=replace)
    picture = read_picture(plan_file.image, plan_file.page, plan_file.captured)
    runs = Runs(folder, picture.sha256)
    desk = Desk(plan_file, picture, runs)
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with _listening(port) as place:
        here = place.getsockname()[1]
        config = uvicorn.Config(
            application(desk, here, token), http="h11", ws="none", lifespan="off", log_level="warning",
            access_log=False, server_header=False, timeout_graceful_shutdown=STOP_WITHIN_S,
        )  # fmt: skip
        # After the hash sign: no server is sent it, and no log shows it.
        address = f"http://{LOOPBACK}:{here}/#{token}"
        tell(address)
        if browser:
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        try:
            with contextlib.suppress(KeyboardInterrupt):
                uvicorn.Server(config).run(sockets=[place])
        finally:
            runs.cancel()
            runs.close()


def _listening(port: int) -> socket.socket:
    place = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    place.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        place.bind((LOOPBACK, port))
        place.listen(BACKLOG)
    except (OSError, OverflowError) as fault:
        place.close()
        raise UsageError("port-taken", port=port, why=getattr(fault, "strerror", None) or str(fault)) from fault
    return place
