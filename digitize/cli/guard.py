"""Standard output kept for the product, whatever a library prints meanwhile."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def stdout_to_stderr() -> Iterator[None]:
    """Send file descriptor 1 to 2 for a while, so that native libraries are caught as well as Python."""
    sys.stdout.flush()
    kept = os.dup(1)
    os.dup2(2, 1)
    try:
        yield
    finally:
        sys.stdout.flush()
        os.dup2(kept, 1)
        os.close(kept)
