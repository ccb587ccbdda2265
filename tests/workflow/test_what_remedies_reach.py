"""A remedy is enough only where planning again with it serves the sensor, over the way and at the chance that it tells."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtri
from small_property import Rows, bank, changed, lay_small_property, usual_sites

from meshplan.assembly.promises import NOT_ITS_MONEY, ONE_ROUTE_ONLY, LinksAfter, Promises
from meshplan.assembly.unserved import SECOND_REASONS, Remedying
from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand
from meshplan.planning.solve import solve_placement
from meshplan.records import Plan, Remedy, Role, Unserved
from meshplan.reporting.plan_text import plan_text
from meshplan.workflow import plan_property
from meshplan.workflow.changed_places import workshop_of

PROBIT_85 = float(ndtri(0.85))

ALONE = changed([row for row in usual_sites() if row["role"] != "relay"], {"House": {"antenna_agl_m": 1.0}})


def _far(folder: Path, rows: Rows, *settings: str) -> Plan:
    """Plan with a low bank at a fast rate, where a better antenna serves the trough."""
    lines = "\n".join(["requirement.route_chance = 0.8", "generate_relays = 0", *settings])
    lay_small_property(folder, sites=rows, heights=bank(2.0), settings=f"{lines}\n")
    path = folder / "property.toml"
    text = path.read_text(encoding="utf-8").replace('"fsk-868-50k"', '"fsk-868-500k"')
    path.write_text(text.replace('"ground.tif"', '[{ file = "ground.tif", error_m = 0.3 }]'), encoding="utf-8")
    return plan_property(folder).plan


def _of(plan: Plan, sensor: str) -> Any:
    return next(miss for miss in plan.unserved if miss.sensor == sensor)


def test_no_antenna_mends_what_is_left_out_for_its_worth_or_the_budget(tmp_path: Path) -> None:
    """The same antenna is enough where the trough must be served, and is not where it is worth nothing or nothing can be paid."""
    needed = _far(tmp_path / "needed", ALONE)
    assert any(remedy.suffices for remedy in _of(needed, "Trough").remedies)
    idle = {"optional": "yes", "worth": 0}
    for name, rows, money in (
        ("worth", changed(ALONE, {"Bed": idle, "Trough": idle}), ()),
        ("budget", ALONE, ("requirement.budget = 100",)),
    ):
        plan = _far(tmp_path / name, rows, *money)
        remedies = _of(plan, "Trough").remedies
        assert remedies
        assert not any(remedy.suffices for remedy in remedies)
        assert NOT_ITS_MONEY in {remedy.lacks for remedy in remedies}
        assert "would mend it" not in plan_text(plan, ())


def test_power_is_enough_only_where_the_money_is(tmp_path: Path) -> None:
    """The house costs 144; with power the south post costs 80 more."""
    rows = changed([row for row in usual_sites() if row["name"] != "North post"], {"South post": {"power": "battery"}})

    def planned(name: str, budget: str, sites: Rows = rows) -> Plan:
        return plan_property(lay_small_property(tmp_path / name, sites=sites, settings=budget)).plan

    (rich,) = _of(planned("rich", ""), "Trough").remedies
    assert rich.suffices
    assert rich.change.startswith("give South post mains or a panel; its way is then South post → House, ")
    assert rich.change.endswith(", +80 EUR")
    after = planned("after", "", changed(rows, {"South post": {"power": "panel"}}))
    (way,) = (route for route in after.routes if route.sensor == "Trough")
    assert way.devices == rich.route
    assert way.chance == pytest.approx(rich.chance_after, abs=1e-4)
    (poor,) = _of(planned("poor", "requirement.budget = 150\n"), "Trough").remedies
    assert (poor.suffices, poor.lacks) == (False, NOT_ITS_MONEY)
    unpriced = changed(rows, {"South post": {"cost": ""}})
    (kit,) = _of(planned("kit", "", unpriced), "Trough").remedies
    bought = planned("bought", "", changed(unpriced, {"South post": {"power": "panel"}})).proof.cost
    assert kit.change.endswith(f", +{bought - 144:.0f} EUR"), "the panel is paid too, not only the relay on its battery"


def test_where_one_link_is_all_no_relay_is_the_partner(tmp_path: Path) -> None:
    """Either post is nearer to the trough than the house; with one link only the gateway counts."""
    idle = {"optional": "yes", "worth": 0}
    rows = changed(usual_sites(), {"House": {"antenna_agl_m": 1.0}, "Trough": {"antenna_agl_m": 0.2, "x": 560}, "Bed": idle})
    miss = _of(_far(tmp_path, rows, "requirement.hop_limit = 1"), "Trough")
    assert miss.nearest == "House"
    assert {remedy.device for remedy in miss.remedies} <= {"Trough", "House"}


def test_a_sensor_that_then_lacks_its_second_route_only_is_said_to_be_served_once(tmp_path: Path) -> None:
    plan = _far(tmp_path, ALONE, 'requirement.second_route = "any one relay or gateway"')
    remedies = _of(plan, "Trough").remedies
    assert not any(remedy.suffices for remedy in remedies)
    assert ONE_ROUTE_ONLY in {remedy.lacks for remedy in remedies}
    assert ONE_ROUTE_ONLY in plan_text(plan, ())


def test_a_remedy_names_the_partner_and_the_chance_of_the_way_that_is_taken() -> None:
    """A better antenna lifts a's link to the gateway to 0.7 and to the relay to 0.95; 0.8 are asked, so the relay it is."""
    problem = PlacementProblem(
        (SensorDemand("a", min_route_chance=0.8), SensorDemand("b")),
        (NodeChoice("gate", 100.0, is_gateway=True), NodeChoice("post", 97.0)),
        Links.of([0, 0, 1], [0, 1, 0], [0.5, 0.6, 0.9]),
        Links.of([1], [0], [0.9]),
    )
    plan = solve_placement(problem).plan
    assert [item.sensor_id for item in plan.served] == ["b"]
    after = LinksAfter({("a", "gate"): 0.7, ("a", "post"): 0.95}, {frozenset(["a", "gate"]): 3.0, frozenset(["a", "post"]): 8.0})
    each: Any = SimpleNamespace(station=SimpleNamespace(key="a"))
    promises = Promises(problem, "a", frozenset(("a", "gate")), plan.cost, "EUR", lambda _: after)
    assert promises.suffices(each)
    told = promises.told_fully(each, Remedy("Give a another antenna: Yagi, pointed at gate", "a", 3.0, 0.7, suffices=True))
    assert told.change == "Give a another antenna: Yagi, pointed at post; its way is then post → gate, 86 %, +97 EUR"
    assert (told.route, told.gain_db) == (("a", "post", "gate"), 8.0)
    assert told.chance_after == pytest.approx(0.95 * 0.9)
    poor = Promises(replace(problem, budget=150.0), "a", promises.told, plan.cost, "EUR", lambda _: after)
    assert not poor.suffices(each)


