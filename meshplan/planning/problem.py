"""The nouns of placement: what is asked (`PlacementProblem`) and what is answered (`PlacementResult`).

The problem is a plain graph. Sensors are leaves and never forward. A node is a gateway or a relay candidate at one mast
height; at most one node of a site is opened. Links are directed: the `start` device can be heard by the `end` device.
Opening nodes costs, links are free. A plan is the set of opened nodes; a sensor is served when a route of at most
`hop_limit` links leads from it through opened relays to an opened gateway.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import gcd, inf, isfinite
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.errors import InputError, MeshplanError, raise_faults

Redundancy = Literal["none", "any one relay", "any one relay or gateway"]
REDUNDANCY_LEVELS: tuple[Redundancy, ...] = ("none", "any one relay", "any one relay or gateway")

SecondRouteFallback = Literal["serve once", "leave out"]

MONEY_UNITS = 1000
"""Costs are exact multiples of a thousandth of the currency unit, so that bounds can be checked in whole numbers."""

LOG_UNITS = 10**9
"""Minus the natural logarithm of a chance is kept in whole billionths: route tests never depend on rounding."""


@dataclass(frozen=True, slots=True)
class SensorDemand:
    """A sensor to be served.

    Parameters
    ----------
    id : str
        Unique among sensors and nodes.
    importance : float
        Weight used when not all sensors can be served; larger is served first.
    required : bool
        False: may be left out when serving it would add `worth` or more to the cost.
    worth : float
        Currency units that serving an optional sensor is worth; not used for required sensors.
    second_route : bool
        Whether the redundancy rule of the problem covers this sensor.
    load : float
        Airtime of its messages at each device that receives or forwards them, in the unit of `NodeChoice.capacity`.
    left_out : bool
        Settled beforehand: there is no airtime for it, and it is not served.
    one_route : bool
        Settled beforehand: there is no airtime for the second route that it asks for, and it is planned with one.
    """

    id: str
    importance: float = 1.0
    required: bool = True
    worth: float = 0.0
    second_route: bool = True
    load: float = 0.0
    min_route_chance: float = 0.0
    """Least product of link chances along its routes, beside the one of the problem."""
    left_out: bool = False
    one_route: bool = False


@dataclass(frozen=True, slots=True)
class NodeChoice:
    """A gateway or relay that may be opened.

    Parameters
    ----------
    id : str
        Unique among sensors and nodes.
    cost : float
        Currency units, a multiple of 0.001, not negative.
    is_gateway : bool
        True for a gateway: routes end there.
    site : str
        At most one node of a site is opened (mast heights); empty means a site of its own.
    forced_in, forbidden : bool
        The user insists on it, or rules it out.
    power_ok : bool
        False when the site cannot power the device; such a node is never opened.
    capacity : float
        Largest sum of sensor loads that may pass; infinite when not limited.
    """

    id: str
    cost: float
    is_gateway: bool = False
    site: str = ""
    forced_in: bool = False
    forbidden: bool = False
    power_ok: bool = True
    capacity: float = inf

    @property
    def site_id(self) -> str:
        """Return the site, which is the node's own id when none was given."""
        return self.site or self.id

    @property
    def allowed(self) -> bool:
        """Return whether the node may be opened at all."""
        return self.power_ok and not self.forbidden


@dataclass(frozen=True, eq=False)
class Links:
    """Directed links: `start[i]` is heard by `end[i]` with chance `chance[i]`; shape (n_links,), indices from 0."""

    start: NDArray[np.int32]
    end: NDArray[np.int32]
    chance: NDArray[np.float64]

    @classmethod
    def of(cls, start: ArrayLike, end: ArrayLike, chance: ArrayLike | None = None) -> Links:
        """Return links from array-likes; a chance that is not given is 1."""
        start_index = np.asarray(start, dtype=np.int32)
        end_index = np.asarray(end, dtype=np.int32)
        value = np.ones(start_index.size) if chance is None else np.asarray(chance, dtype=np.float64)
        return cls(start_index, end_index, value)

    def __len__(self) -> int:
        return int(self.start.size)

    def only(self, keep: NDArray[np.bool_]) -> Links:
        """Return the links where `keep`, shape (n_links,), is true."""
        return Links(self.start[keep], self.end[keep], self.chance[keep])


