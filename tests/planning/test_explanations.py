"""What the plan says about itself, on a graph small enough to check by eye, and against trying every gateway set."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from brute_force import random_problem

from meshplan.planning.explain import (
    compare_gateways,
    next_sensor_by_cost,
    price_of_redundancy,
    value_of_one_more_hop,
    what_loses_service,
    why_each_relay,
)
from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand
from meshplan.planning.solve import solve_placement

NODES = (
    NodeChoice("hill", 40.0),
    NodeChoice("barn", 50.0),
    NodeChoice("ridge", 60.0),
    NodeChoice("house", 150.0, is_gateway=True),
)


@pytest.fixture
def valley() -> PlacementProblem:
    """Return two sensors behind the hill or the barn, one beside the house, one behind the ridge and the hill."""
    return PlacementProblem(
        tuple(SensorDemand(name) for name in ("pond", "gate", "porch", "quarry")),
        NODES,
        Links.of([0, 0, 1, 1, 2, 3], [0, 1, 0, 1, 3, 2], [0.9, 0.8, 0.9, 0.8, 0.99, 0.95]),
        Links.of([0, 1, 2], [3, 3, 0], [0.95, 0.95, 0.95]),
        hop_limit=2,
    )


def test_each_device_says_who_loses_service_without_it(valley: PlacementProblem) -> None:
    plan = solve_placement(valley).plan
    assert plan.opened == ("hill", "house")
    effects = {effect.node_id: effect for effect in what_loses_service(valley, plan)}
    assert effects["hill"].lost == ("pond", "gate")
    assert effects["house"].lost == ("pond", "gate", "porch")


def test_with_second_routes_no_relay_leaves_anyone_dark(valley: PlacementProblem) -> None:
    problem = replace(valley, redundancy="any one relay")
    plan = solve_placement(problem).plan
    assert plan.opened == ("hill", "barn", "house")
    effects = {effect.node_id: effect for effect in what_loses_service(problem, plan)}
    assert effects["hill"].lost == effects["barn"].lost == ()
    assert effects["hill"].rerouted == ("pond", "gate")
    assert effects["house"].lost == ("pond", "gate", "porch")


def test_each_relay_says_why_it_is_there(valley: PlacementProblem) -> None:
    problem = replace(valley, redundancy="any one relay")
    reasons = {reason.node_id: reason for reason in why_each_relay(problem, solve_placement(problem).plan)}
    assert reasons["barn"].carries == ()
    assert reasons["barn"].cut_off == ()
    assert reasons["barn"].lose_second == ("pond", "gate")
    assert reasons["house"].cut_off == ("pond", "gate", "porch")


def test_levels_of_redundancy_stand_side_by_side(valley: PlacementProblem) -> None:
    plain, relay, both = price_of_redundancy(valley)
    assert (plain.result.plan.cost, relay.result.plan.cost, both.result.plan.cost) == (190.0, 240.0, 190.0)
    assert (plain.extra_cost, relay.extra_cost, both.extra_cost) == (0.0, 50.0, 0.0)
    assert (plain.with_second_route, relay.with_second_route, both.with_second_route) == (0, 3, 0)


def test_one_more_hop_serves_the_quarry(valley: PlacementProblem) -> None:
    more = value_of_one_more_hop(valley, solve_placement(valley))
    assert more is not None
    assert (more.hop_limit, more.newly_served, more.cost_change) == (3, ("quarry",), 60.0)


def test_no_hop_limit_has_no_next_hop(valley: PlacementProblem) -> None:
    free = replace(valley, hop_limit=None)
    assert value_of_one_more_hop(free, solve_placement(free)) is None


def test_the_next_sensor_names_its_price(valley: PlacementProblem) -> None:
    tight = replace(valley, budget=160.0)
    result = solve_placement(tight)
    assert [item.sensor_id for item in result.plan.served] == ["porch"]
    offer = next_sensor_by_cost(tight, result)
    assert offer is not None
    assert (offer.sensor_id, offer.extra_cost) == ("gate", 30.0)


def test_a_sensor_not_worth_its_cost_is_priced_on_top_of_the_plan_whatever_the_budget() -> None:
    """The far gateway costs 40; what the budget of 1000 leaves over is no price of it."""
    problem = PlacementProblem(
        (SensorDemand("a"), SensorDemand("b", required=False, worth=10.0)),
        (NodeChoice("near", 100.0, is_gateway=True), NodeChoice("far", 40.0, is_gateway=True)),
        Links.of([0, 1], [0, 1], [0.9, 0.9]),
        Links.of([], []),
        budget=1000.0,
    )
    result = solve_placement(problem)
    assert [item.reason for item in result.plan.unserved] == ["not worth its cost"]
    offer = next_sensor_by_cost(problem, result)
    assert offer is not None
    assert (offer.sensor_id, offer.extra_cost) == ("b", 40.0)


@pytest.mark.parametrize("seed", range(6))
def test_three_gateway_choices_are_the_three_best_of_all(seed: int) -> None:
    problem = random_problem(seed, n_relays=5, n_gateways=3, hop_limit=3)
    choices = compare_gateways(problem, how_many=3)
    served = {item.sensor_id for item in choices[0].result.plan.served}
    full = [choice for choice in choices if {i.sensor_id for i in choice.result.plan.served} >= served]
    gateways = [node.id for node in problem.nodes if node.is_gateway]
    costs = []
    for count in range(len(gateways) + 1):
        for chosen in itertools.combinations(gateways, count):
            nodes = tuple(
                replace(n, forced_in=n.id in chosen, forbidden=n.id not in chosen) if n.is_gateway else n for n in problem.nodes
            )
            result = solve_placement(replace(problem, nodes=nodes))
            if {item.sensor_id for item in result.plan.served} >= served:
                costs.append(result.plan.cost)
    assert [choice.result.plan.cost for choice in full] == sorted(costs)[: len(full)]
    assert len(full) == min(3, len(costs))
    assert len({choice.gateway_ids for choice in choices}) == len(choices)


def test_a_limit_on_second_routes_silences_nobody() -> None:
    """Two ways of two links: when one relay fails the other way is left, whatever limit second routes have."""
    nodes = (NodeChoice("A", 10.0, forced_in=True), NodeChoice("B", 10.0, forced_in=True), NodeChoice("G", 50.0, is_gateway=True))
    problem = PlacementProblem(
        (SensorDemand("S"),), nodes, Links.of([0, 0], [0, 1]), Links.of([0, 1], [2, 2]), hop_limit=2, second_hop_limit=1
    )
    plan = solve_placement(problem).plan
    assert {effect.node_id: effect.lost for effect in what_loses_service(problem, plan)} == {"A": (), "B": (), "G": ("S",)}


def test_a_way_around_without_airtime_is_no_service() -> None:
    """Two relays carry two sensors each and may carry three: when one fails, the other takes one of its two, the important one."""
    names = ("a", "b", "c", "d")
    sensors = tuple(SensorDemand(name, importance=2.0 if name == "b" else 1.0, load=1.0) for name in names)
    nodes = (NodeChoice("left", 5.0, capacity=3.0), NodeChoice("right", 5.0, capacity=3.0), NodeChoice("G", 9.0, is_gateway=True))
    problem = PlacementProblem(
        sensors,
        nodes,
        Links.of([0, 0, 1, 1, 2, 2, 3, 3], [0, 1] * 4, [0.9, 0.8, 0.9, 0.8, 0.8, 0.9, 0.8, 0.9]),
        Links.of([0, 1], [2, 2], [0.9, 0.9]),
        hop_limit=2,
    )
    plan = solve_placement(problem).plan
    assert plan.opened == ("left", "right", "G")
    effects = {effect.node_id: effect for effect in what_loses_service(problem, plan)}
    assert effects["left"].lost == ("a",)
    assert effects["left"].rerouted == ("b",)
    assert len(effects["right"].lost) == 1
    assert effects["G"].lost == names
    roomy = replace(problem, nodes=tuple(replace(node, capacity=4.0) for node in nodes))
    assert all(not effect.lost for effect in what_loses_service(roomy, plan) if effect.node_id != "G")


@pytest.mark.parametrize("seed", range(40))
def test_who_is_said_to_stay_can_be_carried(seed: int) -> None:
    """Every way of sending the rest over what is left is tried: all said to stay fit together, and one more never does."""
    random = np.random.default_rng(seed)
    n_relays, n_sensors = int(random.integers(2, 4)), int(random.integers(2, 6))
    sensors = tuple(SensorDemand(f"S{i}", load=float(random.integers(1, 4))) for i in range(n_sensors))
    relays = tuple(NodeChoice(f"R{i}", 1.0, capacity=float(random.integers(3, 9)), forced_in=True) for i in range(n_relays))
    pairs = [(s, r) for s in range(n_sensors) for r in range(n_relays) if random.random() < 0.7]
    problem = PlacementProblem(
        sensors,
        (*relays, NodeChoice("G", 2.0, is_gateway=True)),
        Links.of([s for s, _ in pairs], [r for _, r in pairs]),
        Links.of(list(range(n_relays)), [n_relays] * n_relays),
        hop_limit=2,
    )
    plan = solve_placement(problem).plan
    hears = {s: [r for t, r in pairs if t == s] for s in range(n_sensors)}

    def fit(asked: list[int], failed: int) -> bool:
        ways = [[r for r in hears[s] if r != failed] for s in asked]
        for choice in itertools.product(*ways):
            carried = [0.0] * n_relays
            for s, r in zip(asked, choice, strict=True):
                carried[r] += sensors[s].load
            if all(carried[r] <= relays[r].capacity for r in range(n_relays)):
                return True
        return False

    served = [problem.sensor_index[item.sensor_id] for item in plan.served]
    for effect in what_loses_service(problem, plan):
        if effect.node_id == "G":
            continue
        failed = problem.node_index[effect.node_id]
        lost = [problem.sensor_index[name] for name in effect.lost]
        stays = [s for s in served if s not in lost]
        assert fit(stays, failed)
        assert not any(fit([*stays, s], failed) for s in lost)


def test_a_way_that_is_less_sure_than_asked_is_no_second_route() -> None:
    """Both gateways stand for the fence; the optional well could reach the second too, but not as surely as it asks for.

    A third place would give the well its second route, and is not worth it: so one is possible, and none is had.
    """
    sensors = (
        SensorDemand("well", required=False, worth=0.0, min_route_chance=0.98),
        SensorDemand("fence"),
    )
    nodes = (
        NodeChoice("house", 150.0, is_gateway=True),
        NodeChoice("barn", 130.0, is_gateway=True),
        NodeChoice("shed", 90.0, is_gateway=True),
    )
    access = Links.of([0, 0, 0, 1, 1], [0, 1, 2, 0, 1], [0.999, 0.95, 0.999, 0.99, 0.99])
    problem = PlacementProblem(sensors, nodes, access, Links.of([], [], []), hop_limit=1, redundancy="any one relay or gateway")
    plan = solve_placement(problem).plan
    assert plan.opened == ("house", "barn")
    (well,) = (item for item in plan.served if item.sensor_id == "well")
    assert well.first.node_ids == ("house",)
    assert well.second is None
    assert plan.single_route == ("well",)
