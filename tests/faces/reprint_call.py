"""The reprint's command line, run as a builder does."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def reprint(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    call = [sys.executable, "-m", "digitize.cli", "reprint", *map(str, words)]
    return subprocess.run(call, capture_output=True, text=True, check=False, cwd=ROOT, timeout=120)
