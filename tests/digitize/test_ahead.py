"""Two threads that load modules which load each other are a deadlock that Python ends with an error."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np

# Runs the outline with a finder first in the row that finds nothing and notes who asks, and for what.
WATCHED = """
import json, sys, threading
from pathlib import Path
asked = {}
class Watch:
    def find_spec(self, name, path=None, target=None):
        asked.setdefault(threading.current_thread().name, []).append(name)
from digitize.ahead import BESIDE, run_outline
sys.meta_path.insert(0, Watch())
run_outline(Path(sys.argv[1]), Path(sys.argv[2]))
print(json.dumps({"main": asked["MainThread"], "beside": asked.get(BESIDE, [])}))
"""


def test_what_is_read_at_once_loads_nothing_while_the_program_loads(tmp_path: Path) -> None:
    blank = tmp_path / "blank.png"  # read long before the program is there
    assert cv2.imwrite(str(blank), np.full((2200, 1700), 255, dtype=np.uint8))
    call = [sys.executable, "-c", WATCHED, str(blank), str(tmp_path / "out")]
    done = subprocess.run(call, capture_output=True, text=True, check=True, timeout=120)
    asked = json.loads(done.stdout)
    assert any(name.startswith("scipy.") for name in asked["main"])
    assert asked["beside"] == []


# Calls with a file where the out folder would be, and tells which threads are left.
DROPPED = """
import sys, threading
from pathlib import Path
from calibration.errors import UsageError
from digitize.ahead import BESIDE, run_outline
try:
    run_outline(Path(sys.argv[1]), Path(sys.argv[1]))
except UsageError:
    print([thread.name for thread in threading.enumerate() if thread.name == BESIDE])
"""


def test_a_run_that_is_dropped_leaves_nothing_at_work(tmp_path: Path) -> None:
    """The process would end with it in the middle of a library's threads, which abort then."""
    blank = tmp_path / "blank.png"
    assert cv2.imwrite(str(blank), np.full((2200, 1700), 255, dtype=np.uint8))
    call = [sys.executable, "-c", DROPPED, str(blank)]
    done = subprocess.run(call, capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stdout) == (0, "[]\n")
