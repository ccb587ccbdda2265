"""A property planned and its days simulated, frame by frame."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from meshplan.assembly.simulated import simulate_plan
from meshplan.records.simulation import BY_DATE, SimulationRecord
from meshplan.reporting.file_sets import all_or_nothing
from meshplan.workflow.airtime import running_of
from meshplan.workflow.devices import slots_of
from meshplan.workflow.plan import Planned, plan_property, solve_limits
from meshplan.workflow.progress import OnProgress, silent


def simulate_property(
    folder: Path,
    *,
    days: int = 30,
    seed: int = 1,
    fast: bool = False,
    season: str = BY_DATE,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
    calibrated: bool = False,
    on_progress: OnProgress | None = None,
) -> SimulationRecord:
    """Return simulated days of a property, planned as `plan_property` does.

    Parameters
    ----------
    folder, radio, overrides, calibrated
        As for `plan_property`.
    days, seed, fast, season
        As for `assembly.simulated.simulate_plan`.
    """
    tell = on_progress or silent
    planned = plan_property(
        folder, radio=radio, overrides=overrides, limits=solve_limits(None), calibrated=calibrated, on_progress=tell
    )
    tell("Simulating", 0, 0)
    return simulate_planned(planned, days=days, seed=seed, fast=fast, season=season)


def simulate_planned(
    planned: Planned, *, days: int = 30, seed: int = 1, fast: bool = False, season: str = BY_DATE
) -> SimulationRecord:
    """Return simulated days of a plan at hand."""
    prepared = planned.prepared
    running = running_of(prepared, planned.links, planned.result.plan)
    slots = slots_of(planned.plan, prepared, planned.links, running)
    return simulate_plan(
        planned.plan,
        running,
        planned.links,
        prepared.seasons,
        prepared.base.catalogue,
        prepared.found.settings,
        days=days,
        seed=seed,
        fast=fast,
        season=season,
        hemisphere=prepared.base.hemisphere,
        slots=slots.for_simulation(),
        slots_note=slots.sentence,
    )


def write_simulation(record: SimulationRecord, folder: Path) -> tuple[Path, ...]:
    """Write simulation.json and its tables, all or none of them; return their paths."""
    from meshplan.reporting.simulation_files import write_simulation_files  # noqa: PLC0415

    with all_or_nothing(folder) as scratch:
        names = [path.relative_to(scratch) for path in write_simulation_files(record, scratch)]
    return tuple(folder / name for name in names)
