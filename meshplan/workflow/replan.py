"""The plan of a property that was changed since it was planned: what did not change is not computed again.

The folder, the settings in place of the file's and the radio class are read as they now are and compared with what the plan before
was made from, so that no change needs a rule of its own. Only what costs time is taken over: the ground as it was read, the land
laid on the grid, and each path that lies as before (`links.known_links`). The choice of gateways and relays is made anew, since of
several cheapest plans a search from the last one may find another than a full run: the same input gives the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from meshplan.explain.remedies import Correct
from meshplan.links.known_links import KnownLinks
from meshplan.links.link_table import LinkTable
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.planning.problem import SolveLimits
from meshplan.workflow.learned import correction_as_asked
from meshplan.workflow.plan import Planned, links_of_parts, links_together, plan_with_links
from meshplan.workflow.prepare import Prepared, prepare_property, refuse_unlawful
from meshplan.workflow.progress import OnProgress, silent


@dataclass(frozen=True, eq=False)
class Relinked:
    """A changed property with its links: what can be told of them before a plan is made."""

    prepared: Prepared
    links: LinkTable
    """As asked for: corrected where the plan before was."""
    known: tuple[KnownLinks, ...]
    notes: tuple[str, ...]
    calibrated: bool
    correct: Correct
    """What corrected them, for what is forecast later."""


def relink(
    previous: Planned, *, radio: str | None = None, overrides: dict[str, Any] | None = None, on_progress: OnProgress | None = None
) -> Relinked:
    """Return the links of a property as its folder now is; only paths that changed are computed.

    Parameters
    ----------
    previous : Planned
        The plan before the change, by `plan_property` or `replan_property`.
    radio : str, optional
        Radio class in place of the one asked for before.
    overrides : dict, optional
        Settings in place of those of the file, all of them; by default those of the plan before.
    on_progress : callable, optional
    """
    tell = on_progress or silent
    tell("Reading the property", 0, 0)
    before = previous.prepared
    made = previous.plan.made_with
    calibrated = made is not None and made.calibrated
    settings = before.base.overrides if overrides is None else overrides
    prepared = prepare_property(
        before.found.folder, radio=before.asked_radio if radio is None else radio, overrides=settings, known=before.base
    )
    refuse_unlawful(prepared)
    tell("Computing links", 0, 0)
    known = links_of_parts(
        prepared,
        draw_error_fields(prepared.landscape),
        known=previous.known,
        on_progress=lambda done, total: tell("Computing links", done, total),
    )
    correct, notes = correction_as_asked(prepared.found.folder, prepared.landscape.grid.crs, calibrated=calibrated, command="plan")
    links = correct(links_together(prepared, known))
    return Relinked(prepared, links, tuple(part for part in known if part is not None), notes, calibrated, correct)


def replan_property(
    previous: Planned,
    *,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
    limits: SolveLimits | None = None,
    on_progress: OnProgress | None = None,
) -> Planned:
    """Return the plan of a property as its folder now is: the same, to the byte, as `plan_property` makes.

    Parameters
    ----------
    previous, radio, overrides, on_progress
        As for `relink`.
    limits : SolveLimits, optional
        As for `plan_property`.
    """
    now = relink(previous, radio=radio, overrides=overrides, on_progress=on_progress)
    planned = plan_with_links(
        now.prepared,
        now.links,
        limits=limits,
        notes=now.notes,
        calibrated=now.calibrated,
        correct=now.correct,
        on_progress=on_progress,
    )
    return replace(planned, known=now.known)
