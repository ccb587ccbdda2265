"""Files become records here, and nowhere else. Heavy readers are imported when they are first asked for."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from meshplan.inputs.antennas import read_antennas, read_cables
    from meshplan.inputs.cover_columns import describe_cover_columns
    from meshplan.inputs.elevation import read_elevation
    from meshplan.inputs.grid_choice import choose_grid
    from meshplan.inputs.property import read_property
    from meshplan.inputs.settings_file import describe_settings, read_settings
    from meshplan.inputs.site_columns import describe_site_columns

_HOME = {
    "choose_grid": "grid_choice",
    "describe_cover_columns": "cover_columns",
    "describe_settings": "settings_file",
    "describe_site_columns": "site_columns",
    "read_antennas": "antennas",
    "read_cables": "antennas",
    "read_elevation": "elevation",
    "read_property": "property",
    "read_settings": "settings_file",
}

__all__ = [
    "choose_grid",
    "describe_cover_columns",
    "describe_settings",
    "describe_site_columns",
    "read_antennas",
    "read_cables",
    "read_elevation",
    "read_property",
    "read_settings",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"meshplan.inputs.{_HOME[name]}"), name)
    raise AttributeError(f"module 'meshplan.inputs' has no attribute '{name}'")
