"""A number with its standing and its source: what every catalogue of radios, rules and cells is made of."""

from __future__ import annotations

from dataclasses import dataclass

from meshplan.sources import Standing


@dataclass(frozen=True)
class Figure:
    """A number with its standing and source; `low` and `high` bound it where the class spreads."""

    value: float
    standing: Standing
    source: str
    low: float | None = None
    high: float | None = None

    @property
    def needs_check(self) -> bool:
        """Whether the output marks the figure "check"."""
        return self.standing.needs_check
