"""Is a property folder fit to plan?"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from meshplan.links.pairs import candidate_pairs
from meshplan.records import Role
from meshplan.reporting.check_text import CheckReport
from meshplan.workflow.prepare import prepare_property, refusal_of


def check_property(folder: Path, *, radio: str | None = None, overrides: dict[str, Any] | None = None) -> CheckReport:
    """Return what a property folder holds and what would be assumed; faults are raised."""
    prepared = prepare_property(folder, radio=radio, overrides=overrides)
    found, grid = prepared.found, prepared.landscape.grid
    sites = {role: sum(site.role is role for site in found.sites) for role in Role}
    facts = (
        ("property", found.settings.name),
        ("sites", ", ".join(f"{count} {role.value}{'s' if count != 1 else ''}" for role, count in sites.items())),
        ("cover", f"{len(found.covers)} pieces" if found.covers else "none"),
        ("boundary", "yes" if found.boundary is not None else "none"),
        ("grid", f"{grid.columns} × {grid.rows} cells of {grid.cell_m:g} m"),
        ("radio", prepared.radio.title),
        ("rules", prepared.lawfulness.sentence),
        ("seasons", ", ".join(season.name for season in prepared.seasons)),
        ("candidate links", f"{len(candidate_pairs(prepared.stations))} to compute"),
    )
    refusal = refusal_of(prepared)
    refused = () if refusal is None else (str(refusal),)
    return CheckReport(
        title=f"{folder}: {'fit to plan' if not refused else 'not fit to plan'}",
        good=not refused,
        facts=facts,
        assumptions=prepared.assumptions,
        warnings=found.warnings,
        faults=refused,
    )
