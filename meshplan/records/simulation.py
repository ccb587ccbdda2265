"""What came of simulated days, beside what the plan expects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

BY_DATE: Final = "by date"
WORST: Final = "worst"
"""Seasons are chosen by name, as the calendar has leaves and crops, or for each link the worst one, as the plan counts."""

DELAY_STEPS_S: Final = (1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 900.0, 3600.0)
"""Upper ends of the classes that delays are counted in; the last class is open."""


@dataclass(frozen=True)
class SimulatedRoute:
    """What became of one sensor's readings, or of the commands to it."""

    device: str
    is_command: bool
    readings: int
    arrived: int
    lost_by_fading: int
    lost_by_collision: int
    lost_receiver_sending: int
    delay_median_s: float
    delay_95_s: float
    """Time within which 95 of 100 of those that arrived did; NaN if none did."""
    delay_longest_s: float
    planned_share: float | None
    """Share that the plan expects to arrive in the busiest hour, in the worst season; None for commands."""

    @property
    def share(self) -> float:
        """Share that arrived."""
        return self.arrived / self.readings if self.readings else float("nan")


@dataclass(frozen=True)
class SimulatedDevice:
    """What one radio had on the air, and what that leaves in its cells."""

    device: str
    frames: int
    frames_failed_by_fading: int
    frames_failed_by_collision: int
    frames_failed_receiver_sending: int
    airtime_share: float
    planned_airtime_share: float
    duty_limit: float
    life_years: float
    """On its cells, if every day were like these; infinite without cells, NaN where nobody says or in the fast mode."""
    planned_life_years: float


@dataclass(frozen=True)
class SimulatedChannel:
    """What one channel carried."""

    channel: str
    load: float
    planned_load: float


@dataclass(frozen=True)
class SimulatedDay:
    """One day."""

    day_of_year: int
    season: str
    readings: int
    arrived: int


@dataclass(frozen=True)
class SimulatedRun:
    """All days with one way of sending."""

    way: str
    """"random offsets" or "slots"."""
    routes: tuple[SimulatedRoute, ...]
    devices: tuple[SimulatedDevice, ...]
    channels: tuple[SimulatedChannel, ...]
    days: tuple[SimulatedDay, ...]
    delays: tuple[int, ...]
    """Readings that arrived in each class of delay."""

    @property
    def readings(self) -> int:
        """Readings of all sensors, without commands."""
        return sum(route.readings for route in self.routes if not route.is_command)

    @property
    def arrived(self) -> int:
        """Those that arrived."""
        return sum(route.arrived for route in self.routes if not route.is_command)

    @property
    def frames_collided(self) -> int:
        """Frames lost because another one, or the receiver itself, was on the air."""
        return sum(each.frames_failed_by_collision + each.frames_failed_receiver_sending for each in self.devices)

    @property
    def frames(self) -> int:
        """All frames, acknowledgements not counted."""
        return sum(each.frames for each in self.devices)


@dataclass(frozen=True)
class SimulationRecord:
    """Simulated days of a plan."""

    property_name: str
    number_of_days: int
    fast: bool
    """Whether all sensors that have a fast mode were in it."""
    season: str
    seed: int
    delay_steps_s: tuple[float, ...]
    runs: tuple[SimulatedRun, ...]
    slots_note: str
    """What slots give, or why there are none."""
    notes: tuple[str, ...]
