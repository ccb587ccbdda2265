"""The Python API: the same functions that the command line calls, imported when they are first asked for."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from meshplan.workflow.calibrate import calibrate_property, write_calibrated
    from meshplan.workflow.catalogue import read_catalogue
    from meshplan.workflow.check import check_property
    from meshplan.workflow.compare import compare_radios
    from meshplan.workflow.next_places import propose_next_places
    from meshplan.workflow.pilot import choose_pilot
    from meshplan.workflow.plan import Planned, plan_property, solve_limits, write_plan
    from meshplan.workflow.plan_check import check_plan
    from meshplan.workflow.prepare import Prepared, prepare_property
    from meshplan.workflow.profile import profile_between
    from meshplan.workflow.replan import Relinked, relink, replan_property
    from meshplan.workflow.review import review_logs, write_review
    from meshplan.workflow.sheets import find_plan, stored_walk, walk_fits, write_plan_sheets
    from meshplan.workflow.simulate import simulate_property, write_simulation

_HOME = {
    "Planned": "plan",
    "Prepared": "prepare",
    "Relinked": "replan",
    "calibrate_property": "calibrate",
    "check_plan": "plan_check",
    "check_property": "check",
    "choose_pilot": "pilot",
    "compare_radios": "compare",
    "find_plan": "sheets",
    "plan_property": "plan",
    "prepare_property": "prepare",
    "profile_between": "profile",
    "propose_next_places": "next_places",
    "read_catalogue": "catalogue",
    "relink": "replan",
    "replan_property": "replan",
    "review_logs": "review",
    "simulate_property": "simulate",
    "solve_limits": "plan",
    "stored_walk": "sheets",
    "walk_fits": "sheets",
    "write_calibrated": "calibrate",
    "write_plan": "plan",
    "write_plan_sheets": "sheets",
    "write_review": "review",
    "write_simulation": "simulate",
}

__all__ = [
    "Planned",
    "Prepared",
    "Relinked",
    "calibrate_property",
    "check_plan",
    "check_property",
    "choose_pilot",
    "compare_radios",
    "find_plan",
    "plan_property",
    "prepare_property",
    "profile_between",
    "propose_next_places",
    "read_catalogue",
    "relink",
    "replan_property",
    "review_logs",
    "simulate_property",
    "solve_limits",
    "stored_walk",
    "walk_fits",
    "write_calibrated",
    "write_plan",
    "write_plan_sheets",
    "write_review",
    "write_simulation",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"meshplan.workflow.{_HOME[name]}"), name)
    raise AttributeError(f"module 'meshplan.workflow' has no attribute '{name}'")
