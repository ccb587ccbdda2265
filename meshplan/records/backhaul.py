"""Ways out of the radio network at a gateway."""

from __future__ import annotations

from dataclasses import dataclass

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