@pytest.mark.parametrize(("role", "needed"), [(Role.GATEWAY, 0.81), (Role.RELAY, 0.9)])
def test_a_link_to_a_gateway_is_asked_for_the_whole_chance_and_for_no_share_of_two(role: Role, needed: float) -> None:
    """0.81 of a route of two links is 0.9 of each; a direct link lacks what 0.81 asks for."""
    ends = [
        SimpleNamespace(key="a", site=SimpleNamespace(role=Role.SENSOR)),
        SimpleNamespace(key="b", site=SimpleNamespace(role=role)),
    ]
    asked: list[float] = []

    class Noting(Remedying):
        def _gap(self, sensor: str, other: str, row: int, reason: str, needed_chance: float, *, mended_by_radio: bool) -> Unserved:
            asked.append(needed_chance)
            return Unserved(sensor, other, 0.0, reason, ())

    table: Any = SimpleNamespace(stations=ends, pairs=[(0, 1)])
    anything: Any = SimpleNamespace(required_chance=0.5)
    Noting(table, anything, anything, {}, {"a": 0.81}, anything).gap("a", 0, "why", mended_by_radio=False, hops=2)
    assert asked == [pytest.approx(needed)]


def _post_and_gate(**changes: Any) -> PlacementProblem:
    """Return a problem in which "a" hears a post with half a chance, the post the gate with 0.9, and "b" the gate."""
    return replace(
        PlacementProblem(
            (SensorDemand("a", min_route_chance=0.8), SensorDemand("b")),
            (NodeChoice("gate", 100.0, is_gateway=True), NodeChoice("post", 97.0)),
            Links.of([0, 1], [1, 0], [0.5, 0.9]),
            Links.of([1], [0], [0.9]),
        ),
        **changes,
    )