def log_loss(chance: ArrayLike) -> NDArray[np.int64]:
    """Return minus the natural logarithm of a chance in whole billionths; shape of `chance`."""
    units: NDArray[np.int64] = np.rint(-np.log(np.asarray(chance, dtype=np.float64)) * LOG_UNITS).astype(np.int64)
    return units


@dataclass(frozen=True, eq=False)
class PlacementProblem:
    """What is asked. See the module text for the rules.

    Parameters
    ----------
    sensors, nodes : tuple
        Their order fixes the indices used in `access` and `backhaul`.
    access : Links
        Sensor index to node index.
    backhaul : Links
        Node index to node index, towards the gateway. Links that leave a gateway are ignored.
    hop_limit : int or None
        Most links from sensor to gateway; None means no limit.
    redundancy : str
        One of `REDUNDANCY_LEVELS`: what may fail while each covered sensor keeps a route.
    second_hop_limit : int or None
        Hop limit of the route that remains after any failure, also of a device that the first route does not pass: where it is
        less than `hop_limit`, a covered sensor needs a route so short beside the longer one. None means the same as `hop_limit`.
    without_second_route : str
        What to do with a sensor that cannot meet the rule even with everything open: "serve once" or "leave out".
    min_link_chance : float
        Links with less chance are not used.
    min_route_chance : float
        Least product of link chances along a route.
    budget : float
        Most that the plan may cost; infinite when there is no limit.
    """

    sensors: tuple[SensorDemand, ...]
    nodes: tuple[NodeChoice, ...]
    access: Links
    backhaul: Links
    hop_limit: int | None = 3
    redundancy: Redundancy = "none"
    second_hop_limit: int | None = None
    without_second_route: SecondRouteFallback = "serve once"
    min_link_chance: float = 0.0
    min_route_chance: float = 0.0
    budget: float = inf

    def __post_init__(self) -> None:
        raise_faults(_faults(self))

    @cached_property
    def sensor_index(self) -> dict[str, int]:
        """Return the position of each sensor id."""
        return {sensor.id: index for index, sensor in enumerate(self.sensors)}

    @cached_property
    def node_index(self) -> dict[str, int]:
        """Return the position of each node id."""
        return {node.id: index for index, node in enumerate(self.nodes)}

    @cached_property
    def cost_units(self) -> NDArray[np.int64]:
        """Return node costs in thousandths of the currency unit, shape (n_nodes,)."""
        return np.array([round(node.cost * MONEY_UNITS) for node in self.nodes], dtype=np.int64)

    @cached_property
    def worth_units(self) -> NDArray[np.int64]:
        """Return the worth of optional sensors in thousandths of the currency unit, shape (n_sensors,)."""
        return np.array([0 if s.required else round(s.worth * MONEY_UNITS) for s in self.sensors], dtype=np.int64)

    @cached_property
    def cost_step(self) -> int:
        """Return the greatest number of thousandths that divides every cost, so that bounds may be rounded up to it."""
        return gcd(*self.cost_units.tolist(), *self.worth_units.tolist()) or 1

    @cached_property
    def is_gateway(self) -> NDArray[np.bool_]:
        """Return which nodes are gateways, shape (n_nodes,)."""
        return np.array([node.is_gateway for node in self.nodes], dtype=bool)

    @cached_property
    def allowed(self) -> NDArray[np.bool_]:
        """Return which nodes may be opened, shape (n_nodes,); a forced mast rules out the others of its site."""
        taken = {node.site_id for node in self.nodes if node.forced_in}
        free = [node.allowed and (node.forced_in or node.site_id not in taken) for node in self.nodes]
        return np.array(free, dtype=bool)

    @cached_property
    def forced(self) -> NDArray[np.bool_]:
        """Return which nodes must be opened, shape (n_nodes,)."""
        return np.array([node.forced_in for node in self.nodes], dtype=bool)

    @cached_property
    def site_number(self) -> NDArray[np.int32]:
        """Return a number per site for each node, shape (n_nodes,)."""
        numbers: dict[str, int] = {}
        return np.array([numbers.setdefault(node.site_id, len(numbers)) for node in self.nodes], dtype=np.int32)

    @cached_property
    def usable_access(self) -> Links:
        """Return the access links that meet the link chance and end at an allowed node, of sensors that are not left out."""
        asked = np.array([not sensor.left_out for sensor in self.sensors], dtype=bool)
        return self.access.only(_good(self.access, self.min_link_chance) & self.allowed[self.access.end] & asked[self.access.start])

    @cached_property
    def usable_backhaul(self) -> Links:
        """Return the backhaul links that meet the link chance, between allowed nodes, leaving relays only."""
        links = self.backhaul
        ends = self.allowed[links.start] & self.allowed[links.end] & ~self.is_gateway[links.start]
        return links.only(_good(links, self.min_link_chance) & ends & (links.start != links.end))

    @cached_property
    def route_floors(self) -> NDArray[np.float64]:
        """Return the least chance of a route of each sensor, shape (n_sensors,); 0 where there is no limit."""
        return np.array([max(self.min_route_chance, sensor.min_route_chance) for sensor in self.sensors], dtype=np.float64)

    @cached_property
    def limits_routes(self) -> bool:
        """Return whether a floor may forbid a route: links that the plan may use could multiply to less."""
        floor = float(self.route_floors.max(initial=0.0))
        hops = self._most_hops
        return floor > 0 and (hops is None or bool(floor > self.min_link_chance**hops))

    @cached_property
    def route_loss_limits(self) -> NDArray[np.int64]:
        """Return the most log loss a route of each sensor may have, in whole billionths, shape (n_sensors,); huge without a limit.

        Each link's loss and the limit are rounded by half a billionth at most; a route of exactly the least chance must count, so
        the limit gives that much way for each link it may have.
        """
        floors = self.route_floors
        longest = len(self.nodes) if self._most_hops is None else min(self._most_hops, len(self.nodes))
        limits = log_loss(np.where(floors > 0, floors, 1.0)) + longest // 2 + 1
        return np.where(floors > 0, limits, 2**62)

    @property
    def _most_hops(self) -> int | None:
        """Most links of any route, first or second; None without a limit."""
        hops = (self.hop_limit, self.hop_limit if self.second_hop_limit is None else self.second_hop_limit)
        return None if None in hops else max(limit for limit in hops if limit is not None)

    @cached_property
    def one_level_each(self) -> bool:
        """Return whether some best plan uses each relay at one distance from its gateway only."""
        return self.redundancy == "none" and not self.limits_routes and not self.has_capacity

    @cached_property
    def has_levels(self) -> bool:
        """Return whether an opened relay is told apart by its links to the nearest opened gateway, whatever ways lead over it."""
        return self.hop_limit is not None and self.redundancy == "none" and not self.has_capacity

    @cached_property
    def has_capacity(self) -> bool:
        """Return whether any node's airtime is limited and any sensor uses airtime."""
        return any(isfinite(n.capacity) for n in self.nodes) and any(s.load > 0 for s in self.sensors)


