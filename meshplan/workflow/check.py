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
    parts = prepared.parts or (prepared,)
    numbers = [f" {number}" for number in range(1, len(parts) + 1)] if len(parts) > 1 else [""]
    facts = (
        ("property", found.settings.name),
        ("sites", ", ".join(f"{count} {role.value}{'s' if count != 1 else ''}" for role, count in sites.items())),
        ("cover", f"{len(found.covers)} piece{'s' if len(found.covers) != 1 else ''}" if found.covers else "none"),
        ("boundary", "yes" if found.boundary is not None else "none"),
        ("grid", f"{grid.columns} × {grid.rows} cells of {grid.cell_m:g} m"),
        *((f"radio{number}", part.radio.title) for number, part in zip(numbers, parts, strict=True)),
        *((f"rules{number}", part.lawfulness.sentence) for number, part in zip(numbers, parts, strict=True)),
        ("seasons", ", ".join(season.name for season in prepared.seasons)),
        ("candidate links", f"{sum(len(candidate_pairs(part.stations)) for part in parts)} to compute"),
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