def _told(problem: PlacementProblem, after: LinksAfter, served: frozenset[str] = frozenset()) -> Remedy:
    """Return what is told of a change at "a" that the link to the post is enough for."""
    each: Any = SimpleNamespace(station=SimpleNamespace(key="a"))
    promises = Promises(problem, "a", frozenset(("a", "post")), 100.0, "EUR", lambda _: after, served)
    return promises.told_fully(each, Remedy("Raise a", "a", 8.0, 0.95, suffices=promises.suffices(each)))


def test_where_more_links_follow_the_chance_told_is_that_of_the_whole_way() -> None:
    """Only the link to the post changes; its 0.95 is no chance of the route, which a plan puts at 0.86 with shared errors."""
    told = _told(_post_and_gate(), LinksAfter({("a", "post"): 0.95}, {}, chance_of=lambda _: 0.86))
    assert (told.route, told.chance_after, told.suffices) == (("a", "post", "gate"), 0.86, True)
    assert told.change == "Raise a; its way is then post → gate, 86 %, +97 EUR"


def test_a_mast_that_the_budget_cannot_pay_mends_nothing() -> None:
    """The plan costs 197 with the post; the higher mast costs 20 more, and 210 may be spent."""
    after = LinksAfter({("a", "post"): 0.95}, {}, {"post": 20.0})
    problem = _post_and_gate(budget=210.0)
    assert _told(problem, replace(after, more_cost={})).suffices
    told = _told(problem, after, frozenset({"b"}))
    assert (told.suffices, told.lacks) == (False, NOT_ITS_MONEY)
    assert _told(_post_and_gate(), after).change.endswith(", +117 EUR")


def test_a_change_that_serves_one_in_place_of_another_mends_nothing() -> None:
    """With 100 to spend either gateway serves one: the raised one serves "a", which counts more, and "b" then goes without."""
    problem = PlacementProblem(
        (SensorDemand("a", importance=4.0), SensorDemand("b")),
        (NodeChoice("gate", 100.0, is_gateway=True), NodeChoice("post", 100.0, is_gateway=True)),
        Links.of([1], [0], [0.9]),
        Links.of([], [], []),
        budget=100.0,
    )
    told = _told(problem, LinksAfter({("a", "post"): 0.95}, {}), frozenset({"b"}))
    assert (told.suffices, told.lacks) == (False, "then it is served in place of b")


def test_who_is_then_served_once_is_not_said_to_be_left_out_for_money() -> None:
    """Both routes could be had, the second for 97 more than the budget allows: one is served."""
    problem = PlacementProblem(
        (SensorDemand("a"), SensorDemand("b", second_route=False)),
        (NodeChoice("gate", 100.0, is_gateway=True), NodeChoice("post", 97.0, is_gateway=True)),
        Links.of([0, 1], [1, 0], [0.4, 0.9]),
        Links.of([], [], []),
        redundancy="any one relay or gateway",
        min_link_chance=0.5,
        budget=150.0,
    )
    after = LinksAfter({("a", "gate"): 0.95, ("a", "post"): 0.95}, {})
    told = _told(problem, after, frozenset({"b"}))
    assert (told.suffices, told.lacks) == (False, ONE_ROUTE_ONLY)


