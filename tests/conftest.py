"""Made plans, shared by every test that needs one; each is made once in a run."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

# Tests run side by side, one to a core; threads of the linear algebra would only wait for each other. Set before it is
# loaded, and handed on to the commands that tests start.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Commands that tests start are compiled once, as installed ones are, and not at every start.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import pytest
from hypothesis import settings

from tests.maker import MadePlan, PlanSpec, make_plan

# The same examples at every run, so that a change is judged by what it changed; new ones are sought by hand, with
# --hypothesis-profile=default.
settings.register_profile("repeatable", derandomize=True)
settings.load_profile("repeatable")

FIXTURES = Path(__file__).resolve().parents[1] / "fixtures"


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Callable[[PlanSpec], MadePlan]:
    """Return a function from a spec to its plan, kept for the whole session."""
    kept: dict[PlanSpec, MadePlan] = {}

    def make(spec: PlanSpec) -> MadePlan:
        if spec not in kept:
            kept[spec] = make_plan(spec, tmp_path_factory.mktemp("made"))
        return kept[spec]

    return make


@pytest.fixture(scope="session")
def fixtures_dir() -> Path:
    """Return the folder of the committed pictures."""
    return FIXTURES
