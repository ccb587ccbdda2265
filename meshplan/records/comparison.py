"""All radio classes on one property, and how far their rates carry."""

from __future__ import annotations

from dataclasses import dataclass

from meshplan.records.short_form import Facts, ShortForm


@dataclass(frozen=True)
class ComparisonRow:
    """One radio class at one setting, planned on the property."""

    radio: str
    """Class key and setting."""
    class_key: str
    setting: str
    title: str
    lawful: bool
    rule: str
    """The rule that allows it, or the refusal with the change that would comply."""
    frequency_mhz: float
    tx_power_dbm: float
    sensors: int
    served: int
    weakest_chance: float
    """Of the routes in the plan; 0 without any."""
    gateways: int
    relays: int
    cost: float
    """Gateways, relays and sensors, with the radios at the price of the class."""
    duty_share_of_limit: float
    """Busiest device in the busiest hour, as a share of its limit; above 1 is a breach."""
    channel_load: float
    battery_years: float
    """Of the sensor whose cell is empty first; infinite if none has a cell."""
    latency_s: float
    """Worst route with all tries."""
    wiring: str
    unfit_for: tuple[str, ...]
    """Purposes on this property that the class cannot serve, with the reason."""
    best_of_class: bool = False
    airtime_headroom: float = 0.0
    """Share of the tighter of duty limit and channel that is left in the busiest hour; negative if overdrawn."""
    condition: str = ""
    """What must be true for the rules to allow it, in one sentence; empty where nothing must."""
    to_answer_for: tuple[str, ...] = ()
    """Conditions of the rules that nobody answers for yet."""
    running_cost_per_year: float = 0.0
    """Data, mains power and cells of gateways and relays."""
    starved: int = 0
    """Sensors with a route on which collisions let fewer readings through than was asked."""


@dataclass(frozen=True)
class RangePoint:
    """One rate of a class and how far it carries, for each pair of antenna heights of its curve."""

    setting: str
    bit_rate_bps: float
    allowed_loss_db: float
    ranges_m: tuple[float, ...]
    """0 if not even a metre works; infinite beyond 100 km."""


@dataclass(frozen=True)
class RangeCurve:
    """Bit rate against range over flat open ground for one class, slowest rate first."""

    class_key: str
    title: str
    frequency_mhz: float
    tx_power_dbm: float
    margin_db: float
    heights_agl_m: tuple[tuple[float, float], ...]
    points: tuple[RangePoint, ...]


@dataclass(frozen=True, repr=False)
class Comparison(ShortForm):
    """All radio classes on one property."""

    property_name: str
    country: str
    rows: tuple[ComparisonRow, ...]
    recommendation: str
    chosen: str
    runner_up: str
    currency: str
    assumptions: tuple[str, ...]
    curves: tuple[RangeCurve, ...] = ()
    """Of the classes that the rules allow, at the power they allow."""

    def short_facts(self) -> Facts:
        """Return the class to take and the runner-up."""
        return (
            ("property", self.property_name),
            ("country", self.country),
            ("classes", len(self.rows)),
            ("chosen", self.chosen),
            ("runner_up", self.runner_up),
        )
