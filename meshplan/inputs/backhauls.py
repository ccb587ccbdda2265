"""Ways out of the radio network at a gateway: the packaged table, and what `backhauls.toml` in a property folder adds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from meshplan.inputs.antennas import COMMON_COLUMNS, read_entries
from meshplan.inputs.columns import Column, number, text
from meshplan.sources import Standing


@dataclass(frozen=True)
class BackhaulClass:
    """A kind of way out and what it costs; money in the currency of the prices."""

    name: str
    title: str
    price: float
    price_per_year: float
    source: str
    standing: Standing
    power_w: float = 0.0
    """What it draws all the time."""
    needs: str = ""
    """What must be there."""

    @property
    def origin(self) -> str:
        """Where its figures come from, in words."""
        return f"{self.source} ({self.standing.value})"


BACKHAUL_COLUMNS: Final = (
    *COMMON_COLUMNS,
    Column("price", "What it costs once.", number(0, 1e9), required=True),
    Column("price_per_year", "What it costs a year.", number(0, 1e9), required=True),
    Column("power_w", "What it draws all the time.", number(0, 10_000, unit="W"), unit="W"),
    Column("needs", "What must be there.", text(300)),
)


def read_backhauls(property_folder: Path | None = None) -> dict[str, BackhaulClass]:
    """Return all ways out by name; `backhauls.toml` in the property folder may add or replace some."""
    return read_entries("backhauls.toml", "backhaul", BACKHAUL_COLUMNS, lambda values: BackhaulClass(**values), property_folder)
