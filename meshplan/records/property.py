"""A whole property as it was read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from meshplan.grid import Elevation
from meshplan.records.cover import Cover
from meshplan.records.short_form import Facts, ShortForm
from meshplan.records.site import Site
from meshplan.records.utility import Utility
from meshplan.settings import PropertySettings

if TYPE_CHECKING:
    import shapely


@dataclass(frozen=True, eq=False, repr=False)
class Property(ShortForm):
    """Everything that was read about a property, on one local metric grid."""

    folder: Path
    settings: PropertySettings
    sites: tuple[Site, ...]
    covers: tuple[Cover, ...]
    boundary: shapely.Geometry | None
    """Shapely polygon on the grid, or None."""
    elevation: Elevation
    cover_reach_m: tuple[tuple[float, float, float, float], ...]
    """West, south, east, north of each cover file on the grid, whether or not its shapes lie on the property."""
    grid_sentence: str
    """Why the grid is as it is."""
    assumptions: tuple[str, ...]
    """All that was assumed or taken by default and matters to the plan."""
    warnings: tuple[str, ...]
    """What looks odd and was not read or not changed."""
    accounted_m: tuple[tuple[float, float, float, float], ...] | None = None
    """Squares of the land for which open data account (extracts, classes of rasters); None where no such file is read."""
    utilities: tuple[Utility, ...] = ()
    """Overhead wires and buried pipes that are mapped on the land, on the grid."""
    wires_read: bool = False
    """Whether any file told of wires at all."""
    credits: tuple[str, ...] = ()
    """Who must be named where the land is shown."""
    search_ground: shapely.Geometry | None = None
    """Areas on the grid in which relay candidates are looked for; None for the whole land."""
    changes: tuple[Mapping[str, str], ...] = ()
    """Rows of changes.csv as written, by column."""

    def short_facts(self) -> Facts:
        """Return name, counts and grid."""
        grid = self.elevation.grid
        return (
            ("name", self.settings.name),
            ("sites", len(self.sites)),
            ("covers", len(self.covers)),
            ("grid", f"{grid.columns} × {grid.rows} cells of {grid.cell_m:g} m"),
        )