def _good(links: Links, min_chance: float) -> NDArray[np.bool_]:
    good: NDArray[np.bool_] = (links.chance > 0) & (links.chance >= min_chance)
    return good


def _faults(problem: PlacementProblem) -> list[MeshplanError]:
    return [*_id_faults(problem), *_node_faults(problem), *_sensor_faults(problem), *_rule_faults(problem)]


def _id_faults(problem: PlacementProblem) -> list[MeshplanError]:
    counts = Counter([*(sensor.id for sensor in problem.sensors), *(node.id for node in problem.nodes)])
    fix = "Give every sensor and node its own id."
    return [
        InputError(f"the id '{name}' is used {n} times", where=f"device '{name}'", fix=fix) for name, n in counts.items() if n > 1
    ]


def _node_faults(problem: PlacementProblem) -> list[MeshplanError]:
    faults: list[MeshplanError] = []
    forced_at: dict[str, str] = {}
    for node in problem.nodes:
        if not (isfinite(node.cost) and node.cost >= 0):
            faults.append(
                InputError(
                    f"the cost of '{node.id}' is {node.cost}", where=f"device '{node.id}'", fix="Give a cost of zero or more."
                )
            )
        elif not _is_money(node.cost):
            faults.append(
                InputError(f"the cost of '{node.id}' is {node.cost}", where=f"device '{node.id}'", fix="Round costs to 0.001.")
            )
        if node.forced_in and not node.allowed:
            why = "is also forbidden" if node.forbidden else "cannot be powered"
            faults.append(
                InputError(f"'{node.id}' is forced in but {why}", where=f"device '{node.id}'", fix="Change one of the two.")
            )
        if node.forced_in and forced_at.setdefault(node.site_id, node.id) != node.id:
            text = f"'{forced_at[node.site_id]}' and '{node.id}' are both forced in at site '{node.site_id}'"
            faults.append(InputError(text, where=f"device '{node.id}'", fix="A site carries one mast: force one of them only."))
    return faults


