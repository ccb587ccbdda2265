"""One call for each command, on a folder or on a property made in code."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from meshplan.errors import InputError
from meshplan.notebook.in_code import PropertyInCode
from meshplan.notebook.views import PlanLink, PropertyPlan, RadioComparison

if TYPE_CHECKING:
    from meshplan.reporting.check_text import CheckReport
    from meshplan.workflow.calibrate import Calibrated
    from meshplan.workflow.progress import OnProgress

Place = str | Path | PropertyInCode
"""A property folder, or a property made in code."""


def folder_of(place: Place) -> Path:
    """Return the folder of a property."""
    return place.folder if isinstance(place, PropertyInCode) else Path(place)


def check(place: Place, *, radio: str | None = None, overrides: dict[str, Any] | None = None) -> CheckReport:
    """Return what a property holds and what would be assumed; all faults are raised together.

    Parameters
    ----------
    place
        Folder, or a property made in code.
    radio : str, optional
        Radio class in place of the one in property.toml.
    overrides : dict, optional
        Settings in place of those in property.toml, nested or with dotted keys.
    """
    from meshplan.workflow.check import check_property

    return check_property(folder_of(place), radio=radio, overrides=overrides)


def plan(
    place: Place,
    *,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
    calibrated: bool = False,
    seconds: float | None = None,
    on_progress: OnProgress | None = None,
) -> PropertyPlan:
    """Return the cheapest gateways and relays that serve every sensor, with links, routes, map and proof.

    Parameters
    ----------
    place, radio, overrides
        As for `check`.
    calibrated : bool
        Whether to use what readings taught.
    seconds : float, optional
        Most time to look for a cheaper plan; without it the result never depends on the machine.
    on_progress : callable, optional
        Told of every stage: words, steps done, steps in all.
    """
    from meshplan.workflow.plan import plan_property, solve_limits

    planned = plan_property(
        folder_of(place),
        radio=radio,
        overrides=overrides,
        limits=solve_limits(seconds),
        calibrated=calibrated,
        on_progress=on_progress,
    )
    return PropertyPlan(planned.plan, planned)


def replan(
    previous: PropertyPlan,
    *,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
    seconds: float | None = None,
    on_progress: OnProgress | None = None,
) -> PropertyPlan:
    """Return the plan of a property that was changed since: the same as `plan` makes, without computing what did not change.

    Whatever changed is found by comparing: files of the folder (sites, changes.csv, cover, elevation, settings), the settings in
    place of those of the file, the radio class.

    Parameters
    ----------
    previous
        The plan before the change, made by `plan` or `replan`.
    radio : str, optional
        Radio class in place of the one that the plan before was asked for.
    overrides : dict, optional
        Settings in place of those in property.toml, all of them; by default those of the plan before.
    seconds, on_progress
        As for `plan`.
    """
    from meshplan.workflow.plan import solve_limits
    from meshplan.workflow.replan import replan_property

    if previous.planned is None:
        raise InputError(
            "this plan was read from a file, which does not hold the land", where="previous", fix="Make it with meshplan.plan."
        )
    limits = solve_limits(seconds)
    planned = replan_property(previous.planned, radio=radio, overrides=overrides, limits=limits, on_progress=on_progress)
    return PropertyPlan(planned.plan, planned)


def read_plan(path: str | Path) -> PropertyPlan:
    """Return a plan from its plan.json; all but the map is there."""
    from meshplan.inputs.plan_file import read_plan_json

    return PropertyPlan(read_plan_json(Path(path)))


def compare(
    place: Place,
    classes: Sequence[str] = (),
    *,
    overrides: dict[str, Any] | None = None,
    seconds: float | None = None,
    on_progress: OnProgress | None = None,
) -> RadioComparison:
    """Return the property planned once for each radio class (all by default), with a recommendation."""
    from meshplan.workflow.compare import compare_radios
    from meshplan.workflow.plan import solve_limits

    limits = solve_limits(seconds)
    folder = folder_of(place)
    return RadioComparison(compare_radios(folder, classes=classes, overrides=overrides, limits=limits, on_progress=on_progress))


def profile(
    place: Place,
    a: str,
    b: str,
    *,
    antenna_a_agl_m: float | None = None,
    antenna_b_agl_m: float | None = None,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
) -> PlanLink:
    """Return one link in full between two sites, or two places as "latitude,longitude"."""
    from meshplan.workflow.profile import profile_between

    link, _, assumptions = profile_between(
        folder_of(place),
        a,
        b,
        antenna_a_agl_m=antenna_a_agl_m,
        antenna_b_agl_m=antenna_b_agl_m,
        radio=radio,
        overrides=overrides,
    )
    return PlanLink(link, None, assumptions)


def calibrate(place: Place, readings: str | Path | Sequence[str | Path], **options: Any) -> Calibrated:
    """Return what readings teach, the plan before and after, and where to measure next; options are those of `calibrate_property`.

    Nothing is written; `meshplan.workflow.write_calibrated` keeps the result in the folder.
    """
    from meshplan.workflow.calibrate import calibrate_property

    tables = [readings] if isinstance(readings, str | Path) else readings
    return calibrate_property(folder_of(place), [Path(table) for table in tables], **options)


def catalogue(what: str = "radios", keys: Sequence[str] = ()) -> dict[str, Any]:
    """Return radio classes, antennas, cables, regions, boards or cells by key.

    >>> sorted(catalogue("radios", ["ble-1m"]))
    ['ble-1m']
    """
    from meshplan.workflow.catalogue import read_catalogue

    return read_catalogue(what, None, keys)
