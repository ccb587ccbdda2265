"""Ways out of the radio network at a gateway: the packaged table, and what `backhauls.toml` in a property folder adds."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from meshplan.inputs.catalogue import COMMON_COLUMNS, read_rows
from meshplan.inputs.columns import Column, number, text
from meshplan.records.backhaul import BackhaulClass

BACKHAUL_COLUMNS: Final = (
    *COMMON_COLUMNS,
    Column("price", "What it costs once.", number(0, 1e9), required=True),
    Column("price_per_year", "What it costs a year.", number(0, 1e9), required=True),
    Column("power_w", "What it draws all the time.", number(0, 10_000, unit="W"), unit="W"),
    Column("needs", "What must be there.", text(300)),
)


def read_backhauls(property_folder: Path | None = None) -> dict[str, BackhaulClass]:
    """Return all ways out by name; `backhauls.toml` in the property folder may add or replace some."""
    return read_rows("backhauls.toml", "backhaul", BACKHAUL_COLUMNS, lambda values: BackhaulClass(**values), property_folder)