def _sensor_faults(problem: PlacementProblem) -> list[MeshplanError]:
    faults: list[MeshplanError] = []
    for sensor in problem.sensors:
        if not (isfinite(sensor.importance) and sensor.importance > 0):
            text = f"the importance of '{sensor.id}' is {sensor.importance}"
            faults.append(InputError(text, where=f"sensor '{sensor.id}'", fix="Give a number above 0."))
        if not (isfinite(sensor.load) and sensor.load >= 0):
            faults.append(
                InputError(
                    f"the load of '{sensor.id}' is {sensor.load}", where=f"sensor '{sensor.id}'", fix="Give a load of zero or more."
                )
            )
        if not (isfinite(sensor.worth) and sensor.worth >= 0 and _is_money(sensor.worth)):
            text = f"the worth of '{sensor.id}' is {sensor.worth}"
            faults.append(InputError(text, where=f"sensor '{sensor.id}'", fix="Give a worth of zero or more, rounded to 0.001."))
        if not 0 <= sensor.min_route_chance <= 1:
            text = f"the least route chance of '{sensor.id}' is {sensor.min_route_chance}"
            faults.append(InputError(text, where=f"sensor '{sensor.id}'", fix="Give a chance from 0 to 1."))
    return faults


def _rule_faults(problem: PlacementProblem) -> list[MeshplanError]:
    faults: list[MeshplanError] = []
    forced = sum(node.cost for node in problem.nodes if node.forced_in)
    if forced > problem.budget + 1e-6:
        text = f"the devices that are forced in cost {forced:g}, more than the budget of {problem.budget:g}"
        faults.append(InputError(text, where="budget", fix="Raise the budget or force fewer devices in."))
    for hops in (problem.hop_limit, problem.second_hop_limit):
        if hops is not None and hops < 1:
            faults.append(InputError(f"the hop limit is {hops}", where="hop limit", fix="Give a hop limit of 1 or more."))
    if problem.redundancy not in REDUNDANCY_LEVELS:
        fix = f"Use one of: {', '.join(REDUNDANCY_LEVELS)}."
        faults.append(InputError(f"'{problem.redundancy}' is no redundancy rule", where="redundancy rule", fix=fix))
    starts = ((problem.access, len(problem.sensors), "an access"), (problem.backhaul, len(problem.nodes), "a backhaul"))
    for links, n_starts, name in starts:
        inside = (links.start >= 0) & (links.start < n_starts) & (links.end >= 0) & (links.end < len(problem.nodes))
        if not inside.all():
            faults.append(InputError(f"{name} link names a device that is not there", where="links", fix="Check the indices."))
        if not ((links.chance >= 0) & (links.chance <= 1)).all():
            faults.append(InputError(f"{name} link has a chance outside 0 to 1", where="links", fix="Give chances from 0 to 1."))
    return faults


def _is_money(amount: float) -> bool:
    return abs(amount * MONEY_UNITS - round(amount * MONEY_UNITS)) < 1e-6


@dataclass(frozen=True, slots=True)
class PlacementRoute:
    """A way from a sensor to a gateway: `node_ids` from first relay to gateway, and the chance that all links work."""

    node_ids: tuple[str, ...]
    chance: float

    @property
    def hops(self) -> int:
        """Return the number of links."""
        return len(self.node_ids)

    @property
    def gateway_id(self) -> str:
        """Return the gateway at the end."""
        return self.node_ids[-1]


@dataclass(frozen=True, slots=True)
class ServedSensor:
    """A served sensor with its route and, where there is one, the route that shares no device the rule lets fail."""

    sensor_id: str
    first: PlacementRoute
    second: PlacementRoute | None = None


UnservedReason = Literal[
    "no link at all",
    "no lasting power",
    "more hops needed",
    "no way to a gateway",
    "route chance too low",
    "no second route",
    "airtime is full",
    "budget is spent",
    "not worth its cost",
    "one mast per site",
]


@dataclass(frozen=True, slots=True)
class UnservedSensor:
    """A sensor without service, and the nearest miss.

    `hops_needed` counts the links of its shortest way with everything open; `best_chance` is the best within the limit.
    """

    sensor_id: str
    reason: UnservedReason
    hops_needed: int | None = None
    best_chance: float | None = None


