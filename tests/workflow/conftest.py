"""Demo properties planned once for all tests of the workflow, with their files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from meshplan.records import Plan
from meshplan.workflow import Planned, plan_property, write_plan

SAMPLES = Path(__file__).resolve().parents[2] / "sample_sites"


@dataclass(frozen=True, eq=False)
class PlannedDemo:
    """A demo property with its plan and the files written for it."""

    folder: Path
    planned: Planned
    out: Path
    files: tuple[Path, ...]

    @property
    def plan(self) -> Plan:
        """The plan record."""
        return self.planned.plan


@pytest.fixture(scope="session")
def planned_demo(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], PlannedDemo]:
    """Return a function that plans a demo property by the name of its folder, each only once."""
    known: dict[str, PlannedDemo] = {}

    def plan_it(name: str) -> PlannedDemo:
        if name not in known:
            planned = plan_property(SAMPLES / name)
            out = tmp_path_factory.mktemp(name)
            known[name] = PlannedDemo(SAMPLES / name, planned, out, write_plan(planned, out))
        return known[name]

    return plan_it
