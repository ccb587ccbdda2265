"""What the user asks of a plan is obeyed on a holding of five sites: forced and forbidden posts, hops, budget, second routes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from small_property import changed, lay_small_property, usual_sites

from meshplan.errors import MeshplanError
from meshplan.planning.verify import verify_plan
from meshplan.records import Plan, Role
from meshplan.workflow import plan_property

HOUSE_COST, SOUTH_COST, NORTH_COST = 144.0, 80.0, 150.0
"""120 EUR and two metres of mast at 12 EUR; the relays as given in the file."""


def plan_with(folder: Path, changes: dict[str, dict[str, Any]] | None = None, **wishes: Any) -> Plan:
    lay_small_property(folder, sites=changed(usual_sites(), changes or {}))
    planned = plan_property(folder, overrides={f"requirement.{key}": value for key, value in wishes.items()})
    assert verify_plan(planned.problem, planned.result.plan) == ()
    return planned.plan


def built(plan: Plan) -> set[str]:
    return {device.site or device.name for device in plan.devices if device.in_plan and device.role is not Role.SENSOR}


def test_the_cheaper_post_carries_the_reading_over_the_bank(tmp_path: Path) -> None:
    plan = plan_with(tmp_path)
    assert built(plan) == {"House", "South post"}
    assert plan.proof.cost == pytest.approx(HOUSE_COST + SOUTH_COST)
    assert {route.sensor: route.devices for route in plan.routes} == {
        "Bed": ("Bed", "House"),
        "Trough": ("Trough", "South post", "House"),
    }
    assert plan.loses_service["South post"] == ("Trough",)


def test_a_forbidden_post_is_not_used(tmp_path: Path) -> None:
    plan = plan_with(tmp_path, {"South post": {"use": "forbidden"}})
    assert built(plan) == {"House", "North post"}
    assert plan.proof.cost == pytest.approx(HOUSE_COST + NORTH_COST)


def test_a_forced_post_is_built_and_then_used(tmp_path: Path) -> None:
    plan = plan_with(tmp_path, {"North post": {"use": "forced"}})
    assert built(plan) == {"House", "North post"}


def test_a_forced_post_without_lasting_power_is_named_with_its_row(tmp_path: Path) -> None:
    with pytest.raises(MeshplanError) as told:
        plan_with(tmp_path, {"North post": {"use": "forced", "power": "battery"}})
    text = str(told.value)
    assert "sites.csv, row 5, column 'power'" in text
    assert "'North post' must be used, and its battery is no lasting power" in text
    assert "supply.relay_life_years" in text


def test_without_hops_the_trough_is_out_of_reach_and_told_so(tmp_path: Path) -> None:
    plan = plan_with(tmp_path, hop_limit=1)
    assert built(plan) == {"House"}
    (miss,) = plan.unserved
    assert miss.sensor == "Trough"
    assert miss.nearest == "House"
    assert miss.missing_db > 3.0
    assert miss.reason == "it would need more hops than the plan may use"
    assert miss.remedies
    assert all(remedy.gain_db > 0.0 and remedy.change for remedy in miss.remedies)
    assert not plan.device("Trough").served


def test_remedies_use_the_power_that_the_law_allows(tmp_path: Path) -> None:
    """A weak radio at 0 dBm may radiate more here, so a better antenna helps by what it gains over the board antenna."""
    lay_small_property(tmp_path)
    plan = plan_property(tmp_path, radio="gfsk-2g4-250k-board").plan
    bed = next(miss for miss in plan.unserved if miss.sensor == "Bed")
    rods = [remedy for remedy in bed.remedies if "collinear rod, 8 dBi" in remedy.change]
    assert rods
    assert rods[0].gain_db > 6.0
    assert "radiated" not in rods[0].change


def test_a_mast_that_is_said_to_suffice_does_suffice(tmp_path: Path) -> None:
    """The remedy is built as advised, at the height it names, and the trough is served."""
    plan = plan_with(tmp_path / "before", hop_limit=1)
    (miss,) = plan.unserved
    raises = [remedy for remedy in miss.remedies if remedy.change.startswith("Raise the antenna of House")]
    assert raises
    height_m = float(raises[0].change.rsplit(" to ", 1)[1].removesuffix(" m"))
    after = plan_with(tmp_path / "after", {"House": {"antenna_agl_m": height_m}}, hop_limit=1)
    assert (not after.unserved) == raises[0].suffices
    if after.unserved:
        assert after.unserved[0].missing_db == pytest.approx(miss.missing_db - raises[0].gain_db, abs=1.0)


@pytest.mark.parametrize(("budget", "expected"), [(230.0, {"House", "South post"}), (223.0, {"House"}), (100.0, set())])
def test_no_more_is_spent_than_the_budget(tmp_path: Path, budget: float, expected: set[str]) -> None:
    plan = plan_with(tmp_path, budget=budget)
    assert built(plan) == expected
    assert plan.proof.cost <= budget
    assert len(plan.unserved) == {2: 0, 1: 1, 0: 2}[len(expected)]
    assert all(miss.missing_db == 0.0 for miss in plan.unserved), "money is short, and no decibels"
    assert ("no sensor can be served" in plan.proof.sentence) == (not expected)


def test_with_too_little_money_the_important_sensor_comes_first(tmp_path: Path) -> None:
    """A gateway behind the bank for the trough costs as much as the house for the bed; there is money for one."""
    sites = [
        *changed(usual_sites(), {"Trough": {"importance": "high"}, "Bed": {"importance": "low"}}),
        {"name": "Barn", "role": "gateway", "x": 340, "y": 330, "antenna_agl_m": 4.0, "power": "mains"},
    ]
    lay_small_property(tmp_path, sites=[row for row in sites if row["role"] != "relay"])
    plan = plan_property(tmp_path, overrides={"requirement.budget": 150.0}).plan
    assert built(plan) == {"Barn"}
    assert [miss.sensor for miss in plan.unserved] == ["Bed"]


def test_a_second_route_survives_the_loss_of_any_one_relay(tmp_path: Path) -> None:
    plan = plan_with(tmp_path, second_route="any one relay")
    assert built(plan) == {"House", "North post", "South post"}
    route = next(route for route in plan.routes if route.sensor == "Trough")
    assert route.second_devices[0] == "Trough"
    assert plan.device(route.second_devices[-1]).role is Role.GATEWAY
    first, second = set(route.devices[1:-1]), set(route.second_devices[1:-1])
    assert first
    assert second
    assert not first & second
    assert all("Trough" not in plan.loses_service.get(name, ()) for name in first | second)


def test_a_second_route_may_be_asked_for_one_sensor_only(tmp_path: Path) -> None:
    plan = plan_with(tmp_path, {"Trough": {"second_route": "yes"}})
    assert {"North post", "South post"} < built(plan)
    routes = {route.sensor: route for route in plan.routes}
    assert routes["Trough"].second_devices
