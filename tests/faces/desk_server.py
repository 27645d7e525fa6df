"""A desk as a real process, for tests that talk to it."""

from __future__ import annotations

import http.client
import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
WITHIN_S = 60


@dataclass(frozen=True)
class Served:
    """Where a desk answers, and with which token."""

    address: str
    port: int
    token: str
    process: subprocess.Popen[str]

    def ask(
        self, path: str, body: object = None, method: str | None = None, **headers: str | None
    ) -> tuple[int, dict[str, str], bytes]:
        """Ask by hand, every header as told; None leaves one out. Return status, headers and body."""
        sent: dict[str, str | None] = {"Host": f"127.0.0.1:{self.port}", "Authorization": f"Bearer {self.token}"}
        packed = None
        if body is not None:
            packed = body if isinstance(body, bytes) else json.dumps(body).encode()
            sent |= {"Content-Type": "application/json", "Content-Length": str(len(packed))}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WITHIN_S)
        try:
            line.putrequest(
                method or ("GET" if body is None else "POST"), path, skip_host=True, skip_accept_encoding=True
            )
            for name, value in sent.items():
                if value is not None:
                    line.putheader(name, value)
            line.endheaders(packed)
            answer = line.getresponse()
            return answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()
        finally:
            line.close()

    def told(self, path: str, body: object = None) -> Any:
        """Ask for JSON and return it."""
        status, _, content = self.ask(path, body)
        assert status == 200, content
        return json.loads(content)


@contextmanager
def desk(plan: Path, *words: str) -> Iterator[Served]:
    """Serve a plan until the block ends, then stop it as Ctrl-C does."""
    call = [sys.executable, "-m", "digitize.cli", "desk", str(plan), "--no-browser", *words]
    process = subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        assert address, process.communicate()[1]
        place, token = address.split("/#")
        yield Served(address, int(place.rsplit(":", 1)[1]), token, process)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        try:
            process.communicate(timeout=WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


def sheet(folder: Path, name: str = "sheet.png") -> Path:
    """Write a small sheet without any rule: a rounded shape and nothing else."""
    grey = np.full((900, 1300), 250, dtype=np.uint8)
    cv2.ellipse(grey, (600, 450), (420, 300), 0, 0, 360, 30, 4, cv2.LINE_AA)
    assert cv2.imwrite(str(folder / name), grey)
    return folder / name