@pytest.mark.parametrize(("spread_db", "words"), [(3.0, "; the link is surer then and needs 2.1 dB less"), (5.0, "")])
def test_a_gain_below_what_is_short_that_is_enough_says_why(spread_db: float, words: str) -> None:
    """It gains 4 dB where 5 are short, but its link spreads by 3 dB and no more by 5: Φ⁻¹(0.85) · 2 dB = 2.07 dB less."""
    station: Any = SimpleNamespace(key="a", site=SimpleNamespace(role=Role.SENSOR))
    gate: Any = SimpleNamespace(key="gate", site=SimpleNamespace(role=Role.GATEWAY))

    def link(margin_db: float, spread_db: float) -> Any:
        return SimpleNamespace(
            stations=(station, gate),
            pairs=np.array([[0, 1]]),
            worst_season=np.array([0]),
            margin_db=np.array([[margin_db]]),
            fade_margin_db=np.array([8.0]),
            spread_db=np.array([[spread_db]]),
            freedom=lambda season, row: np.inf,
        )

    before, after = link(8.0 + PROBIT_85 * 5.0 - 5.0, 5.0), link(8.0 + PROBIT_85 * 5.0 - 1.0, spread_db)
    anything: Any = SimpleNamespace()
    remedying = Remedying(before, anything, anything, {}, {}, anything)
    assert remedying.lack_db(0, 0.85) == pytest.approx(5.0)
    remedy = Remedy("Raise a", "a", 4.0, 0.9, suffices=remedying.lack_db(0, 0.85, after) <= 0.0)
    eased = remedying.with_ease(remedy, 0, 0.85, lambda: after)
    assert eased.change == f"Raise a{words}"


def test_an_optional_sensor_that_is_served_but_not_worth_two_routes_is_told_so() -> None:
    """It costs nothing to serve once; its second route would cost 50 and is worth 10."""
    problem = PlacementProblem(
        (SensorDemand("need", second_route=False), SensorDemand("idle", required=False, worth=10.0)),
        (NodeChoice("gate", 100.0, is_gateway=True), NodeChoice("other", 50.0, is_gateway=True)),
        Links.of([0, 1, 1], [0, 0, 1], [0.9, 0.9, 0.9]),
        Links.of([], [], []),
        redundancy="any one relay or gateway",
    )
    plan = solve_placement(problem).plan
    assert (plan.single_route, plan.single_reasons) == (("idle",), ("not worth its cost",))
    assert "{" not in SECOND_REASONS["not worth its cost"]


def test_a_change_of_a_mast_with_several_heights_is_judged_at_the_height_that_is_meant(tmp_path: Path) -> None:
    """What an antenna gives on a mast of 9 m is that of the mast of 9 m, and a panel costs the same at either height."""
    rows = changed(ALONE, {"House": {"antenna_agl_m": 2.0, "mast_heights_agl_m": "9"}})
    lay_small_property(tmp_path, sites=rows, heights=bank(2.0), settings="generate_relays = 0\n")
    planned = plan_property(tmp_path)
    workshop = workshop_of(planned.prepared, planned.links)
    tall = next(station for station in planned.links.stations if station.key == "House at 9 m")
    other = workshop.rebuild(tall, replace(tall.site, antenna="collinear_8dbi"))
    assert other is not None
    assert (other.antenna_agl_m, other.cost) == (9.0, tall.cost)
    assert other.antenna.gain_dbi > tall.antenna.gain_dbi + 3.0
    raised = workshop.rebuild(tall, replace(tall.site, antenna_agl_m=12.0))
    assert raised is not None
    assert raised.antenna_agl_m == 12.0
    assert raised.cost > tall.cost
