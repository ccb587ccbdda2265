"""The plan record put together: what must agree with what, who loses service, and how two records are told apart."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from scipy.stats import norm
from small_property import changed, lay_small_property, usual_sites

from meshplan.assembly.airtime_headroom import who_does_not_fit
from meshplan.assembly.differences import plan_differences
from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand
from meshplan.records import Plan, Role
from meshplan.workflow import Planned, plan_property


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    return plan_property(lay_small_property(tmp_path_factory.mktemp("assembly") / "holding"))


@pytest.fixture(scope="module")
def plan(planned: Planned) -> Plan:
    return planned.plan


def test_the_cost_is_that_of_the_devices_that_are_built(plan: Plan) -> None:
    built = [device for device in plan.devices if device.in_plan and device.role is not Role.SENSOR]
    assert {device.name for device in built} == {"House", "South post"}  # the cheaper post, by the small property's own story
    assert plan.proof.cost == pytest.approx(sum(device.cost for device in built))
    assert plan.proof.certified_bound <= plan.proof.cost
    chosen = [option for option in plan.gateway_options if option.chosen]
    assert [option.gateways for option in chosen] == [("House",)]
    assert chosen[0].cost == pytest.approx(plan.proof.cost)


def test_routes_run_over_their_links_and_no_surer_than_the_weakest(plan: Plan) -> None:
    assert {route.sensor: route.devices for route in plan.routes} == {
        "Bed": ("Bed", "House"),
        "Trough": ("Trough", "South post", "House"),
    }
    for route in plan.routes:
        assert [set(pair) for pair in pairwise(route.devices)] == [{plan.link(key).a, plan.link(key).b} for key in route.links]
        chances = [plan.link(key).chance for key in route.links]
        # Errors that links share make a route surer than if they were independent, never surer than its weakest link.
        assert math.prod(chances) - 1e-3 <= route.chance <= min(chances) + 1e-3
    assert {link.key for link in plan.chosen_links} == {key for route in plan.routes for key in route.links}


def test_a_device_that_fails_silences_those_whose_only_way_it_is(plan: Plan) -> None:
    assert {name: set(lost) for name, lost in plan.loses_service.items()} == {"House": {"Bed", "Trough"}, "South post": {"Trough"}}


def test_a_sensor_out_of_reach_is_told_with_what_it_lacks(tmp_path: Path) -> None:
    rows = changed(usual_sites(), {"North post": {"use": "forbidden"}, "South post": {"use": "forbidden"}})
    alone = plan_property(lay_small_property(tmp_path / "holding", sites=rows))
    (gap,) = alone.plan.unserved
    assert (gap.sensor, gap.nearest) == ("Trough", "House")
    assert not alone.plan.complete
    link = next(link for link in alone.plan.links if {link.a, link.b} == {"Trough", "House"})
    # the trough is an alarm: its route of one link needs 0.95, not only the 0.8 of any link
    more_db = (norm.ppf(0.95) - norm.ppf(0.8)) * link.season(link.worst_season).spread.total_db
    assert gap.missing_db == pytest.approx(link.required_margin_db + more_db - link.margin_db, abs=0.1)
    assert "where 95 % are asked" in gap.reason
    assert gap.missing_db > 0


def test_the_same_record_has_no_differences(plan: Plan) -> None:
    assert plan_differences(plan, plan) == ()


def test_a_changed_figure_is_told_with_both_values(plan: Plan) -> None:
    cost = plan.proof.cost
    forged = replace(plan, proof=replace(plan.proof, cost=cost - 5.0))
    (told,) = plan_differences(forged, plan)
    assert told.startswith("proof.cost says ")
    assert f"{cost - 5.0:g}" in told
    assert f"the folder gives {cost:g}" in told
    assert plan_differences(forged, plan, skip=("proof.cost",)) == ()


def test_the_last_digit_may_differ_and_no_more(plan: Plan) -> None:
    first, *others = plan.routes

    def with_chance(chance: float) -> Plan:
        return replace(plan, routes=(replace(first, chance=chance), *others))

    base = with_chance(0.5)
    assert plan_differences(with_chance(0.5 + 1e-9), base) == ()
    (told,) = plan_differences(with_chance(0.6), base)
    assert told == f"routes[{first.sensor}].chance says 0.6, the folder gives 0.5"


def test_a_missing_device_is_named(plan: Plan) -> None:
    fewer = replace(plan, devices=tuple(device for device in plan.devices if device.name != "Bed"))
    (told,) = plan_differences(fewer, plan)
    assert told == "devices has 4 entries, the folder gives 5 entries (missing: Bed)"


def test_many_differences_are_counted(plan: Plan) -> None:
    forged = replace(plan, devices=tuple(replace(d, cost=d.cost + 1.0, x_m=d.x_m + 1.0, y_m=d.y_m + 1.0) for d in plan.devices))
    told = plan_differences(forged, plan)
    assert len(told) == 13
    assert told[-1] == "and 3 more fields differ"


@pytest.mark.parametrize(("capacity", "fits"), [(2.0, True), (1.5, False)])
def test_airtime_fits_where_the_only_relay_can_carry_both_sensors(capacity: float, fits: bool) -> None:
    """Two sensors of load 1, one relay, one gateway without limit: the relay carries 2."""
    sensors = (SensorDemand("S0", load=1.0), SensorDemand("S1", load=1.0))
    nodes = (NodeChoice("R", 10.0, capacity=capacity), NodeChoice("G", 100.0, is_gateway=True))
    access = Links.of([0, 1], [0, 0], [0.9, 0.9])
    backhaul = Links.of([0], [1], [0.9])
    assert (not who_does_not_fit(PlacementProblem(sensors, nodes, access, backhaul, hop_limit=2))) is fits
