"""A link as the plan shows it: its budget by season, how clear it is, what would mend it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from meshplan.records.short_form import Facts, ShortForm, rounded_down


@dataclass(frozen=True)
class BudgetItem:
    """One line of a link budget. `value_db` is positive; `is_loss` says which way it counts. A power in dBm is a gain."""

    name: str
    value_db: float
    is_loss: bool
    source: str

    @property
    def signed_db(self) -> float:
        """The figure as it is added up."""
        return -self.value_db if self.is_loss else self.value_db


@dataclass(frozen=True)
class Clearance:
    """How clear a path is. Heights of obstacles are metres above the straight line between the antennas (negative: below)."""

    kind: str
    """"clear", "in the zone" (within the first Fresnel zone, below the line), "blocked", or "not known" over a hole in the data."""
    first_fresnel_share: float
    """Least clearance as a share of the first Fresnel radius (1 is a whole zone clear, below 0 the line is blocked)."""
    clearance_m: float
    at_m: float
    obstacle: str
    sentence: str


@dataclass(frozen=True)
class Spread:
    """Standard deviations of a link's loss in dB, by cause."""

    model_db: float
    elevation_db: float
    vegetation_db: float
    soil_db: float
    antenna_db: float
    clutter_db: float = 0.0
    """What stands around the ends and is in no layer."""

    @property
    def total_db(self) -> float:
        """All causes together, as independent errors."""
        far = self.model_db**2 + self.elevation_db**2 + self.vegetation_db**2 + self.soil_db**2 + self.antenna_db**2
        return math.sqrt(far + self.clutter_db**2)


@dataclass(frozen=True)
class SeasonResult:
    """A link in one season. Margins are median power over sensitivity; the chance counts the fade margin and the spread."""

    season: str
    losses: tuple[BudgetItem, ...]
    path_loss_db: float
    received_at_b_dbm: float
    received_at_a_dbm: float
    margin_at_b_db: float
    margin_at_a_db: float
    spread: Spread
    chance: float


@dataclass(frozen=True)
class Remedy:
    """One change that would help: what to do, where, and what it gives."""

    change: str
    device: str
    gain_db: float
    chance_after: float
    suffices: bool
    raised_to_m: float | None = None
    """Height above ground that the antenna is to be raised to; None where the change is another."""
    above_roof: bool = False
    """Whether it then stands above the roof of the building it was in."""
    cautions: tuple[str, ...] = ()
    """Safety texts that go with the change."""
    columns: dict[str, str] = field(default_factory=dict)
    """What to write in the row of the place to plan again with it; an empty word clears a column. Empty where there is no row."""
    route: tuple[str, ...] = ()
    """The way that the sensor takes then, where it is not told by the link; `chance_after` is that of the whole way."""
    lacks: str = ""
    """What keeps it from sufficing, where that is not the strength of the link."""

    @property
    def shortfall(self) -> str:
        """Why it is not enough, in words; empty where it is."""
        return "" if self.suffices else self.lacks or "not enough alone"


@dataclass(frozen=True)
class ProfileRecord:
    """The land between two antennas as the engine saw it, for charts. Heights without Earth curvature; equal spacing."""

    step_m: float
    ground_amsl_m: tuple[float, ...]
    cover_m: tuple[float, ...]
    cover_kind: tuple[int, ...]
    """Index into `Plan.cover_kinds`, 0 for open ground."""
    effective_earth_radius_km: float


@dataclass(frozen=True, repr=False)
class Link(ShortForm):
    """A link between two devices at given antenna heights, both ways, in every season."""

    key: str
    a: str
    b: str
    distance_m: float
    bearing_deg: float
    """From a to b, clockwise from true north."""
    frequency_mhz: float
    antenna_a_agl_m: float
    antenna_b_agl_m: float
    gains_a_to_b: tuple[BudgetItem, ...]
    gains_b_to_a: tuple[BudgetItem, ...]
    sensitivity_a_dbm: float
    sensitivity_b_dbm: float
    fade_margin_db: float
    seasons: tuple[SeasonResult, ...]
    worst_season: str
    first_failing_month: str
    """Empty if it holds in all months looked at."""
    clearance: Clearance
    chance: float
    """In the worst season and the weaker direction."""
    margin_db: float
    """Median margin in the worst season and the weaker direction."""
    required_margin_db: float
    verdict: str
    """One of `VERDICTS`."""
    sentence: str
    causes: tuple[str, ...]
    remedies: tuple[Remedy, ...] = ()
    profile: ProfileRecord | None = None
    chosen: bool = False
    notes: tuple[str, ...] = ()
    radio: str = ""
    """Key of the radio class at both ends."""

    def short_facts(self) -> Facts:
        """Return ends, length, chance and verdict."""
        return (
            ("a", self.a),
            ("b", self.b),
            ("distance_m", round(self.distance_m)),
            ("margin_db", round(self.margin_db, 1)),
            ("chance", rounded_down(self.chance)),
            ("verdict", self.verdict),
        )

    def season(self, name: str) -> SeasonResult:
        """Return the result of one season."""
        return next(result for result in self.seasons if result.season == name)


VERDICTS = ("ample", "good", "thin", "failing", "not sure")
"""Best first; "not sure" says that the data cannot tell."""


VERDICT_WORDS = {
    "ample": "works with margin to spare",
    "good": "should work",
    "thin": "may work, test it before you rely on it",
    "failing": "will probably not work",
    "not sure": "the data cannot tell, measure it",
}