@dataclass(frozen=True, slots=True)
class PlacementPlan:
    """A set of opened nodes with the routes it gives.

    `cost` is in currency units; `neg_log_success` is minus the logarithm of the chance of each first route, summed.
    """

    opened: tuple[str, ...]
    served: tuple[ServedSensor, ...]
    unserved: tuple[UnservedSensor, ...]
    cost: float
    neg_log_success: float
    forgone: float = 0.0
    """Worth of the optional sensors that were left out."""
    single_route: tuple[str, ...] = ()
    """Sensors that the rule covers but that have no second route (only with `without_second_route = "serve once"`)."""
    single_reasons: tuple[UnservedReason, ...] = ()
    """Why each of them has none."""


@dataclass(frozen=True, slots=True)
class CutRow:
    """A weighted cut: every route of the sensor that avoids `without` meets a member, so `need` members must be opened.

    Members are (node id, level): the level counts links from the node to its gateway; in problems without levels (see
    `certificate`) it is -1. With `need` 2 a gateway counts twice when the redundancy rule lets no gateway fail.
    """

    sensor_id: str
    weight: int
    need: int
    members: tuple[tuple[str, int], ...]
    without: str = ""


@dataclass(frozen=True, slots=True)
class CertificateBranch:
    """A part of all plans, with weights on the rows that hold for it.

    `decisions` are (node id, level, opened), or (sensor id, `LEFT_OUT`, left out) for an optional sensor, from the first to the
    last; `weights` are (number of a row of the certificate, weight).
    """

    decisions: tuple[tuple[str, int, bool], ...]
    weights: tuple[tuple[int, int], ...]
    site_prices: tuple[tuple[str, int], ...] = ()


LEFT_OUT: Final = -2
"""In place of a level: the decision is about leaving out an optional sensor."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """Proof of a lower bound in whole numbers; see `certificate.check_certificate`.

    `scale` weights make one thousandth of the currency unit; `served` names the sensors for which the bound holds. With `branches`
    the bound is that of the weakest of them; together they hold every plan. `sieves` are sets of weights without decisions, which
    show columns that no plan below `bound_units` uses.
    """

    bound_units: int
    scale: int
    served: tuple[str, ...]
    rows: tuple[CutRow, ...]
    site_prices: tuple[tuple[str, int], ...] = ()
    branches: tuple[CertificateBranch, ...] = ()
    sieves: tuple[CertificateBranch, ...] = ()


@dataclass(frozen=True, slots=True)
class SolveLimits:
    """How long to try. With `time_s` None the result depends on nothing but the problem, `iterations` and `seed`.

    `iterations` scales the deterministic work: number of cut rounds, of region improvements and solver nodes.
    """

    time_s: float | None = None
    iterations: int = 200
    seed: int = 1


@dataclass(frozen=True, slots=True)
class ProgressEvent:
    """News while solving: best cost and lower bound in currency units, gap as a fraction of the best cost."""

    step: str
    best_cost: float
    bound: float
    gap: float
    elapsed_s: float


@dataclass(frozen=True, slots=True)
class StepRecord:
    """What one step of the solver achieved; costs in currency units. `elapsed_s` is never part of a stored plan."""

    step: str
    best_cost: float
    bound: float
    detail: str
    elapsed_s: float = field(default=0.0, compare=False)


StopReason = Literal["proven", "time limit", "iteration limit", "interrupted"]


@dataclass(frozen=True, slots=True)
class PlacementResult:
    """The best plan found and what is known about it.

    `certified_bound` follows from the certificate alone; `solver_bound` also trusts the integer solver. `gap` is
    relative to the plan's cost. `proven_by` names the step whose bound met the cost; empty when none did.
    """

    plan: PlacementPlan
    certified_bound: float
    solver_bound: float
    gap: float
    proven: bool
    proven_by: str
    stopped: StopReason
    certificate: Certificate | None
    steps: tuple[StepRecord, ...]
    limits: SolveLimits
    versions: tuple[tuple[str, str], ...]


OnProgress = Callable[[ProgressEvent], None]


def nodes_of(problem: PlacementProblem, ids: Sequence[str]) -> NDArray[np.bool_]:
    """Return which nodes are named in `ids`, shape (n_nodes,)."""
    opened = np.zeros(len(problem.nodes), dtype=bool)
    for node_id in ids:
        opened[problem.node_index[node_id]] = True
    return opened
